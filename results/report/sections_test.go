package report

import (
	"strings"
	"testing"
	"time"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// TestAllMissed says so where there is no latency to draw.
func TestAllMissed(t *testing.T) {
	in := small(t)
	in.Set.Measures[0].Samples = []measure.Sample{{Value: 4e9, Censored: true, Trial: 1}, {Value: 4e9, Censored: true, Trial: 2}}
	s := distributionSections(in)[0]
	if s.Words[0] != "None of 2 trials was answered in time." || len(s.Plots) != 0 || s.Shown[0].Rows[0].Cells[1].Text != "not within 4 s" {
		t.Errorf("%+v", s)
	}
}

// TestSpreadLimitIsNotDrawn keeps a limit on a standard deviation off the axis
// of the values.
func TestSpreadLimitIsNotDrawn(t *testing.T) {
	in := large(t)
	in.Judgement.Results = []limits.Result{{Limit: limits.Limit{Measure: measure.Latency, Statistic: "sd", Op: "<", Value: 600e6, Unit: rig.Second}, Verdict: verdict.Pass}}
	s := distributionSections(in)[0]
	for _, p := range s.Plots {
		for _, r := range p.Rules {
			t.Errorf("%s: rule %+v", p.ID, r)
		}
	}
	if s.Words[0] != "The limit sd < 600 ms is met." {
		t.Errorf("words %q", s.Words[0])
	}
}

func TestFilm(t *testing.T) {
	film := func(n int, at rig.Film, detected bool) measure.Trial {
		return measure.Trial{N: n, Spec: rig.Trial{Kind: rig.Wet, Film: 500 * rig.GramPerM2}, Film: at, Detected: detected, Verdict: verdict.Pass}
	}
	in := small(t)
	in.Set.Trials = []measure.Trial{film(1, 250*rig.GramPerM2, true), film(2, 400*rig.GramPerM2, true),
		{N: 3, Spec: rig.Trial{Kind: rig.Decoy, Film: 100 * rig.GramPerM2}}} // must stay quiet: nothing to be late with
	s, ok := filmSection(in)
	if !ok || s.Words[0] != "All 2 trials detected the film before it weighed what it must." || len(s.Plots[0].Marks) != 2 {
		t.Fatalf("%v %+v", ok, s)
	}
	// The axis is from 0 to 600 g/m² over 170 pixels, 22 from the top.
	if a, b := s.Plots[0].Marks[0], s.Plots[0].Marks[1]; a.X != "25" || b.X != "75" || a.Y != "121.17" || b.Y != "78.67" {
		t.Errorf("marks %+v %+v", a, b)
	}
	in.Set.Trials = append(in.Set.Trials, film(4, 500*rig.GramPerM2, false))
	if s, _ = filmSection(in); s.Words[0] != "1 of 3 trials did not detect the film before it weighed what it must." {
		t.Errorf("words %q", s.Words[0])
	}
	in.Set.Trials = in.Set.Trials[2:3]
	if _, ok = filmSection(in); ok {
		t.Error("a film section of a decoy")
	}
}

func TestDipsByCondition(t *testing.T) {
	dip := func(n int, level rig.Millivolt, width time.Duration, seen *measure.DipSeen, v verdict.Verdict) measure.Trial {
		return measure.Trial{N: n, Spec: rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip, Level: level, From: 3300, Width: width}}, Dip: seen, Verdict: v}
	}
	in := small(t)
	in.Set.Trials = []measure.Trial{
		dip(1, 1320, 30*time.Millisecond, &measure.DipSeen{Lowest: 1325, Restarted: true}, verdict.Pass),
		dip(2, 1320, 10*time.Millisecond, &measure.DipSeen{Lowest: 1321}, verdict.Fail),
		dip(3, 1320, 30*time.Millisecond, &measure.DipSeen{Lowest: 1319}, verdict.Pass),
		dip(4, 1320, 30*time.Millisecond, nil, verdict.Inconc),
	}
	s, ok := dipSection(in)
	if !ok || !strings.HasPrefix(s.Words[0], "4 disturbances; after 1 of them the device started anew. 1 proved nothing") || len(s.Data.Rows) != 4 {
		t.Fatalf("%v %+v", ok, s)
	}
	var got []string
	for _, r := range s.Shown[0].Rows {
		var texts []string
		for _, c := range r.Cells {
			texts = append(texts, c.Text)
		}
		got = append(got, strings.Join(texts, "|"))
	}
	want := "dip|1.32 V|10 ms|1|1.321 V|0|0|0|1\ndip|1.32 V|30 ms|3|1.319 V to 1.325 V|1|2|1|0"
	if text := strings.Join(got, "\n"); text != want {
		t.Errorf("got %s\nwant %s", text, want)
	}
}

// TestRailWords ignores the rail's rise and fall at the ends, not one between.
func TestRailWords(t *testing.T) {
	in := small(t)
	in.Set.Trials = in.Set.Trials[:2]
	rail := func(values ...int64) {
		in.Set.Rail = nil
		for i, v := range values {
			in.Set.Rail = append(in.Set.Rail, measure.Point{At: ms(int64(1000 * i)), Value: v * 1e6})
		}
	}
	for _, c := range []struct {
		rail []int64
		want string
	}{
		{[]int64{0, 3290, 3310, 0}, "between 3.29 V and 3.31 V. It held"},
		{[]int64{3300, 1000, 3300}, "between 1 V and 3.3 V. That is under what the device needs"},
		{[]int64{100, 200}, "between 0.1 V and 0.2 V. That is under"},
	} {
		rail(c.rail...)
		if got := railWords(in); !strings.Contains(got, c.want) {
			t.Errorf("%v: %s", c.rail, got)
		}
	}
}
