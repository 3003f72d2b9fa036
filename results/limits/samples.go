package limits

import (
	"fmt"
	"math"
	"slices"

	"drench/results/measure"
	"drench/results/stats"
	"drench/results/verdict"
)

// span is where a sample's true value lies: within its guard band, and to one
// side without end if it was censored.
type span struct{ low, value, high float64 }

func (j *judging) spans() []span {
	list := make([]span, len(j.m.Samples))
	for i, s := range j.m.Samples {
		v, g := float64(s.Value), float64(measure.Guard*float64(s.U))
		list[i] = span{v - g, v, v + g}
		switch {
		case s.Censored && j.rule.below:
			list[i].low, list[i].value = math.Inf(-1), math.Inf(-1)
		case s.Censored:
			list[i].value, list[i].high = math.Inf(1), math.Inf(1)
		}
	}
	return list
}

// column takes one number of each span, sorted.
func column(list []span, of func(span) float64) []float64 {
	v := make([]float64, len(list))
	for i, s := range list {
		v[i] = of(s)
	}
	slices.Sort(v)
	return v
}

func low(s span) float64   { return s.low }
func value(s span) float64 { return s.value }
func high(s span) float64  { return s.high }

// samples judges a statistic of single values. Every statistic but sd grows
// with each of its samples, so that it lies between the statistic of their
// lower ends and that of their upper ends. A miss has no upper end: it counts
// as worse than any limit.
func (j *judging) samples() {
	if j.m.Summary != nil {
		j.summary()
		return
	}
	list := j.spans()
	j.N = len(list)
	p, isQuantile := probability(j.Limit.Statistic)
	switch {
	case len(list) == 0:
		j.nothing()
	case j.Limit.Statistic == "sd":
		j.sd(list)
	case isQuantile && j.Limit.Confidence > 0:
		j.quantile(list, p)
	default:
		f := statistic(j.Limit.Statistic)
		j.value(f(column(list, value)))
		j.guarded(f(column(list, low)), f(column(list, high)))
	}
}

