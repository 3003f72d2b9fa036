package limits

import (
	"strings"
	"time"

	"drench/results/measure"
	"drench/results/stats"
	"drench/results/verdict"
	"drench/rig"
)

// count holds a number of events against the limit.
func (j *judging) count() {
	j.N = j.m.N
	if j.m.Kind == measure.Proportion && j.m.N == 0 {
		j.nothing()
		return
	}
	v := float64(j.m.Count)
	j.value(v)
	j.bound(v)
	j.Method = "count"
	if j.good(v) {
		j.Verdict = verdict.Pass
	} else {
		j.Verdict = verdict.Fail
	}
	if j.m.Kind == measure.Proportion {
		j.say(j.Verdict, "%d of %d%s, allowed %s", j.m.Count, j.m.N, which(j.m.Things), j.Limit.allowed())
		return
	}
	j.say(j.Verdict, "%d%s%s, allowed %s", j.m.Count, which(j.m.Things), in(j.m.Exposure), j.Limit.allowed())
}

// which prints what was counted, if it has names.
func which(things []string) string {
	if len(things) == 0 {
		return ""
	}
	return " (" + strings.Join(things, ", ") + ")"
}

// in prints an exposure.
func in(d time.Duration) string {
	if d <= 0 {
		return ""
	}
	return " in " + rig.Of(d).String()
}

// share holds a proportion against the limit.
func (j *judging) share() {
	x, n := j.m.Count, j.m.N
	j.N = n
	if n == 0 {
		j.nothing()
		return
	}
	share := 1e9 * float64(x) / float64(n)
	j.value(share)
	if j.Limit.Confidence == 0 {
		j.Method = "share of the trials"
		j.say(j.decide(share, share), "%d of %d (%s), allowed %s", x, n, j.Limit.show(share), j.Limit.allowed())
		return
	}
	if j.m.Sequential {
		j.say(verdict.Inconc, "%d of %d went wrong, but a sequential test on them told when to stop, so that no bound for a fixed number of trials holds; limit %q instead",
			x, n, measure.NotAssured)
		return
	}
	conf := j.Limit.Confidence / 100
	upper, err := stats.ClopperPearsonUpper(x, n, conf)
	if err != nil {
		j.say(verdict.Inconc, "no bound: %v", err)
		return
	}
	lower, err := stats.ClopperPearsonLower(x, n, conf)
	if err != nil {
		j.say(verdict.Inconc, "no bound: %v", err)
		return
	}
	j.Method = "Clopper-Pearson"
	j.Needed, err = stats.SuccessRunSize(1-float64(j.Limit.Value)/1e9, conf, x)
	if err != nil {
		j.Needed = 0
	}
	v := j.decide(1e9*upper, 1e9*lower)
	switch v {
	case verdict.Pass:
		j.say(v, "%d of %d, at most %s %s, allowed %s", x, n, j.Limit.show(1e9*upper), j.Limit.confidenceText(), j.Limit.allowed())
	case verdict.Fail:
		j.say(v, "%d of %d, at least %s %s, allowed %s", x, n, j.Limit.show(1e9*lower), j.Limit.confidenceText(), j.Limit.allowed())
	default:
		j.say(v, "%d of %d shows at most %s %s, allowed %s; it would take %d trials with no more than %d",
			x, n, j.Limit.show(1e9*upper), j.Limit.confidenceText(), j.Limit.allowed(), j.Needed, x)
	}
}

// rate holds events in an exposure against the limit.
func (j *judging) rate() {
	x, hours := j.m.Count, j.m.Exposure.Hours()
	j.N = x
	if hours <= 0 {
		j.nothing()
		return
	}
	nano := func(perHour float64) float64 { return perHour * 1e9 / 3600 }
	rate := nano(float64(x) / hours)
	j.value(rate)
	found := number(x, "event") + in(j.m.Exposure)
	if j.Limit.Confidence == 0 {
		j.Method = "rate in the run"
		j.say(j.decide(rate, rate), "%s, %s, allowed %s", found, j.Limit.show(rate), j.Limit.allowed())
		return
	}
	conf := j.Limit.Confidence / 100
	upper, err := stats.GarwoodUpper(x, hours, conf)
	if err != nil {
		j.say(verdict.Inconc, "no bound: %v", err)
		return
	}
	lower, err := stats.GarwoodLower(x, hours, conf)
	if err != nil {
		j.say(verdict.Inconc, "no bound: %v", err)
		return
	}
	j.Method = "Garwood"
	switch v := j.decide(nano(upper), nano(lower)); v {
	case verdict.Pass:
		j.say(v, "%s, at most %s %s, allowed %s", found, j.Limit.show(nano(upper)), j.Limit.confidenceText(), j.Limit.allowed())
	case verdict.Fail:
		j.say(v, "%s, at least %s %s, allowed %s", found, j.Limit.show(nano(lower)), j.Limit.confidenceText(), j.Limit.allowed())
	default:
		need := time.Duration(upper * hours / (float64(j.Limit.Value) * 3600e-9) * float64(time.Hour))
		j.say(v, "%s shows at most %s %s, allowed %s; it would take %s with no more",
			found, j.Limit.show(nano(upper)), j.Limit.confidenceText(), j.Limit.allowed(), rig.Of(need))
	}
}
