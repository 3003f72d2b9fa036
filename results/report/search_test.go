package report

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"drench/results/adaptive"
	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// probed is a run with probes: hits of ten at each of 30, 40, 60 and 80 µl, in
// that order.
func probed(t *testing.T, hits ...int) Input {
	in := small(t)
	m := &measure.Measure{Name: measure.Threshold, Kind: measure.Curve, Unit: rig.Litre}
	for i, dose := range []int64{30_000, 40_000, 60_000, 80_000} {
		for k := range 10 {
			m.Graded = append(m.Graded, measure.Graded{Dose: dose, Hit: k < hits[i], Trial: 10*i + k + 1})
		}
	}
	in.Set.Measures = append(in.Set.Measures, m)
	in.Judgement.Results = append(in.Judgement.Results, limits.Result{Verdict: verdict.Pass,
		Limit: limits.Limit{Measure: measure.Threshold, Statistic: "p90", Op: "<=", Value: 100_000, Unit: rig.Litre}})
	return in
}

func TestThresholdSection(t *testing.T) {
	in := probed(t, 0, 2, 9, 10)
	s, ok := thresholdSection(in)
	if !ok || len(s.Plots) != 2 {
		t.Fatalf("%v %+v", ok, s)
	}
	th, err := adaptive.NewThreshold(limits.DoseTrials(in.Set.Find(measure.Threshold)))
	if err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("Nine of ten doses of %s are detected; with 95 %% confidence that dose is at most %s. The limit p90 ≤ 100 µl is met.",
		litres(th.Dose(0.9, 0.5)), litres(th.Dose(0.9, 0.95)))
	if s.Words[0] != want {
		t.Errorf("words %q\nwant  %q", s.Words[0], want)
	}
	curve, course := s.Plots[0], s.Plots[1]
	var labels []string
	for _, l := range curve.Labels {
		labels = append(labels, l.Text)
	}
	if got := strings.Join(labels, ", "); got != "0 of 10, 2 of 10, 9 of 10, 10 of 10" {
		t.Errorf("doses %s", got)
	}
	if len(course.Marks) != 40 || course.Marks[0].Symbol != hollow || course.Marks[39].Symbol != solid {
		t.Errorf("%d marks, from %+v to %+v", len(course.Marks), course.Marks[0], course.Marks[len(course.Marks)-1])
	}
	for _, p := range s.Plots {
		rules := 0
		for _, r := range p.Rules {
			if r.Class == "limit" && strings.HasSuffix(r.Text, "p90 ≤ 100 µl") {
				rules++
			}
		}
		if rules != 1 {
			t.Errorf("%s draws the limit %d times: %+v", p.ID, rules, p.Rules)
		}
	}
	for _, c := range []struct {
		hits []int
		want string
	}{{[]int{10, 10, 10, 10}, "All 40 doses were detected"}, {[]int{0, 0, 0, 0}, "None of 40 doses was detected"}} {
		if s, ok := thresholdSection(probed(t, c.hits...)); !ok || len(s.Plots) != 1 || !strings.HasPrefix(s.Words[0], c.want) {
			t.Errorf("%v: %q", c.hits, s.Words)
		}
	}
	if _, ok := thresholdSection(small(t)); ok {
		t.Error("a threshold without probes")
	}
}

// dipped is a run with dips of two widths around 2.2 V, a hold and a rise.
func dipped(t *testing.T) Input {
	in := small(t)
	bound := func(of string, w time.Duration, held, failed int64) measure.Boundary {
		return measure.Boundary{Of: of, Width: w, Held: held, Failed: failed, HasHeld: true, HasFailed: true, N: 5}
	}
	in.Set.Boundaries = []measure.Boundary{
		bound(measure.DropOut, 0, 2210e6, 2190e6), bound(measure.Immunity, 10*time.Millisecond, 1000e6, 900e6),
		bound(measure.Immunity, time.Second, 2250e6, 2150e6), bound(measure.Recovery, 0, 2510e6, 2490e6),
		bound(measure.RideThrough, 0, 1.5e9, 1.6e9),
	}
	for i, lowest := range []rig.Millivolt{3000, 2250, 2150, 500} {
		in.Set.Trials = append(in.Set.Trials, measure.Trial{N: 10 + i, Verdict: verdict.Pass, Dip: &measure.DipSeen{Lowest: lowest, Restarted: lowest < 2200},
			Spec: rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip, Level: lowest, From: 3300, Width: time.Second}}})
	}
	in.Judgement.Results = append(in.Judgement.Results, limits.Result{Verdict: verdict.Fail,
		Limit: limits.Limit{Measure: measure.Immunity, Statistic: "max", Op: "<=", Value: 2e9, Unit: rig.Volt}})
	return in
}