// statistic returns the function of sorted values that a limit names.
func statistic(name string) func([]float64) float64 {
	switch name {
	case "max":
		return func(v []float64) float64 { return v[len(v)-1] }
	case "min":
		return func(v []float64) float64 { return v[0] }
	case "mean":
		return mean
	}
	p, _ := probability(name)
	return func(v []float64) float64 { return at(v, p) }
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// at is the p quantile of sorted values as stats.Quantile defines it, of which
// some may be infinite.
func at(v []float64, p float64) float64 {
	h := float64(float64(len(v)-1) * p)
	i := int(h)
	rest := h - float64(i)
	if rest == 0 || i+1 == len(v) {
		return v[i]
	}
	if math.IsInf(v[i+1], 1) || math.IsInf(v[i], -1) {
		return v[i+1]
	}
	return v[i] + float64(rest*(v[i+1]-v[i]))
}

// guarded judges a value that lies between two numbers.
func (j *judging) guarded(low, high float64) {
	worst, best := high, low
	if !j.upper() {
		worst, best = low, high
	}
	j.Method = "value with guard band"
	v := j.decide(worst, best)
	switch {
	case !j.HasValue && v == verdict.Inconc:
		j.say(v, "%s has no value, as %s had no answer; allowed %s", j.name(), number(j.censored(), "trial"), j.Limit.allowed())
	case !j.HasValue && j.rule.below:
		j.say(v, "%s is below %s, allowed %s", j.name(), j.Limit.show(high), j.Limit.allowed())
	case !j.HasValue:
		j.say(v, "%s is above %s, as %s had no answer; allowed %s", j.name(), j.Limit.show(low), number(j.censored(), "trial"), j.Limit.allowed())
	case v == verdict.Inconc:
		j.say(v, "%s is %s, and its uncertainty straddles the limit %s: guard band %s",
			j.name(), j.Limit.show(j.Value), j.Limit.allowed(), j.Limit.show(math.Abs(worst-j.Value)))
	default:
		j.say(v, "%s is %s, allowed %s", j.name(), j.Limit.show(j.Value), j.Limit.allowed())
	}
}

func (j *judging) name() string {
	if j.Limit.Statistic == "" {
		return "the " + j.Limit.Measure
	}
	return "the " + j.Limit.Statistic
}

func (j *judging) censored() int {
	n := 0
	for _, s := range j.m.Samples {
		if s.Censored {
			n++
		}
	}
	return n
}

// sd judges the standard deviation; errors that all samples share are not in it.
func (j *judging) sd(list []span) {
	if c := j.censored(); c > 0 {
		j.say(verdict.Inconc, "the sd has no value, as %s had no answer", number(c, "trial"))
		return
	}
	if len(list) < 2 {
		j.say(verdict.Inconc, "the sd takes two samples, there is %d", len(list))
		return
	}
	v := column(list, value)
	m, sum := mean(v), 0.0
	for _, x := range v {
		sum += float64((x - m) * (x - m))
	}
	sd := math.Sqrt(sum / float64(len(v)-1))
	j.value(sd)
	j.guarded(sd, sd)
}

// summary judges a statistic of samples that were not kept.
func (j *judging) summary() {
	s := j.m.Summary
	j.N = s.N
	g := float64(measure.Guard * float64(s.U))
	v := 0.0
	switch j.Limit.Statistic {
	case "max":
		v = float64(s.Max)
	case "min":
		v = float64(s.Min)
	case "mean":
		v = s.Mean
	case "sd":
		v, g = s.SD, 0
	}
	if s.N == 0 && j.Limit.Statistic != "max" || s.N < 2 && j.Limit.Statistic == "sd" {
		j.nothing()
		return
	}
	j.value(v)
	j.guarded(v-g, v+g)
}

// single judges a measure that is one value.
func (j *judging) single() {
	if len(j.m.Samples) == 0 {
		j.nothing()
		return
	}
	s := j.m.Samples[0]
	g := float64(measure.Guard * float64(s.U))
	j.N = 1
	j.value(float64(s.Value))
	j.guarded(float64(s.Value)-g, float64(s.Value)+g)
}

// quantile judges a quantile with confidence, by order statistics: exact and
// without a law, with misses as the largest values. If it can't tell, and some
// trials were cut off before the limit, so that order statistics take them for
// worse than they may be, Kaplan-Meier's curve is asked.
func (j *judging) quantile(list []span, p float64) {
	conf := j.Limit.Confidence / 100
	j.value(at(column(list, value), p))
	v := j.orderStatistics(list, p, conf)
	if v == verdict.Inconc && j.cutOff() {
		v = j.kaplanMeier(p, conf)
	}
	name := j.Limit.Statistic
	switch {
	case v == verdict.Pass && j.upper() || v == verdict.Fail && !j.upper():
		j.say(v, "%s is at most %s %s, allowed %s (%s)", name, j.Limit.show(j.Bound), j.Limit.confidenceText(), j.Limit.allowed(), j.Method)
	case v == verdict.Pass || v == verdict.Fail && j.HasBound:
		j.say(v, "%s is at least %s %s, allowed %s (%s)", name, j.Limit.show(j.Bound), j.Limit.confidenceText(), j.Limit.allowed(), j.Method)
	case j.N < j.Needed && j.worse(list) == 0:
		j.say(v, "%d samples are too few for %s %s; it takes %d", j.N, name, j.Limit.confidenceText(), j.Needed)
	default:
		j.say(v, "%d of %d samples are beyond the limit, which leaves %s open %s; it would take %d samples with no more",
			j.worse(list), j.N, name, j.Limit.confidenceText(), j.Needed)
	}
}

// worse counts the samples that may lie beyond the limit.
func (j *judging) worse(list []span) int {
	end := high
	if !j.upper() {
		end = low
	}
	n := 0
	for _, s := range list {
		if !j.good(end(s)) {
			n++
		}
	}
	return n
}

// ranked is the value at a rank of a sorted sample; infinite, with rank 0, if
// the sample is too small to have that rank.
type ranked struct {
	v    float64
	rank int
}

func atRank(sorted []float64, rank int, ok bool, missing float64) ranked {
	if !ok {
		return ranked{missing, 0}
	}
	return ranked{sorted[rank-1], rank}
}

// orderStatistics judges by the ranks that bound the quantile.
func (j *judging) orderStatistics(list []span, p, conf float64) verdict.Verdict {
	n := len(list)
	up, hasUp, err := stats.QuantileUpperRank(n, p, conf)
	down, hasDown, err2 := stats.QuantileLowerRank(n, p, conf)
	if err != nil || err2 != nil {
		return verdict.Inconc
	}
	worst, best := atRank(column(list, high), up, hasUp, math.Inf(1)), atRank(column(list, low), down, hasDown, math.Inf(-1))
	if !j.upper() {
		worst, best, p = best, worst, 1-p
	}
	j.Needed, _ = stats.QuantileSampleSize(p, conf, j.worse(list)+1) // 0 if out of reach
	v := j.decide(worst.v, best.v)
	rank := worst.rank
	if v == verdict.Fail {
		rank = best.rank
	}
	j.Method = "order statistics"
	if rank > 0 {
		j.Method = fmt.Sprintf("order statistic %d of %d", rank, n)
	}
	return v
}

// cutOff tells whether a trial was ended without an answer before the limit.
func (j *judging) cutOff() bool {
	return !j.rule.below && slices.ContainsFunc(j.m.Samples, func(s measure.Sample) bool {
		return s.Censored && s.Value < j.Limit.Value
	})
}

// kaplanMeier judges by the bounds of the survival curve.
func (j *judging) kaplanMeier(p, conf float64) verdict.Verdict {
	d := make([]stats.Duration, len(j.m.Samples))
	g := 0.0
	for i, s := range j.m.Samples {
		// A latency just below 0 is within its uncertainty of 0.
		d[i] = stats.Duration{T: float64(max(s.Value, 0)), Censored: s.Censored}
		g = max(g, measure.Guard*float64(s.U))
	}
	curve, err := stats.KaplanMeier(d)
	if err != nil {
		return verdict.Inconc
	}
	upper, hasUpper, err := curve.QuantileUpper(p, conf)
	lower, hasLower, err2 := curve.QuantileLower(p, conf)
	if err != nil || err2 != nil {
		return verdict.Inconc
	}
	worst := atRank([]float64{upper + g}, 1, hasUpper, math.Inf(1))
	best := atRank([]float64{lower - g}, 1, hasLower, math.Inf(-1))
	if !j.upper() {
		worst, best = best, worst
	}
	v := j.decide(worst.v, best.v)
	if v != verdict.Inconc {
		j.Method = "Kaplan-Meier with log-log band"
	}
	return v
}
