package web

import (
	"context"

	"drench/results/compare"
	"drench/results/store"
)

// measured is what comparisons need of a stored run.
func (j *judged) measured(ctx context.Context, id int64, setting string) (compare.Run, error) {
	r, err := j.runs.Get(ctx, id)
	if err != nil {
		return compare.Run{}, err
	}
	if r.State == store.Running {
		return compare.Run{}, notYet(r)
	}
	j.mu.Lock()
	found, ok := j.measures[id]
	j.mu.Unlock()
	if !ok {
		if found, err = j.measure(ctx, r); err != nil {
			return compare.Run{}, err
		}
		j.mu.Lock()
		if len(j.measures) >= mostKept {
			clear(j.measures)
		}
		j.measures[id] = found
		j.mu.Unlock()
	}
	found.Setting = setting
	return found, nil
}

func (j *judged) measure(ctx context.Context, r store.Run) (compare.Run, error) {
	end, err := j.begin(ctx)
	if err != nil {
		return compare.Run{}, err
	}
	defer end()
	in, f, err := j.input(ctx, r, r.LimitsName, r.LimitsText)
	if err != nil {
		return compare.Run{}, err
	}
	return compare.Run{ID: r.ID, Scenario: r.Scenario, DUT: r.DUT, Script: in.Header.Hashes["script"], Started: r.Started,
		Verdict: r.Verdict, Reason: r.Reason, Limits: f.Resolve(in.Header.Device).Limits, Measures: in.Set.Measures}, nil
}

// group measures several runs. Those with settings are other than those
// without.
func (j *judged) group(ctx context.Context, runs []store.Run) ([]compare.Run, error) {
	list := make([]compare.Run, len(runs))
	for i, r := range runs {
		var err error
		if list[i], err = j.measured(ctx, r.ID, joinPairs(settingsOf(r.Tags), ", ")); err != nil {
			return nil, err
		}
	}
	return list, nil
}
