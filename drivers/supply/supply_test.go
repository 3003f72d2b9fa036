package supply

import (
	"context"
	"errors"
	"io"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"drench/drivers/supply/instrument"

	"periph.io/x/conn/v3/physic"
)

// round trips of all that a supply can be asked for; it is used on every kind
// of link.
func converse(ctx context.Context, t *testing.T, in *instrument.Instrument, s *Supply) {
	t.Helper()
	id, err := s.Identify(ctx)
	must(t, err)
	if want := (Identity{"drench", "simulated supply", "0", "1.0"}); id != want {
		t.Errorf("identity is %v, want %v", id, want)
	}
	must(t, s.Reset(ctx))
	must(t, s.SetVoltage(ctx, 3300*physic.MilliVolt))
	must(t, s.SetCurrent(ctx, 500*physic.MilliAmpere))
	must(t, s.Output(ctx, true))
	v, err := s.Voltage(ctx)
	must(t, err)
	i, err := s.Current(ctx)
	must(t, err)
	// 3.3 V over 10 Ω; a millivolt is the band within which the output counts
	// as settled.
	if apart(v, 3300*physic.MilliVolt) > 1100*physic.MicroVolt || apart(i, 330*physic.MilliAmpere) > 200*physic.MicroAmpere {
		t.Errorf("measured %v and %v, want 3.3 V and 330 mA", v, i)
	}
	p, err := s.Setpoint(ctx)
	must(t, err)
	if want := (Setpoint{3300 * physic.MilliVolt, 500 * physic.MilliAmpere, true}); p != want {
		t.Errorf("set to %v, want %v", p, want)
	}
	must(t, s.Output(ctx, false))
	if _, _, mode := in.Output(); mode != instrument.Off {
		t.Errorf("the output is in mode %d after it was turned off", mode)
	}
}

func TestConversation(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) { converse(ctx, t, st.Instrument, s) })
}

// TestOneUnit: no message has a second unit, and after each that is not itself
// part of reading errors the error queue was read.
func TestOneUnit(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		converse(ctx, t, st.Instrument, s)
		converse(ctx, t, st.Instrument, s)
		reads := st.count("SYST:ERR?")
		others := 0
		for _, m := range []string{"*RST", "VOLT 3.3", "CURR 0.5", "OUTP ON", "OUTP OFF", "VOLT?", "CURR?", "OUTP?", "MEAS:VOLT?", "MEAS:CURR?"} {
			if st.count(m) < 2 {
				t.Errorf("%s was sent %d times", m, st.count(m))
			}
			others += st.count(m)
		}
		if reads < others {
			t.Errorf("the error queue was read %d times after %d messages", reads, others)
		}
		for _, m := range st.sent {
			for _, c := range m {
				if c == ';' || c == '\n' {
					t.Errorf("%q has more than one unit", m)
				}
			}
		}
	})
}

func TestSettles(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		for _, v := range []physic.ElectricPotential{5 * physic.Volt, 25 * physic.Volt, physic.Volt} {
			must(t, s.Set(ctx, int64(v)))
			if got, _, _ := st.Output(); apart(got, v) > 1100*physic.MicroVolt {
				t.Errorf("%v after setting %v", got, v)
			}
		}
	})
}

// TestMinimal: without synchronisation waits are times; what can't be read
// back is not claimed.
func TestMinimal(t *testing.T) {
	inBubble(t, silent(), "minimal", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		must(t, s.Set(ctx, int64(5*physic.Volt)))
		if v, _, _ := st.Output(); apart(v, 5*physic.Volt) > 10*physic.MilliVolt {
			t.Errorf("%v after setting 5 V", v)
		}
		v, err := s.Read(ctx)
		must(t, err)
		if apart(v, 5e9) > 10e6 {
			t.Errorf("read %d nV", v)
		}
		must(t, s.Set(ctx, 0))
		if st.state(t, "OUTP?;:VOLT?") != "0;+0.000000E+00" {
			t.Error("0 V leaves the output on")
		}
		for what, err := range map[string]error{
			"reset":      s.Reset(ctx),
			"protection": s.SetProtection(ctx, Protection{OverVoltage: physic.Volt}),
		} {
			if !errors.Is(err, ErrUnsupported) {
				t.Errorf("%s: got %v", what, err)
			}
		}
		_, err = s.Setpoint(ctx)
		wantError(t, err, ErrUnsupported, "read output")
		_, err = s.Errors(ctx)
		wantError(t, err, ErrUnsupported)
		_, err = s.Trips(ctx)
		wantError(t, err, ErrUnsupported)
		for _, m := range st.sent {
			if m == "SYST:ERR?" || m == "*OPC?" || m == "*CLS" {
				t.Errorf("%s was sent", m)
			}
		}
	})
}

