package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"drench/drivers/supply"
	"drench/drivers/supply/instrument"
	"drench/rig"
	"drench/rig/assembly"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/timeline"

	"periph.io/x/conn/v3/physic"
)

// slowBench is a bench with a few lines, and a supply behind a wire that
// answers late. It lives in time that passes only while everything waits.
type slowBench struct {
	*assembly.Bench
	inst  *instrument.Instrument
	began time.Time
	edges chan rig.Event
	stop  int64 // level of the emergency stop's line
	log   []rig.Event
	kept  timeline.Memory
	table []rig.Channel
}

func (b *slowBench) now() rig.Instant { return rig.Instant(time.Since(b.began)) }

// line is an output that obeys at once.
func (b *slowBench) line(id rig.ID) assembly.SetterFunc {
	return func(_ context.Context, v int64) (rig.Instant, error) {
		b.log = append(b.log, rig.Event{At: b.now(), Kind: rig.Command, Channel: id, Value: v})
		return b.now(), nil
	}
}

const (
	slowPump rig.ID = iota
	slowRelay
	slowSupply
	slowDeadman
	slowStop
)

func newSlowBench(t *testing.T) *slowBench {
	t.Helper()
	b := &slowBench{began: time.Now(), edges: make(chan rig.Event, 1), stop: 1}
	var err error
	if b.inst, err = instrument.New(instrument.Bench()); err != nil {
		t.Fatal(err)
	}
	s, err := supply.Dial(t.Context(), supply.Config{Timeout: 4 * time.Second, Open: func(context.Context) (io.ReadWriteCloser, error) {
		here, there := net.Pipe()
		go func() { _ = b.inst.Talk(context.WithoutCancel(t.Context()), there) }() // the bench's end needs it: it ends with the pipe
		return here, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	source := assembly.SourceFunc(func(ctx context.Context, _ rig.Instant) (rig.Event, bool, error) {
		select {
		case ev := <-b.edges:
			b.stop = ev.Value
			return ev, true, nil
		case <-ctx.Done():
			return rig.Event{}, false, ctx.Err()
		}
	})
	b.Bench, err = assembly.New(assembly.Parts{Now: b.now, Close: []io.Closer{s}, Sources: []assembly.NamedSource{{Name: "lines", Source: source}},
		Channels: []assembly.Channel{
			{Channel: rig.Channel{Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump}, Set: b.line(slowPump)},
			{Channel: rig.Channel{Name: rig.RelayDUT, Dir: rig.Output, Hazard: rig.Supply}, Set: b.line(slowRelay)},
			{Channel: rig.Channel{Name: rig.SupplySet, Dir: rig.Output, Unit: rig.Volt, Hazard: rig.Supply}, Wire: time.Second, Read: s,
				Set: assembly.SetterFunc(func(ctx context.Context, v int64) (rig.Instant, error) { err := s.Set(ctx, v); return b.now(), err })},
			{Channel: rig.Channel{Name: rig.Deadman, Dir: rig.Output, Hazard: rig.Idle}, Set: b.line(slowDeadman)},
			{Channel: rig.Channel{Name: rig.EStop, Dir: rig.Input}, Read: assembly.ReaderFunc(func(context.Context) (int64, error) { return b.stop, nil })},
		}})
	if err != nil {
		t.Fatal(err)
	}
	b.table = b.Bench.Channels()
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// do runs a script on the bench through the interlocks.
func (b *slowBench) do(t *testing.T, script func(context.Context, *engine.Run) error) error {
	t.Helper()
	w, err := timeline.NewWriter(&b.kept, timeline.Header{Channels: b.table}, timeline.LivePace)
	if err != nil {
		t.Fatal(err)
	}
	guard, err := interlock.New(t.Context(), b.Bench, interlock.Config{Inputs: []string{rig.EStop}, PumpOn: time.Minute, Volume: 1000 * rig.Millilitre,
		Poll: 200 * time.Millisecond, Stale: 3 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	run, err := engine.New(t.Context(), guard, w)
	if err != nil {
		t.Fatal(err)
	}
	return run.Do(t.Context(), func(ctx context.Context) error { return script(ctx, run) })
}

// commands are the instants at which an output was set, by the bench's own log.
func (b *slowBench) commands(ch rig.ID) []rig.Event {
	return slices.DeleteFunc(slices.Clone(b.log), func(ev rig.Event) bool { return ev.Channel != ch })
}

// recorded are the timeline's events.
func (b *slowBench) recorded(t *testing.T) []rig.Event {
	t.Helper()
	_, evs, err := timeline.ReadAll(bytes.NewReader(b.kept.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	return evs
}

func (b *slowBench) beats(t *testing.T, until rig.Instant) {
	t.Helper()
	last := rig.Instant(0)
	for _, ev := range b.commands(slowDeadman) {
		if gap := ev.At.Sub(last); last != 0 && gap >= 2*interlock.Beat {
			t.Errorf("the dead-man line stood still for %v, up to %v", gap, ev.At)
		}
		last = ev.At
	}
	if last < until.Add(-2*interlock.Beat) {
		t.Errorf("the last beat came at %v, want one shortly before %v", last, until)
	}
}

func powerUp(ctx context.Context, run *engine.Run) error {
	return errors.Join(run.Set(ctx, rig.RelayDUT, rig.Quantity{N: 1, Unit: rig.Level}), run.Set(ctx, rig.PumpDrip, rig.Of(10*rig.MlPerMin)),
		run.Set(ctx, rig.SupplySet, rig.Of(3300*physic.MilliVolt)))
}

// TestSlowSupply: while the supply takes two seconds for an answer, the
// supervisor keeps its turn, and the command is stamped when it was confirmed.
func TestSlowSupply(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newSlowBench(t)
		var asked, done rig.Instant
		err := b.do(t, func(ctx context.Context, run *engine.Run) error {
			b.inst.Inject(instrument.Fault{Kind: instrument.Late, Delay: 2 * time.Second, Match: "OUTP?", Times: 1})
			asked = run.Now()
			err := powerUp(ctx, run)
			done = run.Now()
			return errors.Join(err, run.Wait(ctx, time.Second))
		})
		if err != nil {
			t.Fatal(err)
		}
		if took := done.Sub(asked); took < 2*time.Second {
			t.Fatalf("the set took %v; the answer was not late", took)
		}
		b.beats(t, done.Add(time.Second))
		var stamps []rig.Instant
		for _, ev := range b.recorded(t) {
			if ev.Kind == rig.Command && ev.Channel == slowSupply {
				stamps = append(stamps, ev.At)
			}
		}
		if len(stamps) != 2 || stamps[0] > done || done.Sub(stamps[0]) > time.Millisecond || stamps[1] < done.Add(time.Second) {
			t.Errorf("the supply's commands are stamped %v; it obeyed at %v, and again at the end", stamps, done)
		}
		if _, _, mode := b.inst.Output(); mode != instrument.Off {
			t.Errorf("the supply was left in mode %v", mode)
		}
	})
}

// TestTripWhileSupplyIsBusy: a trip has the lines off at once, and the supply as
// soon as it answers.
func TestTripWhileSupplyIsBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newSlowBench(t)
		var pressed rig.Instant
		err := b.do(t, func(ctx context.Context, run *engine.Run) error {
			if err := powerUp(ctx, run); err != nil {
				return err
			}
			b.inst.Inject(instrument.Fault{Kind: instrument.Late, Delay: 2 * time.Second, Match: "OUTP?", Times: 1})
			pressed = run.Now().Add(500 * time.Millisecond)
			time.AfterFunc(500*time.Millisecond, func() { b.edges <- rig.Event{At: b.now(), Kind: rig.Edge, Channel: slowStop} })
			return run.Set(ctx, rig.SupplySet, rig.Of(3*physic.Volt))
		})
		var trip *interlock.TripError
		if !errors.As(err, &trip) || !strings.Contains(trip.Reason, "emergency stop") {
			t.Fatalf("ended with %v", err)
		}
		b.beats(t, pressed)
		for _, ch := range []rig.ID{slowPump, slowRelay} {
			off := slices.IndexFunc(b.log, func(ev rig.Event) bool { return ev.Channel == ch && ev.Value == 0 && ev.At >= pressed })
			if off < 0 || b.log[off].At.Sub(pressed) > 50*time.Millisecond {
				t.Errorf("%s was not off 50 ms after the edge at %v: %v", b.table[ch].Name, pressed, b.commands(ch))
			}
		}
		var off rig.Instant
		for _, ev := range b.recorded(t) {
			if ev.Kind == rig.Command && ev.Channel == slowSupply && ev.Value == 0 {
				off = ev.At
			}
		}
		if busy := pressed.Add(1500 * time.Millisecond); off == 0 || off > busy.Add(500*time.Millisecond) {
			t.Errorf("the supply was off at %v; it was busy until %v", off, busy)
		}
		if v, _, mode := b.inst.Output(); mode != instrument.Off {
			t.Errorf("the supply was left at %v, mode %v", v, mode)
		}
	})
}

// TestSupplyDisobeys: a set that fails is a trip, with its reason.
func TestSupplyDisobeys(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newSlowBench(t)
		err := b.do(t, func(ctx context.Context, run *engine.Run) error {
			b.inst.Inject(instrument.Fault{Kind: instrument.Reject, Match: "VOLT 3.3"})
			return powerUp(ctx, run)
		})
		if err == nil || !strings.Contains(err.Error(), "set supply to 3.3 V") {
			t.Errorf("ended with %v", err)
		}
		trips := 0
		for _, ev := range b.recorded(t) {
			if ev.Kind == rig.Trip {
				trips++
				if !strings.HasPrefix(ev.Text, "an output does not obey: set supply to 3.3 V") {
					t.Errorf("trip: %s", ev.Text)
				}
			}
		}
		if trips != 1 {
			t.Errorf("%d trips, want one", trips)
		}
	})
}

// TestSupplySilent: a supply that no longer answers is a trip once its readings
// are too old.
func TestSupplySilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newSlowBench(t)
		var silent rig.Instant
		err := b.do(t, func(ctx context.Context, run *engine.Run) error {
			if err := powerUp(ctx, run); err != nil {
				return err
			}
			b.inst.Inject(instrument.Fault{Kind: instrument.Mute, Match: "MEAS"})
			silent = run.Now()
			return run.Wait(ctx, time.Minute)
		})
		var trip *interlock.TripError
		if !errors.As(err, &trip) || !strings.Contains(trip.Reason, "supply has not answered") {
			t.Fatalf("ended with %v", err)
		}
		if after := trip.At.Sub(silent); after < 3*time.Second || after > 5*time.Second {
			t.Errorf("tripped %v after the last answer; want 1 s for the readings' age and 3 s of the interlock", after)
		}
		b.beats(t, trip.At)
	})
}
