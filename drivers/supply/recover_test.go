package supply

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"drench/drivers/supply/instrument"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

// serialPort is one opening of a serial line: closing it ends the reading, while the
// line, and what is under way on it, remain.
type serialPort struct {
	end
	closed *bool // guarded by in.mu
}

func (p serialPort) Read(b []byte) (int, error) {
	p.in.mu.Lock()
	defer p.in.mu.Unlock()
	for p.in.bytes.Len() == 0 && !*p.closed {
		p.in.filled.Wait()
	}
	if *p.closed {
		return 0, io.ErrClosedPipe
	}
	return p.in.bytes.Read(b)
}

func (p serialPort) Close() error {
	p.in.mu.Lock()
	defer p.in.mu.Unlock()
	*p.closed = true
	p.in.filled.Broadcast()
	return nil
}

// serialLine puts the instrument on a line that outlives its openings.
func (s *stand) serialLine() (opener, end) {
	there, back := newQueue(), newQueue()
	go s.Talk(s.ctx, end{in: there, out: back})
	line := end{in: back, out: there, heard: s.hear}
	return func(context.Context) (io.ReadWriteCloser, error) {
		return serialPort{line, new(bool)}, nil
	}, line
}

// TestOutcome: what becomes of a command when the link goes down around it,
// and how often it is sent.
func TestOutcome(t *testing.T) {
	set := func(ctx context.Context, s *Supply) error { return s.SetVoltage(ctx, 5*physic.Volt) }
	limit := func(ctx context.Context, s *Supply) error { return s.SetCurrent(ctx, 100*physic.MilliAmpere) }
	on := func(ctx context.Context, s *Supply) error { return s.Output(ctx, true) }
	off := func(ctx context.Context, s *Supply) error { return s.Output(ctx, false) }
	reset := func(ctx context.Context, s *Supply) error { return s.Reset(ctx) }
	for _, x := range []struct {
		name    string
		fault   instrument.FaultKind
		message string
		call    func(context.Context, *Supply) error
		sent    int
		doubt   bool   // the call fails with OutcomeError
		query   string // of the instrument afterwards
		want    string
	}{
		{"level executed", instrument.CutAfter, "VOLT 5", set, 1, false, "VOLT?", "+5.000000E+00"},
		{"level lost", instrument.CutBefore, "VOLT 5", set, 2, false, "VOLT?", "+5.000000E+00"},
		{"limit lost", instrument.CutBefore, "CURR 0.1", limit, 2, false, "CURR?", "+1.000000E-01"},
		{"on executed", instrument.CutAfter, "OUTP ON", on, 1, false, "OUTP?", "1"},
		{"on lost", instrument.CutBefore, "OUTP ON", on, 1, true, "OUTP?", "0"},
		{"off executed", instrument.CutAfter, "OUTP OFF", off, 1, false, "OUTP?", "0"},
		{"off lost", instrument.CutBefore, "OUTP OFF", off, 2, false, "OUTP?", "0"},
		{"off unheard", instrument.Ignore, "OUTP OFF", off, 2, false, "OUTP?", "0"},
		{"reset executed", instrument.CutAfter, "*RST", reset, 1, false, "VOLT?;:OUTP?", "+0.000000E+00;0"},
	} {
		t.Run(x.name, func(t *testing.T) {
			inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
				must(t, s.SetVoltage(ctx, 2*physic.Volt))
				if x.message == "OUTP OFF" {
					must(t, s.Output(ctx, true))
				}
				st.Inject(instrument.Fault{Kind: x.fault, Match: x.message, Times: 1})
				err := x.call(ctx, s)
				var doubt *OutcomeError
				if errors.As(err, &doubt) != x.doubt || !x.doubt && err != nil {
					t.Errorf("got %v; an unknown outcome: %v", err, x.doubt)
				}
				if n := st.count(x.message); n != x.sent {
					t.Errorf("%s was sent %d times, want %d", x.message, n, x.sent)
				}
				if got := st.state(t, x.query); got != x.want {
					t.Errorf("%s answers %s, want %s", x.query, got, x.want)
				}
				if x.doubt {
					wantText(t, err, "output is off instead of on", "not sent again")
					must(t, x.call(ctx, s))
				}
			})
		})
	}
}

