package compare

import (
	"encoding/json"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"drench/results/measure"
	"drench/results/verdict"
)

// TestSummarize: what became of each cell of the matrix against three nights.
func TestSummarize(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	var id int64
	night := func(name string, verdicts map[string]verdict.Verdict, latency float64) Night {
		n := Night{Name: name}
		for _, key := range slices.Sorted(maps.Keys(verdicts)) {
			scenario, setting, _ := strings.Cut(key, "/")
			id++
			n.Runs = append(n.Runs, Run{ID: id, Scenario: scenario, Setting: setting, Verdict: verdicts[key], Reason: "because of " + key,
				Measures: []*measure.Measure{normal(rng, 200, latency, 100)}})
		}
		return n
	}
	const p, f, e, i = verdict.Pass, verdict.Fail, verdict.Error, verdict.Inconc
	type row = map[string]verdict.Verdict
	base := []Night{
		night("1", row{"drip/low": p, "drip/high": f, "spray/low": p, "spray/high": p, "dip/low": f, "dip/high": f}, 1000),
		night("2", row{"drip/low": p, "drip/high": f, "spray/low": f, "spray/high": p, "dip/low": f, "dip/high": f}, 1000),
		night("3", row{"drip/low": p, "drip/high": f, "spray/low": p, "spray/high": p, "dip/low": f, "dip/high": f}, 1000),
	}
	now := night("4", row{"drip/low": f, "drip/high": p, "spray/low": p, "dip/low": f, "dip/high": i, "rain/low": p}, 1200)
	s := Summarize(base, now, Options{})
	for _, c := range []struct {
		scenario, setting string
		change            Change
		verdict           verdict.Verdict
		worse             int
	}{
		{"drip", "low", Broke, f, 1}, {"drip", "high", Mended, p, 1}, {"spray", "low", Flips, p, 1}, {"spray", "high", Missing, verdict.None, 0},
		{"dip", "low", Unchanged, f, 1}, {"dip", "high", Other, i, 1}, {"rain", "low", NewCell, p, 0},
	} {
		got := s.Cell(c.scenario, c.setting)
		if got == nil {
			t.Errorf("no cell %s, %s", c.scenario, c.setting)
			continue
		}
		if got.Change != c.change || got.Verdict != c.verdict || len(got.Worse) != c.worse {
			t.Errorf("%s, %s: %s, %v, worse %q; want %s, %v", c.scenario, c.setting, got.Change, got.Verdict, got.Worse, c.change, c.verdict)
		}
	}
	if !slices.Equal(s.Scenarios, []string{"dip", "drip", "rain", "spray"}) || !slices.Equal(s.Settings, []string{"high", "low"}) || len(s.Cells) != 7 {
		t.Errorf("scenarios %q, settings %q, %d cells", s.Scenarios, s.Settings, len(s.Cells))
	}
	if s.Verdict != f || s.Cell("drip", "low").Before["pass"] != 3 || s.Cell("drip", "low").Reason != "because of drip/low" {
		t.Errorf("%v, %+v", s.Verdict, s.Cell("drip", "low"))
	}
	for _, words := range []string{"broke: drip, low", "not run: spray, high", "flips: spray, low", "mended: drip, high", "3 of 6 pass", "worse: latency"} {
		if !strings.Contains(s.Reason, words) {
			t.Errorf("the reason lacks %q: %s", words, s.Reason)
		}
	}
	if _, err := json.Marshal(s); err != nil {
		t.Error(err)
	}
	now.Runs = append(now.Runs, Run{ID: 99, Scenario: "rain", Setting: "low", Verdict: e, Reason: "tray full"})
	s = Summarize(base, now, Options{})
	if c := s.Cell("rain", "low"); c.Verdict != e || c.Reason != "tray full" || len(c.Runs) != 2 {
		t.Errorf("two runs of a cell: %+v", c)
	}
}
