package interlock

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/rigtest"
)

// watched lets a guard watch until an instant, and returns what it observed.
func watched(t *testing.T, g *Guard, until rig.Instant) (events []rig.Event, passes []rig.Instant, err error) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	g.OnPass = func(now rig.Instant) {
		if passes = append(passes, now); now >= until {
			stop()
		}
	}
	err = g.Watch(ctx, func(ev rig.Event) { events = append(events, ev) })
	return events, passes, err
}

// TestWatch: an idle bench is kept as a run's is, until its time ends.
func TestWatch(t *testing.T) {
	b := bench()
	b.Script = []rig.Event{{At: 2e9, Kind: rig.Edge, Channel: chTray, Value: 1}}
	g, err := New(t.Context(), b, config())
	if err != nil {
		t.Fatal(err)
	}
	if err := set(t.Context(), g, chValve, 1); err != nil { // left on by the last run
		t.Fatal(err)
	}
	const span = rig.Instant(5 * time.Second)
	events, passes, err := watched(t, g, span)
	if err != nil {
		t.Fatal(err)
	}
	if v := b.Outputs()[rig.ValveAir]; v != 0 {
		t.Errorf("the valve is at %d", v)
	}
	want := []rig.Event{{Kind: rig.Command, Channel: chValve}, {At: 2e9, Kind: rig.Edge, Channel: chTray, Value: 1}}
	if !slices.Equal(events, want) {
		t.Errorf("observed %v, want %v", events, want)
	}
	// A pass, and a toggle, at each beat; New has made the first.
	if len(passes) != 50 || passes[0] != rig.Instant(Beat) || passes[49] != span {
		t.Errorf("%d passes, %v", len(passes), passes)
	}
	if n := toggles(b); n != 51 {
		t.Errorf("%d toggles of the dead-man line, want 51", n)
	}
}

// toggles counts the changes of the dead-man line.
func toggles(b *rigtest.Bench) (n int) {
	last := int64(0)
	for _, s := range b.Log {
		if s.Channel == chDeadman && s.Value != last {
			n, last = n+1, s.Value
		}
	}
	return n
}

// TestWatchTrips: what trips in a run trips on an idle bench; the trip and what
// came before it are observed, it stays, and no pass comes after it.
func TestWatchTrips(t *testing.T) {
	for name, c := range map[string]struct {
		mend   func(*rigtest.Bench)
		reason string
		by     rig.Instant
	}{
		"an interlock line": {func(b *rigtest.Bench) {
			b.Script = []rig.Event{{At: 1_030_000_000, Kind: rig.Edge, Channel: chStop}}
		}, "emergency stop pressed", 1_030_000_000},
		"a line without its edge": {func(b *rigtest.Bench) {
			b.Gauges[chTray] = func(at rig.Instant) (int64, error) { return int64(b2i(at < 1e9)), nil }
		}, "water in the tray", 1_100_000_000},
		"a gauge": {func(b *rigtest.Bench) {
			b.Gauges[chRail] = func(at rig.Instant) (int64, error) { return 6e9 * int64(b2i(at > 1e9)), nil }
		}, "rail reads 6 V", 1_100_000_000},
		"an output that does not go off": {func(b *rigtest.Bench) {
			sets := 0
			b.Refuse = func(ch rig.ID, _ int64) error {
				if ch == chSupply {
					if sets++; sets > 1 { // New's passes
						return errors.New("line gone")
					}
				}
				return nil
			}
		}, "line gone", 0},
	} {
		t.Run(name, func(t *testing.T) {
			b := bench()
			c.mend(b)
			g, err := New(t.Context(), b, config())
			if err != nil {
				t.Fatal(err)
			}
			events, passes, err := watched(t, g, rig.Instant(time.Minute))
			var trip *TripError
			if !errors.As(err, &trip) || trip != g.Tripped() || !strings.Contains(trip.Reason, c.reason) || trip.At != c.by {
				t.Fatalf("got %v, want a trip with %q at %v", err, c.reason, c.by)
			}
			if !slices.ContainsFunc(events, func(ev rig.Event) bool { return ev.Kind == rig.Trip && ev.Text == trip.Reason }) {
				t.Errorf("observed %v", events)
			}
			if n := len(passes); n > 0 && passes[n-1] >= trip.At {
				t.Errorf("passes %v", passes)
			}
			if again := g.Watch(t.Context(), nil); again != error(trip) {
				t.Errorf("watched on after the trip: %v", again)
			}
		})
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestPassNeedsTheLoop: passes are told while the loop turns, and only then,
// for whoever feeds a watchdog with them.
func TestPassNeedsTheLoop(t *testing.T) {
	b := bench()
	g, err := New(t.Context(), b, config())
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	g.OnPass = func(rig.Instant) { n++ }
	if err := wait(g, 3*time.Second); err != nil || n != 30 {
		t.Errorf("%d passes in 3 s, want 30 (%v)", n, err)
	}
	b.Clock = b.Clock.Add(10 * time.Second) // the loop is stuck elsewhere
	if n != 30 {
		t.Error("a pass was told without the loop")
	}
	g.Trip("test")
	if err := set(t.Context(), g, chValve, 1); err == nil || n != 30 {
		t.Errorf("%d passes after a trip, %v", n, err)
	}
}