// TestRefused: what the supply puts into its error queue comes back with the
// command that caused it.
func TestRefused(t *testing.T) {
	cfg := silent()
	cfg.Voltage.Max = 20 * physic.Volt
	inBubble(t, cfg, "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		err := s.SetVoltage(ctx, 25*physic.Volt)
		var e *Error
		if !errors.As(err, &e) || *e != (Error{"VOLT 25", -222, "Data out of range"}) {
			t.Fatalf("got %#v, %v", e, err)
		}
		wantText(t, err, "set supply voltage", `"VOLT 25"`, "-222, Data out of range")
		found, err := s.Errors(ctx)
		if must(t, err); found != nil {
			t.Errorf("%v is still in the queue", found)
		}
		st.Inject(instrument.Fault{Kind: instrument.Reject, Match: "VOLT 5", Times: 1})
		if err := s.SetVoltage(ctx, 5*physic.Volt); !errors.As(err, &e) || e.Code != -200 {
			t.Errorf("got %v", err)
		}
		st.state(t, "FOO")
		st.state(t, "VOLT 99")
		found, err = s.Errors(ctx)
		must(t, err)
		if len(found) != 2 || found[0].Code != -113 || found[1].Code != -222 || found[0].Command != "" {
			t.Errorf("errors of the front panel: %v", found)
		}
	})
}

// TestEndlessQueue: an error queue that never empties is no reason to hang.
func TestEndlessQueue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sc := &script{answers: map[string]string{"SYST:ERR?": "-100,\"Command error\"\n"}}
		_, err := Dial(context.Background(), Config{Open: sc.open})
		wantError(t, err, ErrGarbled, "does not become empty")
	})
}

func TestRange(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		before := len(st.sent)
		var e *RangeError
		if err := s.SetVoltage(ctx, 31*physic.Volt); !errors.As(err, &e) {
			t.Errorf("got %v", err)
		}
		wantText(t, e, "voltage 31 V", "0 V to 30 V")
		if err := s.Set(ctx, -1); !errors.As(err, &e) {
			t.Errorf("got %v", err)
		}
		if err := s.SetCurrent(ctx, 4*physic.Ampere); !errors.As(err, &e) {
			t.Errorf("got %v", err)
		}
		if err := s.SetProtection(ctx, Protection{OverVoltage: -1}); err == nil {
			t.Error("a negative protection is accepted")
		}
		if len(st.sent) != before {
			t.Errorf("%v was sent", st.sent[before:])
		}
	})
}

// TestReadback: a setting that gets lost on the way is noticed.
func TestReadback(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		for message, call := range map[string]func() error{
			"VOLT 5":   func() error { return s.SetVoltage(ctx, 5*physic.Volt) },
			"CURR 0.1": func() error { return s.SetCurrent(ctx, 100*physic.MilliAmpere) },
			"OUTP ON":  func() error { return s.Output(ctx, true) },
		} {
			st.Inject(instrument.Fault{Kind: instrument.Ignore, Match: message, Times: 1})
			var e *ReadbackError
			if err := call(); !errors.As(err, &e) || e.Command != message {
				t.Errorf("%s lost: got %v", message, err)
			}
			must(t, call())
		}
	})
}