// TestOutcomeWithoutReadback: what can't be read back stays in doubt. Off is
// sent once more all the same, on is not.
func TestOutcomeWithoutReadback(t *testing.T) {
	for message, sent := range map[string]int{"OUTP OFF": 2, "OUTP ON": 1} {
		inBubble(t, silent(), "minimal", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
			failing := true
			s.unplug()
			s.open = func(ctx context.Context) (io.ReadWriteCloser, error) {
				link, err := st.open(ctx)
				e := link.(end)
				e.heard = func(p []byte) {
					st.hear(p)
					if failing && string(p) == message+"\n" {
						failing = false
						e.out.close()
					}
				}
				return e, err
			}
			err := s.Output(ctx, message == "OUTP ON")
			var doubt *OutcomeError
			if errors.As(err, &doubt) != (sent == 1) || sent == 2 && err != nil {
				t.Errorf("%s: got %v", message, err)
			}
			if n := st.count(message); n != sent {
				t.Errorf("%s was sent %d times, want %d", message, n, sent)
			}
		})
	}
}

// TestUnreadableState: after the link was lost, an output that can't be read
// back is not known to be on.
func TestUnreadableState(t *testing.T) {
	inBubble(t, silent(), "minimal", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		must(t, s.Output(ctx, true))
		st.Cut()
		synctest.Wait()
		_, err := s.Voltage(ctx)
		var lost *StateError
		if !errors.As(err, &lost) {
			t.Fatalf("got %v", err)
		}
		wantText(t, err, "output is not known instead of on")
		must(t, s.Output(ctx, true))
		must(t, s.Output(ctx, false))
	})
}

// TestPowerLost: a supply that lost its power while the link was down is found
// out, told of, and left alone until the next call.
func TestPowerLost(t *testing.T) {
	for name, call := range map[string]func(context.Context, *Supply) error{
		"read":  func(ctx context.Context, s *Supply) error { _, err := s.Read(ctx); return err },
		"set":   func(ctx context.Context, s *Supply) error { return s.Set(ctx, int64(4*physic.Volt)) },
		"limit": func(ctx context.Context, s *Supply) error { return s.SetCurrent(ctx, physic.Ampere) },
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
				must(t, s.SetCurrent(ctx, 2*physic.Ampere))
				must(t, s.Set(ctx, int64(5*physic.Volt)))
				st.PowerCycle()
				synctest.Wait()
				err := call(ctx, s)
				var e *StateError
				if !errors.As(err, &e) || len(e.Differences) != 3 {
					t.Fatalf("got %v", err)
				}
				wantText(t, err, "output is off instead of on", "voltage is 0 V instead of 5 V", "current limit is 3 A instead of 2 A")
				if got := st.state(t, "OUTP?"); got != "0" || st.count("OUTP ON") != 1 {
					t.Errorf("OUTP? answers %s, OUTP ON was sent %d times", got, st.count("OUTP ON"))
				}
				must(t, s.Set(ctx, int64(5*physic.Volt)))
				if got := st.state(t, "OUTP?"); got != "1" {
					t.Error("the next call does not turn the output on")
				}
			})
		})
	}
}

// TestSwitchedOff: an output that someone switched off is not switched on
// again unseen, though the link never failed.
func TestSwitchedOff(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		must(t, s.Set(ctx, int64(5*physic.Volt)))
		st.state(t, "OUTP OFF")
		var e *StateError
		if err := s.Set(ctx, int64(4*physic.Volt)); !errors.As(err, &e) {
			t.Fatalf("got %v", err)
		}
		if got := st.state(t, "OUTP?"); got != "0" {
			t.Error("the output was switched on again")
		}
		must(t, s.Set(ctx, int64(4*physic.Volt)))
	})
}

// TestOffFirst: turning off does not wait for an outstanding answer, and is
// not held up by a supply that has changed; the next call tells of that.
func TestOffFirst(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		must(t, s.Set(ctx, int64(5*physic.Volt)))
		st.Inject(instrument.Fault{Kind: instrument.Mute, Match: "MEAS", Times: 1})
		short, cancel := context.WithTimeout(ctx, time.Second)
		defer cancel()
		_, err := s.Voltage(short)
		wantError(t, err, context.DeadlineExceeded)
		before := len(st.sent)
		must(t, s.Set(ctx, 0))
		if first := st.sent[before]; first != "OUTP OFF" {
			t.Errorf("the first message of turning off is %s", first)
		}
		must(t, s.Set(ctx, int64(5*physic.Volt)))
		st.state(t, "VOLT 9")
		st.Cut()
		must(t, s.Set(ctx, 0))
		if got := st.state(t, "OUTP?;:VOLT?"); got != "0;+0.000000E+00" {
			t.Errorf("after turning off: %s", got)
		}
		var e *StateError
		if _, err = s.Voltage(ctx); !errors.As(err, &e) {
			t.Fatalf("got %v", err)
		}
		wantText(t, err, "voltage is 9 V instead of 5 V")
		_, err = s.Voltage(ctx)
		must(t, err)
	})
}

