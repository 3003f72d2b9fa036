package interlock

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/rigtest"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

// Channels of the test bench.
const (
	chPump rig.ID = iota
	chSpray
	chValve
	chSupply
	chDeadman
	chStop
	chTray
	chRail
	chCurrent
)

func table() []rig.Channel {
	return []rig.Channel{
		chPump:    {Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
		chSpray:   {Name: rig.PumpSpray, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
		chValve:   {Name: rig.ValveAir, Dir: rig.Output, Unit: rig.Level, Hazard: rig.Valve},
		chSupply:  {Name: rig.RelayDUT, Dir: rig.Output, Unit: rig.Level, Hazard: rig.Supply},
		chDeadman: {Name: rig.Deadman, Dir: rig.Output, Unit: rig.Level, Hazard: rig.Idle},
		chStop:    {Name: rig.EStop, Dir: rig.Input},
		chTray:    {Name: rig.Tray, Dir: rig.Input},
		chRail:    {Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt},
		chCurrent: {Name: rig.DUTCurrent, Dir: rig.Gauge, Unit: rig.Ampere},
	}
}

func config() Config {
	return Config{
		Inputs: []string{rig.EStop, rig.Tray}, PumpOn: 10 * time.Second, PumpRest: 2 * time.Second, Volume: 20 * rig.Millilitre,
		OverCurrent: 100 * physic.MilliAmpere, OverVoltage: 5 * physic.Volt, Poll: 200 * time.Millisecond, Stale: time.Second,
	}
}

func bench() *rigtest.Bench {
	constant := func(v int64) func(rig.Instant) (int64, error) {
		return func(rig.Instant) (int64, error) { return v, nil }
	}
	return &rigtest.Bench{
		Table:  table(),
		Levels: map[rig.ID]int64{chStop: 1, chTray: 1},
		Gauges: map[rig.ID]func(rig.Instant) (int64, error){chRail: constant(3_300_000_000), chCurrent: constant(1_000_000)},
	}
}

// wait lets time pass as a run loop does, up to a trip.
func wait(g *Guard, d time.Duration) error {
	until := g.Now().Add(d)
	for {
		_, ok, err := g.Await(context.Background(), until)
		if err != nil || !ok {
			return err
		}
	}
}

const flow = int64(30 * rig.MlPerMin)

// set is Set where its stamp does not matter.
func set(ctx context.Context, g *Guard, ch rig.ID, v int64) error {
	_, err := g.Set(ctx, ch, v)
	return err
}

func TestTrips(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct {
		name   string
		mend   func(*rigtest.Bench, *Config)
		reason string
		by     time.Duration // latest instant of the trip
	}{
		{"e-stop", func(b *rigtest.Bench, _ *Config) {
			b.Script = []rig.Event{{At: 3e9, Kind: rig.Edge, Channel: chStop}}
		}, "emergency stop pressed", 3 * time.Second},
		{"tray", func(b *rigtest.Bench, _ *Config) {
			b.Script = []rig.Event{{At: 2e9, Kind: rig.Edge, Channel: chTray}}
		}, "water in the tray", 2 * time.Second},
		{"line reads open without an edge", func(b *rigtest.Bench, _ *Config) {
			b.Gauges[chTray] = func(at rig.Instant) (int64, error) {
				if at > 1e9 {
					return 0, nil
				}
				return 1, nil
			}
		}, "water in the tray", 1*time.Second + 300*time.Millisecond},
		{"line opens and the edge is lost", func(b *rigtest.Bench, _ *Config) {
			b.Script = []rig.Event{{At: 3_050_000_000, Kind: rig.Gap, Channel: chTray, Value: 1e6}}
			b.Gauges[chTray] = func(at rig.Instant) (int64, error) {
				if at >= 3_050_000_000 {
					return 0, nil
				}
				return 1, nil
			}
		}, "water in the tray", 3*time.Second + 50*time.Millisecond},
		{"pump on too long", func(*rigtest.Bench, *Config) {}, "ran for 10s", 10 * time.Second},
		{"water budget", func(_ *rigtest.Bench, c *Config) { c.Volume = 2 * rig.Millilitre }, "water budget of 2 ml", 4 * time.Second},
		{"over-current", func(b *rigtest.Bench, _ *Config) {
			b.Gauges[chCurrent] = func(rig.Instant) (int64, error) { return int64(200 * physic.MilliAmpere), nil }
		}, "dut_current reads 200 mA, over its limit of 100 mA", 0},
		{"over-voltage", func(b *rigtest.Bench, _ *Config) {
			b.Gauges[chRail] = func(rig.Instant) (int64, error) { return int64(6 * physic.Volt), nil }
		}, "rail reads 6 V", 0},
		{"link lost", func(b *rigtest.Bench, _ *Config) {
			b.Gauges[chRail] = func(at rig.Instant) (int64, error) {
				if at > 1e9 {
					return 0, errors.New("no answer")
				}
				return 0, nil
			}
		}, "rail has not answered for 1s", 2*time.Second + 300*time.Millisecond},
		{"output refuses", func(b *rigtest.Bench, _ *Config) {
			b.Refuse = func(ch rig.ID, v int64) error {
				if ch == chPump && v != 0 {
					return errors.New("line gone")
				}
				return nil
			}
		}, "does not obey", 0},
		{"dead-man refuses", func(b *rigtest.Bench, _ *Config) {
			b.Refuse = func(ch rig.ID, v int64) error {
				if ch == chDeadman && b.Clock > 1e9 {
					return errors.New("line gone")
				}
				return nil
			}
		}, "dead-man line does not obey", 1*time.Second + 200*time.Millisecond},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, cfg := bench(), config()
			c.mend(b, &cfg)
			g, err := New(ctx, b, cfg)
			if err != nil {
				t.Fatal(err)
			}
			if err := errors.Join(set(ctx, g, chSupply, 1), set(ctx, g, chValve, 1), set(ctx, g, chPump, flow)); err == nil {
				err = wait(g, 30*time.Second)
				var trip *TripError
				if !errors.As(err, &trip) {
					t.Fatalf("waited and got %v, want a TripError", err)
				}
			}
			trip := g.Tripped()
			if trip == nil || !strings.Contains(trip.Reason, c.reason) || trip.At > rig.Instant(c.by) {
				t.Fatalf("trip %v, want one with %q by %v", trip, c.reason, c.by)
			}
			for name, v := range b.Outputs() {
				if v != 0 && name != rig.Deadman {
					t.Errorf("%s is at %d after the trip", name, v)
				}
			}
			if _, err := g.Set(ctx, chPump, flow); err == nil {
				t.Error("a pump could be started after the trip")
			}
		})
	}
}

