package report

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"drench/results/adaptive"
	"drench/results/limits"
	"drench/results/measure"
	"drench/rig"
)

// thresholdSection draws the dose-response curve and the doses as they were
// chosen.
func thresholdSection(in Input) (section, bool) {
	m := in.Set.Find(measure.Threshold)
	if m == nil || len(m.Graded) == 0 {
		return section{}, false
	}
	s := section{ID: "threshold", Heading: "Threshold dose", Legend: either("detected", "not detected")}
	results := resultsOf(in, measure.Threshold)
	s.Data = doseTable(m)
	fit, err := adaptive.NewThreshold(limits.DoseTrials(m))
	if err != nil {
		s.Words = append(s.Words, noThreshold(m, err))
		s.Plots = []plot{doseCourse(m, nil, results)}
		return s, true
	}
	s.Words = thresholdWords(m, fit, results)
	s.Plots = []plot{doseResponse(m, fit, results), doseCourse(m, fit, results)}
	return s, true
}

func noThreshold(m *measure.Measure, err error) string {
	switch {
	case errors.Is(err, adaptive.ErrOneOutcome) && m.Graded[0].Hit:
		return fmt.Sprintf("All %d doses were detected: the threshold is below the smallest, and can't be told.", len(m.Graded))
	case errors.Is(err, adaptive.ErrOneOutcome):
		return fmt.Sprintf("None of %d doses was detected: the threshold is above the largest, and can't be told.", len(m.Graded))
	}
	return "No curve can be had: " + printable(err.Error()) + "."
}

// litres prints a dose.
func litres(nl float64) string { return quantity(nl, rig.Litre) }

func thresholdWords(m *measure.Measure, fit *adaptive.Threshold, results []limits.Result) []string {
	first := fmt.Sprintf("Nine of ten doses of %s are detected; with 95 %% confidence that dose is at most %s.", litres(fit.Dose(0.9, 0.5)), litres(fit.Dose(0.9, 0.95)))
	if len(results) > 0 {
		var parts []string
		for _, r := range results {
			parts = append(parts, limitText(r.Limit)+" "+outcomes[r.Verdict])
		}
		first += " The limit " + strings.Join(parts, ", and ") + "."
	}
	words := []string{first,
		fmt.Sprintf("%s. a90 is between %s and %s, a50 between %s and %s, each with 95 %% confidence (posterior of logit curves, weak prior).",
			plural(len(m.Graded), "probe", "probes"), litres(fit.Dose(0.9, 0.025)), litres(fit.Dose(0.9, 0.975)), litres(fit.Dose(0.5, 0.025)), litres(fit.Dose(0.5, 0.975))),
		"The shaded area holds the dose of each probability with 95 % confidence. Doses are those that the drop gate counted, where there is one; between doses that were given the curve is the model's."}
	if m.Inconc > 0 {
		words = append(words, fmt.Sprintf("%s could not be used: %s.", plural(m.Inconc, "probe", "probes"), printable(reasons(m.Why))))
	}
	return words
}

// doseAxis spans the doses and the limits.
func doseAxis(m *measure.Measure, fit *adaptive.Threshold, results []limits.Result) logAxis {
	lo, hi := math.Inf(1), 0.0
	take := func(v float64) { lo, hi = math.Min(lo, v), math.Max(hi, v) }
	for _, g := range m.Graded {
		take(float64(g.Dose))
	}
	if fit != nil {
		take(fit.Dose(0.9, 0.975))
	}
	for _, r := range results {
		if v := float64(r.Limit.Value); v < 4*hi && v > lo/4 {
			take(v)
		}
	}
	return newLogAxis(lo, hi, rig.Litre)
}

// doseResponse is the curve, with the share detected at each dose.
func doseResponse(m *measure.Measure, fit *adaptive.Threshold, results []limits.Result) plot {
	x := doseAxis(m, fit, results)
	p := plot{ID: "threshold-curve", Title: "Probability of detection by dose", Height: 220, Head: float64(1 + len(results)),
		Desc: fmt.Sprintf("The curve passes 90 %% at %s; the shaded area, there from %s to %s, holds the dose of each probability with 95 %% confidence.",
			litres(fit.Dose(0.9, 0.5)), litres(fit.Dose(0.9, 0.025)), litres(fit.Dose(0.9, 0.975)))}
	p.xLog(x, "dose (logarithmic)")
	y := axis{lo: 0, hi: 100, step: 25, scale: 1, symbol: "%"}
	p.yTicks(y, "probability of detection")
	p.Traces = append(p.Traces, between(fit, x, p.Height), middle(fit, x, p.Height))
	p.across(0.9, "90 %", "claim")
	p.upright(x.at(fit.Dose(0.9, 0.5)), "a90 "+litres(fit.Dose(0.9, 0.5)), "claim")
	for _, r := range results {
		p.upright(x.at(float64(r.Limit.Value)), "limit "+limitText(r.Limit), "limit")
	}
	for _, d := range byDose(m) {
		share := float64(d.hits) / float64(d.n)
		p.Marks = append(p.Marks, mark{X: pct(x.at(float64(d.dose))), Y: num(p.y(share)), Symbol: yes(d.hits > 0), Text: fmt.Sprintf("%s: %d of %d detected", litres(float64(d.dose)), d.hits, d.n)})
		beside := share + 0.01
		if share > 0.5 {
			beside = share - 0.12 // under the mark, clear of the curve's top
		}
		p.label(x.at(float64(d.dose))+0.008, beside, fmt.Sprintf("%d of %d", d.hits, d.n), "ink")
	}
	return p
}

