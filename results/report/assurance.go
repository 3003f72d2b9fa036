package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"drench/results/adaptive"
	"drench/results/measure"
	"drench/results/sampling"
	"drench/rig"
)

// assuranceSection draws each sequential test on its way to a decision.
func assuranceSection(in Input) (section, bool) {
	if len(in.Set.Tests) == 0 {
		return section{}, false
	}
	s := section{ID: "assurance", Heading: "Sequential test"}
	t := &table{Caption: "Sequential tests", Head: []column{{"decision", false}, {"trials", true}, {"went wrong", true}, {"accepts", true}, {"rejects", true}, {"at most", true}, {"inconclusive", true}}}
	for i, test := range in.Set.Tests {
		s.Words = append(s.Words, testWords(test))
		s.Plots = append(s.Plots, testPlot(fmt.Sprintf("assurance-%d", i+1), test))
		t.add(string(test.Decision), fmt.Sprint(len(test.Wrong)), fmt.Sprint(test.Count()), share(test.Spec.Good), share(test.Spec.Bad), fmt.Sprint(test.Spec.Most), fmt.Sprint(test.Inconc))
	}
	s.Words = append(s.Words, "The number of trials followed from the answers, so bounds for a fixed number do not hold for them.")
	s.Data = t
	return s, true
}

func share(v rig.Share) string { return percent(float64(v) / 1e9) }

// testWords says what was decided and what that is worth.
func testWords(t measure.Tested) string {
	n, wrong := len(t.Wrong), t.Count()
	so := fmt.Sprintf("%d of %s went wrong", wrong, plural(n, "trial", "trials"))
	var text string
	switch t.Decision {
	case adaptive.Accept:
		text = fmt.Sprintf("Accepted: %s, which speaks for a chance of %s rather than %s.", so, share(t.Spec.Good), share(t.Spec.Bad))
	case adaptive.Reject:
		text = fmt.Sprintf("Rejected: %s, which speaks for a chance of %s rather than %s.", so, share(t.Spec.Bad), share(t.Spec.Good))
	default:
		text = fmt.Sprintf("Not decided: %s, which leaves a chance of %s and one of %s possible.", so, share(t.Spec.Good), share(t.Spec.Bad))
	}
	if risks, err := exactRisks(t.Spec); err == nil {
		text += " " + risks
	}
	return text
}

// exactRisks says what the plan does at its two qualities.
func exactRisks(spec rig.TestSpec) (string, error) {
	p := adaptive.TestOf(spec)
	plan, err := sampling.Wald(p.Good, p.Bad, p.Alpha, p.Beta)
	if err != nil {
		return "", err
	}
	if plan, err = plan.Truncate(p.Most); err != nil {
		return "", err
	}
	good, err := plan.Exact(p.Good)
	if err != nil {
		return "", err
	}
	bad, err := plan.Exact(p.Bad)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("Such a test rejects a device with %s in %s of cases and accepts one with %s in %s (exact).",
		share(spec.Good), rig.Significant(100*good.Reject, 2)+" %", share(spec.Bad), rig.Significant(100*bad.Accept, 2)+" %"), nil
}

// testPlot is the count of what went wrong, between the two boundaries.
func testPlot(id string, t measure.Tested) plot {
	p := plot{ID: id, Title: "Trials that went wrong, and where the test decides", Height: 180, Desc: strings.SplitN(testWords(t), ".", 2)[0] + "."}
	n := len(t.Wrong)
	plan := adaptive.TestOf(t.Spec)
	last := min(plan.Most, max(n+n/4, 20))
	x := newAxis(0, float64(last), rig.Level, 6)
	x.hi = float64(last)
	accept, reject, most := testBounds(plan, last)
	y := newAxis(0, math.Max(most, float64(t.Count()))+1, rig.Level, 4)
	y.step = math.Max(1, math.Round(y.step))
	p.xTicks(x, "trials")
	p.yTicks(y, "went wrong")
	line := func(points []float64, class string) {
		path, open := pen{height: p.Height}, false
		for i, v := range points {
			if math.IsNaN(v) {
				continue
			}
			if !open {
				path.move(x.at(float64(i+1)), y.at(v))
				open = true
			} else {
				path.h(x.at(float64(i + 1)))
				path.v(y.at(v))
			}
		}
		p.Traces = append(p.Traces, trace{path.path(), class})
	}
	line(accept, "law")
	line(reject, "lead")
	course, wrong := pen{height: p.Height}, 0
	course.move(0, 0)
	for i, w := range t.Wrong {
		if w {
			wrong++
		}
		course.h(x.at(float64(i + 1)))
		course.v(y.at(float64(wrong)))
	}
	p.Traces = append(p.Traces, trace{course.path(), "data"})
	p.Marks = append(p.Marks, mark{X: pct(x.at(float64(n))), Y: num(p.y(y.at(float64(wrong)))), Symbol: solid, Text: p.Desc})
	named := func(points []float64, text, class string) {
		if i := slices.IndexFunc(points, func(v float64) bool { return !math.IsNaN(v) }); i >= 0 {
			p.label(math.Min(0.7, x.at(float64(i+1))), y.at(points[i])+0.01, text, class)
		}
	}
	named(reject, "reject from here up", "ink")
	named(accept, "accept from here down", "law-text")
	return p
}

// testBounds returns the counts at which a test accepts and rejects after each
// number of trials, NaN where no count does, and the greatest of them.
func testBounds(plan adaptive.Test, last int) (accept, reject []float64, most float64) {
	for n := 1; n <= last; n++ {
		a, r := math.NaN(), math.NaN()
		for wrong := 0; wrong <= n; wrong++ {
			switch d, err := plan.Decide(n, wrong); {
			case err != nil:
			case d == adaptive.Accept:
				a = float64(wrong)
			case d == adaptive.Reject && math.IsNaN(r):
				r = float64(wrong)
			}
		}
		accept, reject = append(accept, a), append(reject, r)
		if !math.IsNaN(r) {
			most = math.Max(most, r)
		}
	}
	return accept, reject, most
}