func TestProtection(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		st.state(t, "VOLT:PROT:STAT OFF;:CURR:PROT:STAT OFF")
		want := Protection{6 * physic.Volt, 400 * physic.MilliAmpere}
		must(t, s.SetProtection(ctx, want))
		got, err := s.Protection(ctx)
		if must(t, err); got != want {
			t.Errorf("protection is %v, want %v", got, want)
		}
		if a := st.state(t, "VOLT:PROT:STAT?;:CURR:PROT:STAT?"); a != "1;1" {
			t.Errorf("armed: %s", a)
		}
		must(t, s.Set(ctx, int64(3*physic.Volt)))
		// 5 V over 10 Ω are 0.5 A.
		must(t, s.SetVoltage(ctx, 5*physic.Volt))
		trips, err := s.Trips(ctx)
		if must(t, err); trips != (Trips{OverCurrent: true}) {
			t.Errorf("trips are %v", trips)
		}
		var e *TripError
		if err := s.Set(ctx, int64(2*physic.Volt)); !errors.As(err, &e) || !e.OverCurrent {
			t.Fatalf("got %v", err)
		}
		wantText(t, e, "over-current protection has tripped")
		must(t, s.ClearTrips(ctx))
		if _, _, mode := st.Output(); mode != instrument.Off {
			t.Errorf("clearing a trip leaves the output in mode %d", mode)
		}
		must(t, s.Set(ctx, int64(2*physic.Volt)))
		st.Inject(instrument.Fault{Kind: instrument.Ignore, Match: "VOLT:PROT:STAT", Times: 1})
		st.state(t, "VOLT:PROT:STAT OFF")
		var r *ReadbackError
		if err := s.SetProtection(ctx, Protection{OverVoltage: 7 * physic.Volt}); !errors.As(err, &r) {
			t.Errorf("a protection that did not arm: got %v", err)
		}
		if err := s.SetProtection(ctx, Protection{OverVoltage: 7005 * physic.MilliVolt}); !errors.As(err, &r) {
			t.Errorf("a level that the supply rounds to 10 mV: got %v", err)
		}
	})
}

// TestNotNumber: the marks for infinity and not-a-number are no readings.
func TestNotNumber(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sc := &script{answers: map[string]string{"MEAS:VOLT?": "9.91E37\n", "MEAS:CURR?": "-9.9E+37\n"}}
		s, err := Dial(context.Background(), Config{Open: sc.open})
		must(t, err)
		defer s.Close()
		_, err = s.Voltage(context.Background())
		wantError(t, err, ErrNotNumber)
		_, err = s.Current(context.Background())
		wantError(t, err, ErrNotNumber)
	})
}

// TestStray: a line that nobody asked for is not taken for an answer, also
// where no reading of the error queue would come across it.
func TestStray(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sc := &script{answers: map[string]string{"MEAS:CURR?": "0.1\n5\n", "MEAS:VOLT?": "3\n"}}
		d, err := LoadDialect("minimal", "")
		must(t, err)
		s, err := Dial(context.Background(), Config{Dialect: d, Open: sc.open})
		must(t, err)
		defer s.Close()
		_, err = s.Current(context.Background())
		must(t, err)
		v, err := s.Voltage(context.Background())
		if must(t, err); v != 3*physic.Volt {
			t.Errorf("measured %v, want 3 V", v)
		}
	})
}

// TestUnknownQuery: a query that the supply does not know has no answer; the
// error queue says why.
func TestUnknownQuery(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, _ *stand, s *Supply) {
		s.dialect.Commands.MeasureVoltage = "READ:VOLT?"
		_, err := s.Voltage(ctx)
		var e *Error
		if !errors.As(err, &e) || e.Code != -113 || e.Command != "READ:VOLT?" {
			t.Fatalf("got %v", err)
		}
		wantError(t, err, ErrNoAnswer)
	})
}

