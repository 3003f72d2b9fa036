package interlock

import (
	"context"
	"fmt"

	"drench/rig"
)

// Watch keeps a bench safe while no run uses it, until ctx ends: every output
// stays at 0, the dead-man line toggles, interlock lines and gauges are looked
// at, and each event goes to observe, which may be nil, must not wait, and must
// set nothing. The bench's clock goes as it does in a run: a virtual one races.
//
// It returns nil once ctx has ended, or the *TripError that it has latched,
// after observe has had the trip and all before it.
func (g *Guard) Watch(ctx context.Context, observe func(rig.Event)) error {
	if observe == nil {
		observe = func(rig.Event) {}
	}
	if err := g.Safe(ctx); err != nil {
		g.tripNow(g.bench.Now(), fmt.Sprintf("an output does not obey: %v", err))
	}
	for {
		ev, ok, err := g.Await(ctx, rig.Never)
		if ok {
			observe(ev)
		}
		if err == nil {
			continue
		}
		for _, ev := range g.Drain() {
			observe(ev)
		}
		switch {
		case g.trip != nil:
			return g.trip
		case ctx.Err() != nil:
			return nil
		}
		return err
	}
}
