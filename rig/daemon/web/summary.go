package web

import (
	"context"
	"errors"
	"slices"
	"strings"

	"drench/results/compare"
	"drench/results/store"
	"drench/rig/daemon"
)

var errNoBaseline = errors.New("it is the first of its nights, and no runs are named as its baseline")

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

// flakyUntil is what went wrong now and then in a night's executions up to
// one.
func (s *site) flakyUntil(ctx context.Context, n daemon.NightRun) ([]compare.Series, error) {
	past, err := s.earlier(ctx, n.Night, n.ID+1, firstNights)
	if err != nil || len(past) == 0 {
		return nil, err
	}
	return flaky(compare.Nights(past, compare.Options{})), nil
}

// tagged are the runs of a tag, as one night.
func (s *site) tagged(ctx context.Context, tag string, profiles []string) (compare.Night, error) {
	base := compare.Night{Name: tag}
	runs, err := s.Runs.Runs(ctx, store.Filter{Tag: tag, State: store.Done, Limit: mostCompared})
	if err != nil {
		return base, err
	}
	for _, r := range runs {
		if r, err = s.Runs.Get(ctx, r.ID); err != nil {
			return base, err
		}
		q := daemon.Request{Settings: settingsOf(r.Tags)}
		if n := r.Sources["profile"].Name; slices.Contains(profiles, n) {
			q.Profile = n
		}
		m, err := s.kept.measured(ctx, r.ID, settingText(q))
		if err != nil {
			return base, err
		}
		base.Runs = append(base.Runs, m)
	}
	return base, nil
}

// settingsOf are the settings that a run had over its profile's, as the
// daemon's tags tell them: setting=KEY=VALUE.
func settingsOf(tags []string) map[string]string {
	var set map[string]string
	for _, t := range tags {
		pair, ok := strings.CutPrefix(t, "setting=")
		if !ok {
			continue
		}
		key, value, _ := strings.Cut(pair, "=")
		if set == nil {
			set = map[string]string{}
		}
		set[key] = value
	}
	return set
}