// TestRefusals: what the guard does not allow in any state.
func TestRefusals(t *testing.T) {
	ctx := context.Background()
	b := bench()
	g, err := New(ctx, b, config())
	if err != nil {
		t.Fatal(err)
	}
	for name, err := range map[string]error{
		"dead-man by a script": set(ctx, g, chDeadman, 1), "an input": set(ctx, g, chStop, 1),
		"no channel": set(ctx, g, 99, 1), "negative": set(ctx, g, chPump, -1),
	} {
		if err == nil {
			t.Errorf("%s: allowed", name)
		}
	}
	for name, mend := range map[string]func(*Config){
		"no input": func(c *Config) { c.Inputs = nil }, "unknown input": func(c *Config) { c.Inputs = []string{"nowhere"} },
		"no on-time": func(c *Config) { c.PumpOn = 0 }, "no volume": func(c *Config) { c.Volume = 0 },
		"an output as input": func(c *Config) { c.Inputs = []string{rig.ValveAir} },
	} {
		cfg := config()
		mend(&cfg)
		if _, err := New(ctx, bench(), cfg); err == nil {
			t.Errorf("configuration with %s: accepted", name)
		}
	}
}

// TestTripOrder: pumps first, then valves, then the supply.
func TestTripOrder(t *testing.T) {
	ctx := context.Background()
	b := bench()
	g, err := New(ctx, b, config())
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(set(ctx, g, chSupply, 1), set(ctx, g, chValve, 1), set(ctx, g, chSpray, flow), set(ctx, g, chPump, flow)); err != nil {
		t.Fatal(err)
	}
	before := len(b.Log)
	g.Trip("test")
	last := rig.Pump
	for _, s := range b.Log[before:] {
		h := b.Table[s.Channel].Hazard
		if h < last {
			t.Fatalf("%s was made safe after something of hazard %v", b.Table[s.Channel].Name, last)
		}
		last = h
	}
	if len(b.Log)-before != 4 {
		t.Errorf("%d outputs made safe, want 4", len(b.Log)-before)
	}
}

