package daemon

import (
	"testing"
	"time"

	"drench/results/store"
	"drench/results/verdict"
)

// TestPrune: old runs go once a day, and never the one that a night compares
// with.
func TestPrune(t *testing.T) {
	tr := newTrial(t, func(o *Options) { o.Keep = Keep{Days: 30} })
	for i, tags := range [][]string{nil, {"release"}, {"baseline"}, nil} {
		began := evening.AddDate(0, 0, -40+10*i)
		rec, err := tr.store.Begin(t.Context(), store.Run{Started: began, Scenario: "drip", Bench: "lab", Tags: tags})
		if err != nil {
			t.Fatal(err)
		}
		if err := rec.Finish(t.Context(), verdict.Pass, "", "", nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := tr.PutNight(t.Context(), "Ada", Night{Name: "n1", Scenarios: []string{"drip"}, Baseline: "release"}); err != nil {
		t.Fatal(err)
	}
	left := func() (ids []int64) {
		t.Helper()
		runs, err := tr.store.Runs(t.Context(), store.Filter{})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range runs {
			ids = append(ids, r.ID)
		}
		return ids
	}
	tr.prune(t.Context(), evening)
	if got := left(); len(got) != 3 || got[2] != 2 {
		t.Errorf("left %v", got)
	}
	later := evening.AddDate(0, 0, 25) // run 4 is 35 days old then
	tr.pruned = later.Add(-time.Hour)
	tr.prune(t.Context(), later)
	if got := left(); len(got) != 3 {
		t.Errorf("an hour after the last time, left %v", got)
	}
	tr.pruned = later.Add(-pruneEvery)
	tr.prune(t.Context(), later)
	if got := left(); len(got) != 2 {
		t.Errorf("a day after, left %v", got)
	}
}
