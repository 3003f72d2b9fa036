package interlock

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"drench/rig"
)

// settleWithin is how long outputs that are slow to obey get to go off at the
// end, before they count as not off. Whatever drives one has a limit of its own
// below that.
const settleWithin = 15 * time.Second

// slowOrders are orders whose outcome is still to come, by output.
type slowOrders map[rig.ID]slowOrder

type slowOrder struct {
	v    int64
	tell bool // its outcome is news to the run
}

// give notes an order.
func (s slowOrders) give(ch rig.ID, v int64, tell bool) {
	s[ch] = slowOrder{v, tell || s[ch].tell}
}

// obeyed books an outcome, and tells whether it is news.
func (g *Guard) obeyed(ev rig.Event) bool {
	o, waiting := g.slow[ev.Channel]
	if waiting && o.v == ev.Value {
		delete(g.slow, ev.Channel)
	}
	g.account(ev.Channel, ev.Value, ev.At)
	return o.tell || ev.Value != 0
}

// disobeyed trips if err says that an output did not do as ordered.
func (g *Guard) disobeyed(err error) bool {
	var slow *rig.SetError
	if !errors.As(err, &slow) {
		return false
	}
	g.failed(slow.Channel, g.slow[slow.Channel].v, slow)
	delete(g.slow, slow.Channel)
	g.tripNow(g.bench.Now(), "an output does not obey: "+err.Error())
	return true
}

// Sample reads a gauge as rig.Sample does.
func (g *Guard) Sample(ctx context.Context, ch rig.ID) (int64, rig.Instant, error) {
	return rig.Sample(ctx, g.bench, ch)
}

// Settle waits until outputs that are slow to obey have done as they were told,
// and are known to. It is for the end of a run, when nothing is energised that
// needs the supervisor. What comes meanwhile is left to Drain.
func (g *Guard) Settle(ctx context.Context) error {
	ctx = context.WithoutCancel(ctx)
	deadline := g.bench.Now().Add(settleWithin)
	var errs []error
	for len(g.slow) > 0 {
		ev, ok, err := g.bench.Await(ctx, deadline)
		var slow *rig.SetError
		switch {
		case errors.As(err, &slow):
			g.failed(slow.Channel, g.slow[slow.Channel].v, slow)
			delete(g.slow, slow.Channel)
			errs = append(errs, err)
		case err != nil || !ok:
			for _, id := range g.outputs {
				if o, waiting := g.slow[id]; waiting {
					g.failed(id, o.v, errors.Join(err, errSilent))
				}
			}
			return errors.Join(append(errs, fmt.Errorf("%s: not known to be off after %v: %w", g.unsettled(), settleWithin, errors.Join(err, errSilent)))...)
		case ev.Kind != rig.Command || g.obeyed(ev):
			g.pending = append(g.pending, ev)
		}
	}
	return errors.Join(errs...)
}

var errSilent = errors.New("no word of it; switch it off by hand")

// unsettled names the outputs with orders whose outcome is still to come.
func (g *Guard) unsettled() string {
	var names []string
	for id := range g.slow {
		names = append(names, g.table[id].Name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}