// TestSafety drives the guard at random and reads the bench's own log: the
// guard does not mark its own work.
func TestSafety(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ctx := context.Background()
		b, cfg := bench(), config()
		fault := rig.Never
		for range rapid.IntRange(0, 2).Draw(t, "faults") {
			at := rig.Instant(rapid.Int64Range(1, 60e9).Draw(t, "at"))
			ch := rapid.SampledFrom([]rig.ID{chStop, chTray}).Draw(t, "line")
			b.Script = append(b.Script, rig.Event{At: at, Kind: rig.Edge, Channel: ch}, rig.Event{At: at + 5e6, Kind: rig.Edge, Channel: ch, Value: 1})
			fault = min(fault, at)
		}
		g, err := New(ctx, b, cfg)
		if err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			if rapid.Bool().Draw(t, "set") {
				ch := rapid.SampledFrom([]rig.ID{chPump, chSpray, chValve, chSupply, chDeadman}).Draw(t, "output")
				v := rapid.SampledFrom([]int64{0, 1, flow, 4 * flow}).Draw(t, "value")
				_, _ = g.Set(ctx, ch, v) // refusals are part of it
			} else {
				_ = wait(g, time.Duration(rapid.Int64Range(0, 8e9).Draw(t, "wait")))
			}
		}
		if err := g.Safe(ctx); err != nil {
			t.Fatal(err)
		}
		inspect(t, b, cfg, fault)
	})
}

// inspect is the independent reading of a log.
func inspect(t *rapid.T, b *rigtest.Bench, cfg Config, fault rig.Instant) {
	on := map[rig.ID]rigtest.Setting{}
	var volume float64
	beat := rig.Instant(0)
	for _, s := range b.Log {
		if s.Channel == chDeadman {
			if s.At > fault {
				t.Fatalf("dead-man toggled at %v, after the fault at %v", s.At, fault)
			}
			beat = s.At
			continue
		}
		if s.Value != 0 && s.At > fault {
			t.Fatalf("%s energised at %v, after the fault at %v", b.Table[s.Channel].Name, s.At, fault)
		}
		if b.Table[s.Channel].Hazard != rig.Pump {
			continue
		}
		if was, ok := on[s.Channel]; ok {
			volume += float64(was.Value) * s.At.Sub(was.At).Minutes()
			if s.At > fault && s.At.Sub(fault) > 50*time.Millisecond {
				t.Fatalf("%s still ran %v after the fault", b.Table[s.Channel].Name, s.At.Sub(fault))
			}
		}
		if s.Value == 0 {
			delete(on, s.Channel)
		} else {
			if s.At.Sub(beat) > 2*Beat {
				t.Fatalf("pump set at %v, last dead-man toggle at %v", s.At, beat)
			}
			on[s.Channel] = s
		}
	}
	if len(on) > 0 {
		t.Fatalf("pumps on at the end: %v", on)
	}
	if volume > float64(cfg.Volume)+1000 { // a microlitre of rounding
		t.Fatalf("delivered %v nl, budget %v", volume, cfg.Volume)
	}
	runs(t, b, cfg)
}

