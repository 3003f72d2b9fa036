package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"

	"drench/results/compare"
	"drench/results/limits"
	"drench/results/store"
	"drench/rig/daemon"
)

const (
	// firstNights of a night are its baseline if it names no other.
	firstNights = 7
	// lastNights are how many more trends look at: each run of them is read
	// from its timeline once.
	lastNights = 30
	// mostNights is how far back a night is known: a year and more.
	mostNights = 400
)

// nightLabel names an execution of a night for people: two of them may begin
// on one day.
func nightLabel(n daemon.NightRun) string {
	return fmt.Sprintf("%s #%d", n.Started.UTC().Format("2006-01-02"), n.ID)
}

// measuredNight measures the runs of a night that can be read.
func (s *site) measuredNight(ctx context.Context, n daemon.NightRun) (compare.Night, error) {
	night := compare.Night{Name: nightLabel(n)}
	for _, j := range n.Jobs {
		if j.Run == 0 || j.State == daemon.Queued || j.State == daemon.Running {
			continue
		}
		r, err := s.kept.measured(ctx, j.Run, settingText(j.Request))
		if errors.Is(err, store.ErrNotFound) {
			continue // it was pruned
		}
		if err != nil {
			return night, err
		}
		night.Runs = append(night.Runs, r)
	}
	return night, nil
}

// earlier are the executions of a night before one that are over, the oldest
// first: the first ones and the last ones, with a gap where there are many.
func (s *site) earlier(ctx context.Context, name string, before int64, last int) ([]compare.Night, error) {
	past, err := s.Bench.NightRuns(ctx, name, mostNights)
	if err != nil {
		return nil, err
	}
	past = slices.DeleteFunc(past, func(n daemon.NightRun) bool { return n.Ended.IsZero() || n.ID >= before })
	slices.Reverse(past)
	if len(past) > firstNights+last {
		past = slices.Delete(past, firstNights, len(past)-last)
	}
	var list []compare.Night
	for _, n := range past {
		m, err := s.measuredNight(ctx, n)
		if err != nil {
			return nil, err
		}
		if len(m.Runs) > 0 {
			list = append(list, m)
		}
	}
	return list, nil
}

// baseline are the runs that a night is compared with: those of its tag, or
// its first nights.
func (s *site) baseline(ctx context.Context, n daemon.NightRun) ([]compare.Night, error) {
	if n.Spec.Baseline == "" {
		return s.earlier(ctx, n.Night, n.ID, 0)
	}
	base, err := s.tagged(ctx, n.Spec.Baseline, n.Spec.Profiles)
	if err != nil {
		return nil, err
	}
	return []compare.Night{base}, nil
}

// trendsPage follows measures over the nights.
type trendsPage struct {
	Name  string
	Trend *compare.Trend
	Plots []trendPlot
	Quiet []compare.Series // counts that stayed 0: nothing to draw
	Flaky []compare.Series
}

func (s *site) trends(w http.ResponseWriter, r *http.Request) error {
	n, err := s.nightOf(r)
	if err != nil {
		return err
	}
	patient(w)
	past, err := s.earlier(r.Context(), n.Name, math.MaxInt64, lastNights)
	if err != nil {
		return err
	}
	p := trendsPage{Name: n.Name}
	if len(past) > 0 {
		t := compare.Nights(past, compare.Options{})
		p.Trend = &t
		p.Flaky = flaky(t)
		for i, series := range t.Series {
			if series.State == compare.NotMoving {
				p.Quiet = append(p.Quiet, series)
				continue
			}
			p.Plots = append(p.Plots, newTrendPlot(i, series, t.Baseline, limitsOf(past, series)))
		}
	}
	return s.show(w, r, view{page: "trends", title: "Trends of " + n.Name, section: "nights", body: p})
}

// flaky are the series that go wrong now and then.
func flaky(t compare.Trend) []compare.Series {
	var list []compare.Series
	for _, s := range t.Series {
		if s.State == compare.Flaky {
			list = append(list, s)
		}
	}
	return list
}

// limitsOf are the limits that the last night had on a series' measure.
func limitsOf(nights []compare.Night, series compare.Series) []limits.Limit {
	var list []limits.Limit
	for _, r := range nights[len(nights)-1].Runs {
		if r.Scenario != series.Scenario || r.Setting != series.Setting {
			continue
		}
		for _, l := range r.Limits {
			if l.Measure == series.Measure && l.Unit == series.Unit && l.Statistic != "sd" && !slices.Contains(list, l) {
				list = append(list, l)
			}
		}
	}
	return list
}
