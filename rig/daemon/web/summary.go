package web

import (
	"context"
	"errors"

	"drench/results/compare"
	"drench/results/store"
	"drench/rig/daemon"
)

var errNoBaseline = errors.New("no night before it is over, and no runs are named as its baseline")

// summarize holds an execution of a night against its baseline.
func (s *site) summarize(ctx context.Context, n daemon.NightRun) (*compare.Summary, error) {
	base, err := s.baseline(ctx, n)
	if err != nil {
		return nil, err
	}
	now, err := s.measuredNight(ctx, n)
	if err != nil {
		return nil, err
	}
	if len(base) == 0 || len(base[0].Runs) == 0 {
		return nil, errNoBaseline
	}
	sum := compare.Summarize(base, now, compare.Options{})
	return &sum, nil
}

// settings are what runs of a night ran with, by run: the store knows that of
// jobs only.
func (s *site) settings(ctx context.Context, night string) (map[int64]string, error) {
	past, err := s.Bench.NightRuns(ctx, night, mostNights)
	if err != nil {
		return nil, err
	}
	of := map[int64]string{}
	for _, n := range past {
		for _, j := range n.Jobs {
			of[j.Run] = settingText(j.Request)
		}
	}
	return of, nil
}

// tagged are the runs of a tag, as one night.
func (s *site) tagged(ctx context.Context, tag, night string) (compare.Night, error) {
	base := compare.Night{Name: tag}
	runs, err := s.Runs.Runs(ctx, store.Filter{Tag: tag, State: store.Done, Limit: mostCompared})
	if err != nil {
		return base, err
	}
	of, err := s.settings(ctx, night)
	if err != nil {
		return base, err
	}
	for _, r := range runs {
		setting, ok := of[r.ID]
		if !ok {
			setting = settingText(daemon.Request{})
		}
		m, err := s.kept.measured(ctx, r.ID, setting)
		if err != nil {
			return base, err
		}
		base.Runs = append(base.Runs, m)
	}
	return base, nil
}