// TestLinkBack: a link that was cut while nothing was under way comes back by
// itself when the supply is as it was left.
func TestLinkBack(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		must(t, s.Set(ctx, int64(5*physic.Volt)))
		for range 3 {
			st.Cut()
			v, err := s.Voltage(ctx)
			if must(t, err); apart(v, 5*physic.Volt) > 2*physic.MilliVolt {
				t.Errorf("measured %v", v)
			}
		}
		if n := st.count("OUTP ON"); n != 1 {
			t.Errorf("OUTP ON was sent %d times", n)
		}
	})
}

// TestRedial: attempts are bounded, pauses double up to their limit.
func TestRedial(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		refused := errors.New("connection refused")
		s.redial = Redial{Attempts: 6, First: time.Second, Most: 5 * time.Second}
		var at []time.Duration
		begin := time.Now()
		s.open = func(context.Context) (io.ReadWriteCloser, error) {
			at = append(at, time.Since(begin))
			return nil, refused
		}
		st.Cut()
		_, err := s.Voltage(ctx)
		wantError(t, err, ErrLost, "failed 6 times")
		wantError(t, err, refused)
		want := []time.Duration{0, 1, 3, 7, 12, 17}
		for i := range want {
			if len(at) != len(want) || at[i] != want[i]*time.Second {
				t.Fatalf("attempts at %v, want %v seconds", at, want)
			}
		}
		short, cancel := context.WithTimeout(ctx, 2*time.Second)
		defer cancel()
		_, err = s.Voltage(short)
		wantError(t, err, context.DeadlineExceeded)
		s.open = st.open
		_, err = s.Voltage(ctx)
		must(t, err)
	})
}

// TestOther: another supply at the same address is not used.
func TestOther(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		cfg := silent()
		cfg.Identity[2] = "1"
		in, err := instrument.New(cfg)
		must(t, err)
		other := &stand{Instrument: in, ctx: ctx}
		s.open = other.open
		st.Cut()
		wantError(t, s.Set(ctx, int64(physic.Volt)), ErrOther, "serial number 1", "instead of")
		if got := other.state(t, "VOLT?;:OUTP?"); got != "+0.000000E+00;0" {
			t.Errorf("the other supply is at %s", got)
		}
	})
}

// TestHalfMessage: what a program that died left in the supply's input buffer
// is not completed by what the next one sends.
func TestHalfMessage(t *testing.T) {
	for _, half := range []string{"VOLT 12", "OUTP 1", "OUTP O", "VOLT 1E", "VO", "DISP:TEXT 'x", "*RS"} {
		synctest.Test(t, func(t *testing.T) {
			ctx, st := t.Context(), newStand(t, silent())
			st.state(t, "VOLT 3")
			open, line := st.serialLine()
			io.WriteString(line.out, half)
			begin := time.Now()
			s, err := Dial(ctx, Config{Open: open})
			must(t, err)
			defer s.Close()
			if got := st.state(t, "VOLT?;:OUTP?"); got != "+3.000000E+00;0" {
				t.Errorf("after half a message %q: %s", half, got)
			}
			if took := time.Since(begin); took >= s.timeout {
				t.Errorf("%q: in step after %v of the bubble's time, so an answer was missed", half, took)
			}
			if found, err := s.Errors(ctx); err != nil || found != nil {
				t.Errorf("%q: got %v, %v", half, found, err)
			}
		})
	}
}

// TestOldAnswers: what an earlier program did not read is not taken for an
// answer, whatever it looks like.
func TestOldAnswers(t *testing.T) {
	for _, dialect := range StockDialects() {
		synctest.Test(t, func(t *testing.T) {
			ctx, st := t.Context(), newStand(t, silent())
			open, line := st.serialLine()
			for _, old := range []string{"+7.5", "\n1\n", "drench,simulated supply,0,1.0\n", "0,\"No error\"\n", "\xff\x00\n"} {
				io.WriteString(line.in, old)
			}
			// The supply has been asked more than it has answered yet.
			st.Inject(instrument.Fault{Kind: instrument.Late, Match: "*IDN?", Times: 3, Delay: 300 * time.Millisecond})
			for range 3 {
				io.WriteString(line.out, "*IDN?\n")
			}
			d, err := LoadDialect(dialect, "")
			must(t, err)
			s, err := Dial(ctx, Config{Dialect: d, Open: open})
			must(t, err)
			defer s.Close()
			must(t, s.Set(ctx, int64(5*physic.Volt)))
			v, err := s.Voltage(ctx)
			if must(t, err); apart(v, 5*physic.Volt) > 10*physic.MilliVolt {
				t.Errorf("%s: measured %v", dialect, v)
			}
		})
	}
}