// TestSetup: the messages of the dialect's setup follow every connection.
func TestSetup(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, st := t.Context(), newStand(t, silent())
		d, err := LoadDialect("standard", "")
		must(t, err)
		d.Setup = []string{"DISP:TEXT 'REMOTE'"}
		s, err := Dial(ctx, Config{Dialect: d, Open: st.open})
		must(t, err)
		defer s.Close()
		st.PowerCycle()
		_, err = s.Voltage(ctx)
		must(t, err)
		if got := st.state(t, "DISP:TEXT?"); got != `"REMOTE"` {
			t.Errorf("after a power cycle the display shows %s", got)
		}
		d.Setup = []string{"SYST:REM"} // this one the instrument does not know
		_, err = Dial(ctx, Config{Dialect: d, Open: st.open})
		var e *Error
		if !errors.As(err, &e) || e.Command != "SYST:REM" {
			t.Errorf("got %v", err)
		}
	})
}

// TestGivingUp: a caller's context ends a call at once, and the next is not
// confused by the answer that then comes.
func TestGivingUp(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		must(t, s.Set(ctx, int64(5*physic.Volt)))
		st.Inject(instrument.Fault{Kind: instrument.Late, Match: "MEAS:VOLT?", Times: 1, Delay: 500 * time.Millisecond})
		short, cancel := context.WithTimeout(ctx, 100*time.Millisecond)
		defer cancel()
		begin := time.Now()
		_, err := s.Voltage(short)
		wantError(t, err, context.DeadlineExceeded)
		if took := time.Since(begin); took != 100*time.Millisecond {
			t.Errorf("gave up after %v of the bubble's time", took)
		}
		i, err := s.Current(ctx)
		must(t, err)
		if apart(i, 500*physic.MilliAmpere) > physic.MilliAmpere {
			t.Errorf("the current is %v, want 0.5 A", i)
		}
		done, cancel := context.WithCancel(ctx)
		cancel()
		if err := s.Set(done, 0); !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
		must(t, s.Set(ctx, 0))
	})
}

// TestClose ends the call at work; later ones fail.
func TestClose(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		st.Inject(instrument.Fault{Kind: instrument.Mute})
		ended := make(chan error)
		go func() {
			_, err := s.Voltage(ctx)
			ended <- err
		}()
		synctest.Wait()
		must(t, s.Close())
		wantError(t, <-ended, ErrClosed)
		_, err := s.Voltage(ctx)
		wantError(t, err, ErrClosed)
		must(t, s.Close())
	})
}

// TestTurns: calls from several goroutines take turns.
func TestTurns(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, _ *stand, s *Supply) {
		must(t, s.Set(ctx, int64(5*physic.Volt)))
		var all sync.WaitGroup
		for range 8 {
			all.Go(func() {
				v, err := s.Voltage(ctx)
				if err != nil || apart(v, 5*physic.Volt) > 2*physic.MilliVolt {
					t.Errorf("got %v, %v", v, err)
				}
				i, err := s.Current(ctx)
				if err != nil || apart(i, 500*physic.MilliAmpere) > physic.MilliAmpere {
					t.Errorf("got %v, %v", i, err)
				}
			})
		}
		all.Wait()
	})
}

// TestDialFails: nothing there, or something that is no supply.
func TestDialFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := context.Background()
		none := errors.New("no such thing")
		_, err := Dial(ctx, Config{Open: func(context.Context) (io.ReadWriteCloser, error) { return nil, none }})
		wantError(t, err, none, "connect to supply")
		mute := func(context.Context) (io.ReadWriteCloser, error) {
			return end{in: newQueue(), out: newQueue()}, nil
		}
		_, err = Dial(ctx, Config{Open: mute})
		wantError(t, err, ErrNoAnswer)
		sc := &script{answers: map[string]string{"*IDN?": "hello\n"}}
		_, err = Dial(ctx, Config{Open: sc.open})
		wantError(t, err, ErrGarbled, "hello", "split by commas")
		_, err = Dial(ctx, Config{Address: "tcp://"})
		wantText(t, err, "tcp://host:5025")
		d, err := LoadDialect("standard", "")
		must(t, err)
		d.Voltage.Step = 0
		_, err = Dial(ctx, Config{Dialect: d, Open: mute})
		wantText(t, err, "voltage.step is not over 0")
	})
}