func TestImmunitySection(t *testing.T) {
	in := dipped(t)
	s, ok := immunitySection(in)
	if !ok || len(s.Plots) != 1 || len(s.Shown[0].Rows) != 5 {
		t.Fatalf("%v %+v", ok, s)
	}
	const first = "At every width from 10 ms to 1 s the device ran through dips down to 2.25 V (68.2 % of its supply); " +
		"at 1 s it no longer ran through 2.15 V. The limit max ≤ 2 V is broken."
	const last = "Held at a level it stops between 2.19 V and 2.21 V. On the way up it starts between 2.49 V and 2.51 V. " +
		"With its supply line open it runs on for 1.5 s to 1.6 s. Its hysteresis is about 0.3 V."
	if s.Words[0] != first || s.Words[2] != last {
		t.Errorf("words %q", s.Words)
	}
	// The two trials at the bracket are left to it. The first is small's own.
	p := s.Plots[0]
	if len(p.Marks) != 3 || p.Marks[1].Symbol != solid || p.Marks[2].Symbol != hollow {
		t.Fatalf("marks %+v", p.Marks)
	}
	// From 10 ms to 1 s with room: a decade is 1/(2 + 2·0.06·2) of the width.
	if got := p.Marks[1].X; got != "94.64" {
		t.Errorf("1 s is drawn at %s %%", got)
	}
	in.Set.Boundaries[2].HasHeld = false
	if s, _ := immunitySection(in); !strings.HasPrefix(s.Words[0], "At 1 s the device rode through none") {
		t.Errorf("words %q", s.Words[0])
	}
	if _, ok := immunitySection(small(t)); ok {
		t.Error("immunity without boundaries")
	}
}

func tested(t *testing.T, n, wrong int, d adaptive.Decision) Input {
	in := small(t)
	test := measure.Tested{Spec: rig.TestSpec{Good: 5e6, Bad: 50e6, Alpha: 50e6, Beta: 40e6, Most: 150}, Decision: d}
	for i := range n {
		test.Wrong = append(test.Wrong, i < wrong)
	}
	in.Set.Tests = []measure.Tested{test}
	return in
}

func TestAssuranceSection(t *testing.T) {
	// Exact risks as `drench calc sprt-performance` gives them: 4.05 and 4.33 %.
	const risks = " Such a test rejects a device with 0.5 % in 4 % of cases and accepts one with 5 % in 4.3 % (exact)."
	for _, c := range []struct {
		n, wrong int
		decision adaptive.Decision
		want     string
	}{
		{69, 0, adaptive.Accept, "Accepted: 0 of 69 trials went wrong, which speaks for a chance of 0.5 % rather than 5 %." + risks},
		{2, 2, adaptive.Reject, "Rejected: 2 of 2 trials went wrong, which speaks for a chance of 5 % rather than 0.5 %." + risks},
		{10, 1, adaptive.Continue, "Not decided: 1 of 10 trials went wrong, which leaves a chance of 0.5 % and one of 5 % possible." + risks},
	} {
		s, ok := assuranceSection(tested(t, c.n, c.wrong, c.decision))
		if !ok || s.Words[0] != c.want || len(s.Plots) != 1 {
			t.Errorf("%v %q, want %q", ok, s.Words, c.want)
			continue
		}
		names := map[string]bool{}
		for _, l := range s.Plots[0].Labels {
			names[l.Text] = true
			if strings.Contains(l.X+l.Y, "NaN") {
				t.Errorf("label %+v", l)
			}
		}
		if !names["reject from here up"] || names["accept from here down"] != (c.n == 69) {
			t.Errorf("labels %v", names)
		}
	}
}

// TestSearchPages: the page holds together with each of the sections.
func TestSearchPages(t *testing.T) {
	for name, in := range map[string]Input{"probes": probed(t, 0, 2, 9, 10), "dips": dipped(t), "test": tested(t, 69, 0, adaptive.Accept)} {
		text := render(t, HTML, in)
		if strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Errorf("%s: a number is none", name)
		}
		if drawn, named := strings.Count(text, `role="img"`), len(namedSVG.FindAllString(text, -1)); drawn != named {
			t.Errorf("%s: %d drawings, %d with title and description", name, drawn, named)
		}
	}
}

// TestSearchEndsEarly: a search that needed fewer trials than allowed did not
// end before its time.
func TestSearchEndsEarly(t *testing.T) {
	in := tested(t, 69, 0, adaptive.Accept)
	in.Header.Planned = map[rig.TrialKind]int{rig.Wet: len(in.Set.Trials) + 5}
	if w := trialWords(in)[0]; !strings.Contains(w, "It could have made 5 more") {
		t.Errorf("words %q", w)
	}
	in.Set.Interrupted = "stopped"
	if w := trialWords(in)[0]; !strings.Contains(w, "5 more were planned") {
		t.Errorf("words %q", w)
	}
}

// TestLogTicks are at round values, and there are neither too few nor too many.
func TestLogTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		u      rig.Unit
		want   string
	}{
		{1e6, 3e9, rig.Second, "1 ms 10 ms 100 ms 1 s"},
		{10e6, 1e9, rig.Second, "10 ms 20 ms 50 ms 100 ms 200 ms 500 ms 1 s"},
		{33_000, 100_000, rig.Litre, "40 µl 50 µl 60 µl 80 µl 100 µl"},
		{50_000, 50_000, rig.Litre, "50 µl"},
	} {
		a := newLogAxis(c.lo, c.hi, c.u)
		var got []string
		for _, k := range a.ticks() {
			got = append(got, k.Text)
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("%v to %v: %s, want %s", c.lo, c.hi, s, c.want)
		}
		if a.at(c.lo) < 0 || a.at(c.hi) > 1 || a.at(c.lo) > a.at(c.hi) {
			t.Errorf("%v to %v lies at %v to %v", c.lo, c.hi, a.at(c.lo), a.at(c.hi))
		}
	}
}
