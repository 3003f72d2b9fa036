package inspection

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"drench/results/lot"
	"drench/results/store"
)

// Enter enters the runs on sampled devices of the open lot that are over and
// not in the ledger yet, each as what its unit waits for, by whoever asked for
// it. It returns how many were entered, also with an error.
func (d Desk) Enter(ctx context.Context, product string) (entered int, err error) {
	for {
		s, err := d.Series(ctx, product)
		if err != nil {
			return entered, err
		}
		l := s.Current()
		if l == nil {
			return entered, nil
		}
		u, r, err := d.due(ctx, s.Product, l)
		if err != nil || u == nil {
			return entered, err
		}
		if err := d.enter(ctx, d.Act(whose(r), ""), product, l.Lot, u.Sample, r); err != nil {
			return entered, fmt.Errorf("enter run %d on %s: %w", r.ID, u.Serial, err)
		}
		entered++
	}
}

func (d Desk) enter(ctx context.Context, a lot.Act, product, name string, sample int, r store.Run) error {
	return d.Change(ctx, product, func(g *lot.Ledger) error { return g.Result(ctx, a, name, sample, r.ID, r.Sum, r.Verdict) })
}

// due finds a unit that waits for a run, and that run; nil if there is none.
func (d Desk) due(ctx context.Context, product string, l *lot.Lot) (*lot.Unit, store.Run, error) {
	for i := range l.Units {
		u := &l.Units[i]
		if u.Serial == "" || u.Class() != "" {
			continue
		}
		runs, err := d.Store.Runs(ctx, store.Filter{Tag: Tag(product, l.Lot), DUT: u.Serial, State: store.Done})
		if err != nil {
			return nil, store.Run{}, err
		}
		for _, r := range slices.Backward(runs) { // the oldest first
			if r.ID > lastRun(u) && r.Sum != "" && !entered(l, r.ID) && SameTest(l.Test, r.Scenario) {
				return u, r, nil
			}
		}
		if l.Mode == lot.Sequential {
			break // the others are not due
		}
	}
	return nil, store.Run{}, nil
}

// lastRun is the latest run that was entered of a unit: one from before it
// can't be what the unit waits for.
func lastRun(u *lot.Unit) (last int64) {
	for _, r := range u.Results {
		last = max(last, r.Run)
	}
	return last
}

func entered(l *lot.Lot, run int64) bool {
	return slices.ContainsFunc(l.Units, func(u lot.Unit) bool {
		return slices.ContainsFunc(u.Results, func(r lot.Result) bool { return r.Run == run })
	})
}

// SameTest tells whether a run of a scenario is the test that a lot asks for.
func SameTest(t *lot.Test, scenario string) bool {
	return t == nil || scenarioName(t.Scenario) == scenarioName(scenario)
}

// scenarioName is what a run is stored under, of a script given by its path.
func scenarioName(path string) string { return strings.TrimSuffix(filepath.Base(path), ".star") }

// whose is who asked for a run, by its tags.
func whose(r store.Run) string {
	for _, t := range r.Tags {
		if who, ok := strings.CutPrefix(t, byTag); ok && who != "" {
			return who
		}
	}
	return "unknown"
}

// EnterRun enters a stored run on a device of the open lot, such as one that
// was made elsewhere without the lot's tag.
func (d Desk) EnterRun(ctx context.Context, a lot.Act, product, serial string, run int64) error {
	l, u, err := d.unit(ctx, product, serial)
	if err != nil {
		return err
	}
	r, err := d.Store.Get(ctx, run)
	switch {
	case err != nil:
		return err
	case r.State != store.Done || r.Sum == "":
		return refused("run %d is not over, or has no timeline; expected one that is stored whole", run)
	case r.DUT != u.Serial:
		return refused("run %d is of %q; expected one of %q", run, r.DUT, u.Serial)
	case !SameTest(l.Test, r.Scenario):
		return refused("run %d is of the scenario %s; the lot is tested by %s", run, r.Scenario, l.Test.Scenario)
	}
	return d.enter(ctx, a, product, l.Lot, u.Sample, r)
}

// Waiting is the serial number of a device whose run is over and about to be
// entered, "" if there is none.
func (d Desk) Waiting(ctx context.Context, product string) (string, error) {
	s, err := d.Series(ctx, product)
	if err != nil || s.Current() == nil {
		return "", err
	}
	u, _, err := d.due(ctx, product, s.Current())
	if err != nil || u == nil {
		return "", err
	}
	return u.Serial, nil
}