// TestOldToken: answers that are still to come may even repeat the number that
// the supply is given next; the second number tells. The link is not given up.
func TestOldToken(t *testing.T) {
	for _, old := range []string{"4", "5", "6"} {
		synctest.Test(t, func(t *testing.T) {
			ctx, st := t.Context(), newStand(t, silent())
			open, line := st.serialLine()
			defer line.Close()
			opened := 0
			s, err := Dial(ctx, Config{Open: func(ctx context.Context) (io.ReadWriteCloser, error) { opened++; return open(ctx) }})
			must(t, err)
			defer s.Close()
			must(t, s.Set(ctx, int64(5*physic.Volt)))
			st.Inject(instrument.Fault{Kind: instrument.Late, Match: "*ESE?", Times: 1, Delay: 300 * time.Millisecond})
			io.WriteString(line.out, "*ESE "+old+"\n*ESE?\n")
			s.token, s.unsure = 4, true // 5 is next
			v, err := s.Voltage(ctx)
			if must(t, err); apart(v, 5*physic.Volt) > 2*physic.MilliVolt || opened != 1 {
				t.Errorf("%s is under way: measured %v, link opened %d times", old, v, opened)
			}
		})
	}
}

// plan is a way to use a supply whose line misbehaves.
type plan struct {
	serial bool
	seed   uint64
	steps  []planned
}

type planned struct {
	faults []instrument.Fault
	call   string
	volts  physic.ElectricPotential
	amps   physic.ElectricCurrent
}

func drawPlan(t *rapid.T) plan {
	kinds := []instrument.FaultKind{instrument.Ignore, instrument.Mute, instrument.Late, instrument.Partial,
		instrument.Garble, instrument.Reject, instrument.CutBefore, instrument.CutAfter}
	p := plan{serial: rapid.Bool().Draw(t, "serial"), seed: rapid.Uint64().Draw(t, "seed")}
	if p.serial { // this line can't be cut
		kinds = kinds[:6]
	}
	for range rapid.IntRange(1, 12).Draw(t, "steps") {
		step := planned{
			call:  rapid.SampledFrom([]string{"set", "off", "voltage", "current", "setpoint", "limit"}).Draw(t, "call"),
			volts: physic.ElectricPotential(rapid.Int64Range(1, 20000).Draw(t, "mV")) * physic.MilliVolt,
			amps:  physic.ElectricCurrent(rapid.Int64Range(1, 3000).Draw(t, "mA")) * physic.MilliAmpere,
		}
		for range rapid.IntRange(0, 2).Draw(t, "faults") {
			step.faults = append(step.faults, instrument.Fault{
				Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Times: 1,
				Match: rapid.SampledFrom([]string{"", "?", "VOLT", "OUTP", "MEAS", "*OPC?", "ERR", "*ESE"}).Draw(t, "match"),
				Skip:  rapid.IntRange(0, 3).Draw(t, "skip"),
				Delay: time.Duration(rapid.Int64Range(0, 6e9).Draw(t, "delay")),
			})
		}
		p.steps = append(p.steps, step)
	}
	return p
}

// TestAnswersBelong is what all the care is for: however the line misbehaves,
// an answer is the one to its question, or there is an error; a setting that
// is reported as done is done; and OUTP ON is never sent more often than asked
// for.
func TestAnswersBelong(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := drawPlan(rt)
		var err error
		synctest.Test(t, func(t *testing.T) { err = p.run(t) })
		if err != nil {
			rt.Fatal(err)
		}
	})
}

func (p plan) run(t *testing.T) error {
	cfg := silent()
	cfg.Seed = p.seed
	ctx, st := t.Context(), newStand(t, cfg)
	open := opener(st.open)
	if p.serial {
		var line end
		open, line = st.serialLine()
		defer line.Close()
	}
	s, err := Dial(ctx, Config{Open: open})
	if err != nil {
		return err
	}
	defer s.Close()
	on := 2
	for i, step := range p.steps {
		for _, f := range step.faults {
			st.Inject(f)
		}
		if step.call == "set" {
			on++
		}
		if err := step.check(ctx, st, s); err != nil {
			return fmt.Errorf("step %d: %w", i, err)
		}
	}
	st.Mend()
	// Once the line is well, at most one call still pays for the past.
	_ = s.Set(ctx, int64(physic.Volt))
	if err := s.Set(ctx, int64(physic.Volt)); err != nil {
		return fmt.Errorf("after mending: %w", err)
	}
	if n := st.count("OUTP ON"); n > on {
		return fmt.Errorf("OUTP ON was sent %d times for %d calls", n, on)
	}
	return nil
}

