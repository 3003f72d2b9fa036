package limits

import (
	"errors"
	"fmt"
	"math"

	"drench/results/adaptive"
	"drench/results/measure"
	"drench/results/verdict"
)

// curve judges a quantile of a fitted threshold: the value is the median of
// its posterior, the bound with confidence C the posterior's C quantile.
func (j *judging) curve() {
	j.N = len(j.m.Graded)
	if j.N == 0 {
		j.nothing()
		return
	}
	fit, err := adaptive.NewThreshold(DoseTrials(j.m))
	pod, _ := probability(j.Limit.Statistic)
	switch {
	case errors.Is(err, adaptive.ErrOneOutcome):
		j.oneOutcome(pod)
		return
	case err != nil:
		j.say(verdict.Inconc, "no curve: %v", err)
		return
	}
	name := "the dose detected with probability " + percentText(pod)
	j.value(fit.Dose(pod, 0.5))
	j.Method = "posterior of logit curves"
	if j.Limit.Confidence == 0 {
		j.say(j.decide(j.Value, j.Value), "%s is %s by the median of its posterior, allowed %s", name, j.Limit.show(j.Value), j.Limit.allowed())
		return
	}
	conf := j.Limit.Confidence / 100
	worst, best := fit.Dose(pod, conf), fit.Dose(pod, 1-conf)
	if !j.upper() {
		worst, best = best, worst
	}
	switch v := j.decide(worst, best); {
	case v == verdict.Inconc:
		j.say(v, "%s is between %s and %s, either %s, which straddles the limit %s", name,
			j.Limit.show(min(worst, best)), j.Limit.show(max(worst, best)), j.Limit.confidenceText(), j.Limit.allowed())
	case (v == verdict.Pass) == j.upper():
		j.say(v, "%s is at most %s %s, allowed %s", name, j.Limit.show(j.Bound), j.Limit.confidenceText(), j.Limit.allowed())
	default:
		j.say(v, "%s is at least %s %s, allowed %s", name, j.Limit.show(j.Bound), j.Limit.confidenceText(), j.Limit.allowed())
	}
}

// oneOutcome judges doses that were all detected, or none: no curve goes through
// them, but the limit may be shown without one. If the dose with the probability
// pod were no smaller than the limit, doses up to the limit would be detected with pod
// at most, however they were chosen; so n hits among them have a chance of pod^n at
// most (the success run: see stats.SuccessRunSize). Likewise for misses.
func (j *judging) oneOutcome(pod float64) {
	hit, n := j.m.Graded[0].Hit, 0
	for _, g := range j.m.Graded {
		if hit && g.Dose <= j.Limit.Value || !hit && g.Dose >= j.Limit.Value {
			n++
		}
	}
	each, found := pod, fmt.Sprintf("all %d doses were detected, %d of them no larger than the limit", j.N, n)
	if !hit {
		each, found = 1-pod, fmt.Sprintf("none of %d doses was detected, %d of them no smaller than the limit", j.N, n)
	}
	chance := math.Pow(each, float64(n))
	j.Method = "success run"
	switch conf := j.Limit.Confidence / 100; {
	case conf > 0 && n > 0 && chance <= 1-conf && hit == j.upper():
		j.say(verdict.Pass, "%s, which shows it %s; allowed %s", found, j.Limit.confidenceText(), j.Limit.allowed())
	case conf > 0 && n > 0 && chance <= 1-conf:
		j.say(verdict.Fail, "%s, which breaks it %s; allowed %s", found, j.Limit.confidenceText(), j.Limit.allowed())
	case hit:
		j.say(verdict.Inconc, "%s; it takes smaller doses to find the threshold", found)
	default:
		j.say(verdict.Inconc, "%s; it takes larger doses to find the threshold", found)
	}
}

// DoseTrials returns a curve's trials as they are fitted.
func DoseTrials(m *measure.Measure) []adaptive.DoseTrial {
	list := make([]adaptive.DoseTrial, len(m.Graded))
	for i, g := range m.Graded {
		list[i] = adaptive.DoseTrial{Dose: g.Dose, Hit: g.Hit}
	}
	return list
}
