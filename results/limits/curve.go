package limits

import (
	"errors"

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
	switch {
	case errors.Is(err, adaptive.ErrOneOutcome) && j.m.Graded[0].Hit:
		j.say(verdict.Inconc, "all %d doses were detected; it takes smaller ones to find the threshold", j.N)
		return
	case errors.Is(err, adaptive.ErrOneOutcome):
		j.say(verdict.Inconc, "none of %d doses was detected; it takes larger ones to find the threshold", j.N)
		return
	case err != nil:
		j.say(verdict.Inconc, "no curve: %v", err)
		return
	}
	pod, _ := probability(j.Limit.Statistic)
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

// DoseTrials returns a curve's trials as they are fitted.
func DoseTrials(m *measure.Measure) []adaptive.DoseTrial {
	list := make([]adaptive.DoseTrial, len(m.Graded))
	for i, g := range m.Graded {
		list[i] = adaptive.DoseTrial{Dose: g.Dose, Hit: g.Hit}
	}
	return list
}