// check makes a call and compares what it says with what the instrument knows.
func (p planned) check(ctx context.Context, st *stand, s *Supply) error {
	switch p.call {
	case "set":
		return st.confirm(s.Set(ctx, int64(p.volts)), "VOLT?;:OUTP?", nr3(p.volts)+";1")
	case "off":
		return st.confirm(s.Set(ctx, 0), "VOLT?;:OUTP?", "+0.000000E+00;0")
	case "limit":
		return st.confirm(s.SetCurrent(ctx, p.amps), "CURR?", nr3(p.amps))
	case "setpoint":
		got, err := s.Setpoint(ctx)
		on := map[bool]string{true: "1", false: "0"}[got.On]
		return st.confirm(err, "VOLT?;CURR?;:OUTP?", nr3(got.Voltage)+";"+nr3(got.Current)+";"+on)
	case "voltage":
		before, _, _ := st.Output()
		got, err := s.Voltage(ctx)
		after, _, _ := st.Output()
		return between(err, before, got, after, 2*physic.MilliVolt)
	case "current":
		_, before, _ := st.Output()
		got, err := s.Current(ctx)
		_, after, _ := st.Output()
		return between(err, before, got, after, 200*physic.MicroAmpere)
	}
	return nil
}

// between checks a reading of an output that may be on its way.
func between[T ~int64](failed error, before, got, after, tolerance T) error {
	if failed == nil && (got < min(before, after)-tolerance || got > max(before, after)+tolerance) {
		return fmt.Errorf("output was at %d and is at %d nano, measured %d", before, after, got)
	}
	return nil
}

// confirm checks what the instrument has when a call says that all is well.
func (s *stand) confirm(failed error, query, want string) error {
	if failed != nil {
		return nil
	}
	if got, err := s.Exec(context.Background(), query); err != nil || got != want {
		return fmt.Errorf("%s answers %s (%v), want %s", query, got, err, want)
	}
	return nil
}

// TestFlood: noise at full rate instead of an answer ends in an error, and
// the link works again afterwards.
func TestFlood(t *testing.T) {
	inBubble(t, silent(), "standard", func(t *testing.T, ctx context.Context, st *stand, s *Supply) {
		must(t, s.Set(ctx, int64(5*physic.Volt)))
		st.Inject(instrument.Fault{Kind: instrument.Flood, Match: "MEAS:VOLT?", Bytes: 1 << 20})
		_, err := s.Voltage(ctx)
		wantError(t, err, ErrGarbled)
		st.Mend()
		v, err := s.Voltage(ctx)
		if must(t, err); apart(v, 5*physic.Volt) > 2*physic.MilliVolt {
			t.Errorf("measured %v", v)
		}
	})
}

// noise never stops sending, and takes whatever it is sent.
type noise struct{ *rand.Rand }

func (n noise) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(n.Uint32())
	}
	return len(p), nil
}

func (noise) Write(p []byte) (int, error) { return len(p), nil }
func (noise) Close() error                { return nil }

// TestEndlessNoise: a line that is noise and nothing else is refused.
func TestEndlessNoise(t *testing.T) {
	for _, dialect := range StockDialects() {
		d, err := LoadDialect(dialect, "")
		must(t, err)
		_, err = Dial(context.Background(), Config{Dialect: d, Open: func(context.Context) (io.ReadWriteCloser, error) {
			return noise{rand.New(rand.NewPCG(1, 2))}, nil
		}})
		wantError(t, err, ErrGarbled, "does not stop")
	}
}

// TestStuckWrite: a link that takes no bytes does not hold a call up.
func TestStuckWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := io.Pipe() // nobody reads b's other side
		link := struct {
			io.Reader
			io.WriteCloser
		}{a, b}
		silence, hush := io.Pipe()
		link.Reader = silence
		defer hush.Close()
		_, err := Dial(context.Background(), Config{Open: func(context.Context) (io.ReadWriteCloser, error) { return link, nil }})
		wantError(t, err, ErrLost, "takes no message")
		wantError(t, err, ErrNoAnswer)
	})
}