// runs checks the on-time budget: the sum of a pump's times between a non-zero
// setting and the next zero, since it was off for as long as a rest.
func runs(t *rapid.T, b *rigtest.Bench, cfg Config) {
	for _, ch := range []rig.ID{chPump, chSpray} {
		if ran := longest(b.Log, ch, cfg.PumpRest); ran > cfg.PumpOn {
			t.Fatalf("%s ran for %v without a rest of %v", b.Table[ch].Name, ran, cfg.PumpRest)
		}
	}
}

// longest is how long a pump ran in one go, by a log. Goes are told apart
// first, and summed then.
func longest(log []rigtest.Setting, ch rig.ID, rest time.Duration) time.Duration {
	type span struct{ from, to rig.Instant }
	var spans []span
	was := int64(0)
	for _, s := range log {
		switch {
		case s.Channel != ch:
			continue
		case s.Value != 0 && was == 0:
			spans = append(spans, span{s.At, s.At})
		case s.Value == 0 && was != 0:
			spans[len(spans)-1].to = s.At
		}
		was = s.Value
	}
	var most time.Duration
	for i := range spans {
		sum := time.Duration(0)
		for j := i; j < len(spans) && (j == i || spans[j].from.Sub(spans[j-1].to) < rest); j++ {
			sum += spans[j].to.Sub(spans[j].from)
		}
		most = max(most, sum)
	}
	return most
}

// TestPauses: however a pump is turned off and on again, it gets its on-time
// between two rests, to the nanosecond, and no more.
func TestPauses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ctx := context.Background()
		b, cfg := bench(), config()
		cfg.Volume = 1000 * rig.Millilitre // this is about time
		g, err := New(ctx, b, cfg)
		if err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 20).Draw(t, "runs") {
			on := time.Duration(rapid.Int64Range(0, 6e9).Draw(t, "on"))
			if set(ctx, g, chPump, flow) != nil || wait(g, on) != nil || set(ctx, g, chPump, 0) != nil {
				break
			}
			off := rapid.SampledFrom([]time.Duration{0, 1, time.Second, cfg.PumpRest - 1, cfg.PumpRest, 3 * time.Second}).Draw(t, "off")
			if err := wait(g, off); err != nil {
				t.Fatal(err)
			}
		}
		trip, ran := g.Tripped(), longest(b.Log, chPump, cfg.PumpRest)
		if ran > cfg.PumpOn || (trip != nil) != (ran == cfg.PumpOn) {
			t.Fatalf("ran for %v without a rest, of %v allowed; trip %v", ran, cfg.PumpOn, trip)
		}
	})
}

// TestLateStop: a loop that hung while a pump ran learns that it ran for too
// long, though it stops the pump before it awaits anything.
func TestLateStop(t *testing.T) {
	ctx := context.Background()
	b := bench()
	g, err := New(ctx, b, config())
	if err != nil {
		t.Fatal(err)
	}
	if err := set(ctx, g, chPump, flow); err != nil {
		t.Fatal(err)
	}
	b.Clock = b.Clock.Add(11 * time.Second)
	if err := set(ctx, g, chPump, 0); err != nil {
		t.Error(err)
	}
	if trip := g.Tripped(); trip == nil || !strings.Contains(trip.Reason, "its budget in one go") {
		t.Errorf("trip %v", trip)
	}
}

// TestDeadmanNeedsTheLoop: the line toggles while the loop awaits, and only then.
func TestDeadmanNeedsTheLoop(t *testing.T) {
	ctx := context.Background()
	b := bench()
	g, err := New(ctx, b, config())
	if err != nil {
		t.Fatal(err)
	}
	if err := wait(g, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	n := toggles(b)
	if n < 50 || n > 52 {
		t.Errorf("%d toggles in 5 s, want one each %v", n, Beat)
	}
	b.Clock = b.Clock.Add(10 * time.Second) // the loop is stuck elsewhere
	if toggles(b) != n {
		t.Error("the line toggled without the loop")
	}
}