// podSteps are the probabilities at which a curve is drawn.
const podSteps = 60

// pods calls visit for each probability from near 0 to near 1, closer together
// at the ends.
func pods(visit func(pod float64)) {
	for i := 1; i < podSteps; i++ {
		visit(1 / (1 + math.Exp(0.25*(podSteps/2-float64(i)))))
	}
}

// middle is the curve through the median dose at each probability.
func middle(fit *adaptive.Threshold, x logAxis, height float64) trace {
	path, begun := pen{height: height}, false
	pods(func(pod float64) {
		at := x.at(fit.Dose(pod, 0.5))
		if !begun {
			path.move(at, pod)
			begun = true
			return
		}
		path.line(at, pod)
	})
	return trace{path.path(), "data"}
}

// between is the area that holds the dose at each probability with 95 %
// confidence.
func between(fit *adaptive.Threshold, x logAxis, height float64) trace {
	path := pen{height: height}
	type point struct{ x, y float64 }
	var back []point
	pods(func(pod float64) {
		lo, hi := x.at(fit.Dose(pod, 0.025)), x.at(fit.Dose(pod, 0.975))
		if len(back) == 0 {
			path.move(lo, pod)
		} else {
			path.line(lo, pod)
		}
		back = append(back, point{hi, pod})
	})
	for _, p := range slices.Backward(back) {
		path.line(p.x, p.y)
	}
	path.close()
	return trace{path.path(), "unsure"}
}

// doseCourse is the doses in their order: the path of the search.
func doseCourse(m *measure.Measure, fit *adaptive.Threshold, results []limits.Result) plot {
	y := doseAxis(m, fit, results)
	p := plot{ID: "threshold-course", Title: "Doses in the order in which they were given", Height: 200,
		Desc: fmt.Sprintf("The search began at %s and ended at %s, after %s.", litres(float64(m.Graded[0].Dose)),
			litres(float64(m.Graded[len(m.Graded)-1].Dose)), plural(len(m.Graded), "probe", "probes"))}
	p.yLog(y, "dose (logarithmic)")
	p.XName = "probe, in order"
	every := (len(m.Graded) + 19) / 20
	path := pen{height: p.Height}
	for i, g := range m.Graded {
		x := (float64(i) + 0.5) / float64(len(m.Graded))
		if i == 0 {
			path.move(x, y.at(float64(g.Dose)))
		} else {
			path.line(x, y.at(float64(g.Dose)))
		}
		if (i+1)%every == 0 || i == 0 {
			p.X = append(p.X, guide{X: pct(x), Text: strconv.Itoa(i + 1), Anchor: "middle"})
		}
		outcome := "not detected"
		if g.Hit {
			outcome = "detected"
		}
		p.Marks = append(p.Marks, mark{X: pct(x), Y: num(p.y(y.at(float64(g.Dose)))), Symbol: yes(g.Hit),
			Text: fmt.Sprintf("trial %d: %s %s", g.Trial, litres(float64(g.Dose)), outcome)})
	}
	p.Traces = append(p.Traces, trace{path.path(), "data"})
	if fit != nil {
		p.across(y.at(fit.Dose(0.9, 0.5)), "a90 "+litres(fit.Dose(0.9, 0.5)), "claim")
	}
	for _, r := range results {
		p.across(y.at(float64(r.Limit.Value)), "limit "+limitText(r.Limit), "limit")
	}
	return p
}

type doseCount struct {
	dose    int64
	n, hits int
}

// byDose counts the answers at each dose, ascending.
func byDose(m *measure.Measure) []doseCount {
	var list []doseCount
	for _, g := range m.Graded {
		i, ok := slices.BinarySearchFunc(list, g.Dose, func(d doseCount, dose int64) int { return cmp.Compare(d.dose, dose) })
		if !ok {
			list = slices.Insert(list, i, doseCount{dose: g.Dose})
		}
		list[i].n++
		if g.Hit {
			list[i].hits++
		}
	}
	return list
}

func doseTable(m *measure.Measure) *table {
	t := &table{Caption: "Answers by dose", Narrow: true, Head: []column{{"dose", true}, {"probes", true}, {"detected", true}}}
	for _, d := range byDose(m) {
		t.add(litres(float64(d.dose)), strconv.Itoa(d.n), strconv.Itoa(d.hits))
	}
	return t
}
