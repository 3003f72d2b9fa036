package interlock

import (
	"context"
	"errors"
	"testing"
	"time"

	"drench/rig"
)

// strict is a bench that obeys its contexts, as one behind a link does.
type strict struct{ rig.Bench }

func (b strict) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	at, err := b.Bench.Set(ctx, ch, v)
	return at, errors.Join(ctx.Err(), err)
}

func (b strict) Ask(ctx context.Context, ch rig.ID) (int64, error) {
	v, err := b.Bench.Ask(ctx, ch)
	return v, errors.Join(ctx.Err(), err)
}

// TestStopIsNoTrip: whatever a run is doing when it is stopped, no interlock
// is blamed for it, nothing more is energised, and outputs can be turned off.
func TestStopIsNoTrip(t *testing.T) {
	for name, do := range map[string]func(context.Context, *Guard) error{
		"energise": func(ctx context.Context, g *Guard) error { return set(ctx, g, chSpray, flow) },
		"wait": func(ctx context.Context, g *Guard) error {
			_, _, err := g.Await(ctx, g.Now().Add(time.Minute))
			return err
		},
		"a pass that was under way": func(ctx context.Context, g *Guard) error {
			g.pass(ctx, g.Now().Add(time.Second))
			return ctx.Err()
		},
	} {
		t.Run(name, func(t *testing.T) {
			ctx, stop := context.WithCancel(context.Background())
			b := bench()
			g, err := New(ctx, strict{b}, config())
			if err != nil {
				t.Fatal(err)
			}
			if _, err := g.Set(ctx, chPump, flow); err != nil {
				t.Fatal(err)
			}
			stop()
			if err := do(ctx, g); !errors.Is(err, context.Canceled) {
				t.Errorf("got %v, want the stop", err)
			}
			if _, err := g.Set(ctx, chPump, 0); err != nil {
				t.Errorf("turn off: %v", err)
			}
			if trip := g.Tripped(); trip != nil {
				t.Errorf("the stop became a trip: %s", trip.Reason)
			}
			for _, pump := range []string{rig.PumpDrip, rig.PumpSpray} {
				if v := b.Outputs()[pump]; v != 0 {
					t.Errorf("%s is at %d", pump, v)
				}
			}
		})
	}
}

// TestSafeAfterStop: a run that is stopped before it began leaves a safe bench.
func TestSafeAfterStop(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	b := bench()
	if _, err := b.Set(ctx, chPump, flow); err != nil { // left on by whoever was here before
		t.Fatal(err)
	}
	stop()
	g, err := New(ctx, strict{b}, config())
	if err != nil {
		t.Fatal(err)
	}
	if v := b.Outputs()[rig.PumpDrip]; v != 0 || g.Tripped() != nil {
		t.Errorf("pump is at %d, trip %v", v, g.Tripped())
	}
}
