package web

import (
	"math"
	"strings"
	"testing"

	"drench/results/store"
	"drench/rig/daemon"
)

// Trends look at a night's first executions and at its last ones, and take no
// later one for the baseline of an earlier.
func TestEarlier(t *testing.T) {
	m := newMemory(stored(t), serve(t, false).now)
	s := &site{Options: Options{Bench: m, Runs: m.st}, kept: newJudged(m.st)}
	must(t, m.PutNight(t.Context(), "ada", daemon.Night{Name: "n", Scenarios: []string{"drip"}}))
	runs, err := m.st.Runs(t.Context(), store.Filter{})
	must(t, err)
	for range 50 {
		m.ran("n", runs[0])
	}
	for _, c := range []struct {
		before      int64
		last        int
		want        int
		first, gone string
	}{
		{math.MaxInt64, 30, 37, "#1", "#8"}, {math.MaxInt64, 0, 7, "#1", "#8"}, {5, 30, 4, "#1", "#5"}, {1, 30, 0, "", "#1"},
	} {
		list, err := s.earlier(t.Context(), "n", c.before, c.last)
		must(t, err)
		var labels []string
		for _, n := range list {
			labels = append(labels, n.Name+";")
		}
		all := strings.Join(labels, " ")
		if len(list) != c.want || !strings.Contains(all, c.first) || strings.Contains(all, c.gone+";") {
			t.Errorf("before %d, last %d: %s; want %d with %s, without %s", c.before, c.last, all, c.want, c.first, c.gone)
		}
	}
}

func TestSettingsOf(t *testing.T) {
	got := settingsOf([]string{"night=n", "setting=a=1 s", "setting=b=x=y", "other"})
	if len(got) != 2 || got["a"] != "1 s" || got["b"] != "x=y" {
		t.Errorf("settings %v", got)
	}
	if got := settingsOf([]string{"night=n"}); got != nil {
		t.Errorf("without settings: %v", got)
	}
}
