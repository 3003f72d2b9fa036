package interlock

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/rigtest"
)

// storm is a bench that always has another edge queued, as a real one has
// whose input picks up noise: each is handed out a millisecond after the last,
// whatever until says.
type storm struct{ *rigtest.Bench }

func (s storm) Await(context.Context, rig.Instant) (rig.Event, bool, error) {
	s.Clock = s.Clock.Add(time.Millisecond)
	return rig.Event{At: s.Clock, Kind: rig.Edge, Channel: chTray, Value: 1}, true, nil
}

// TestStorm: no number of events keeps the supervisor from its turn.
func TestStorm(t *testing.T) {
	ctx := context.Background()
	b, cfg := bench(), config()
	g, err := New(ctx, storm{b}, cfg)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := g.Set(ctx, chPump, flow); err != nil {
		t.Fatal(err)
	}
	var trip *TripError
	for err == nil && b.Clock < rig.Instant(2*cfg.PumpOn) {
		_, _, err = g.Await(ctx, rig.Never)
	}
	if !errors.As(err, &trip) || !strings.Contains(trip.Reason, "its budget in one go") || trip.At.Sub(rig.Instant(cfg.PumpOn)) > Beat {
		t.Errorf("by %v: %v; want a trip after %v", b.Clock, err, cfg.PumpOn)
	}
	last := rig.Instant(0)
	for _, s := range b.Log {
		if s.Channel != chDeadman {
			continue
		}
		if s.At.Sub(last) > 2*Beat {
			t.Fatalf("the dead-man line rested from %v to %v", last, s.At)
		}
		last = s.At
	}
	if trip != nil && trip.At.Sub(last) > 2*Beat {
		t.Errorf("the dead-man line rested from %v to the trip at %v", last, trip.At)
	}
}
