package compare

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"drench/results/measure"
	"drench/results/stats"
	"drench/rig"

	"gonum.org/v1/gonum/stat/distuv"
)

// estimate is what a method says of a difference, now less base.
type estimate struct {
	base, now Side
	diff      float64
	interval  Interval
	bounded   bool
	p         float64
	tested    bool
	method    string
	why       string // what is lacking, if it is not bounded
	needed    int
	watch     time.Duration
	notes     []string
}

// group is one measure of the runs of one side.
type group []*measure.Measure

// found returns the measure's group among runs.
func found(name string, runs []Run) group {
	var g group
	for _, r := range runs {
		for _, m := range r.Measures {
			if m.Name == name {
				g = append(g, m)
			}
		}
	}
	return g
}

// estimating holds the question that the methods answer.
type estimating struct {
	base, now group
	margin    Margin
	value     float64 // of the margin
	conf      float64
}

// z is the normal quantile of the interval's confidence.
func (q estimating) z() float64 { return distuv.UnitNormal.Quantile((1 + q.conf) / 2) }

// estimate compares by the method that suits the kind of measure.
func (q estimating) estimate(kind measure.Kind) (estimate, error) {
	switch kind {
	case measure.Samples:
		return q.samples()
	case measure.Single:
		return q.single()
	}
	return q.counts()
}

// samples compares values, by ranks if all are known.
func (q estimating) samples() (estimate, error) {
	summed := func(m *measure.Measure) bool { return m.Summary != nil }
	if slices.ContainsFunc(q.base, summed) || slices.ContainsFunc(q.now, summed) {
		return q.means()
	}
	base, now := q.base.values(), q.now.values()
	if len(base) == 0 || len(now) == 0 {
		return estimate{base: Side{N: len(base)}, now: Side{N: len(now)}, why: "one side has no samples"}, nil
	}
	if q.base.censored()+q.now.censored() > 0 {
		return q.survival()
	}
	return q.ranks(base, now)
}

// values lists all samples of a side, whatever run they come from.
func (g group) values() []float64 {
	var v []float64
	for _, m := range g {
		for _, s := range m.Samples {
			v = append(v, float64(s.Value))
		}
	}
	return v
}

func (g group) censored() int {
	n := 0
	for _, m := range g {
		for _, s := range m.Samples {
			if s.Censored {
				n++
			}
		}
	}
	return n
}

// ranks compares samples by the shift of Hodges and Lehmann and the test of
// Mann and Whitney (package stats).
func (q estimating) ranks(base, now []float64) (estimate, error) {
	shift, err := stats.HodgesLehmann(now, base, q.conf)
	if err != nil {
		return estimate{}, err
	}
	test, err := stats.MannWhitney(now, base)
	if err != nil {
		return estimate{}, err
	}
	e := estimate{diff: shift.Shift, interval: Interval(shift.Interval), bounded: shift.Bounded, p: test.P, tested: true,
		method: "Hodges-Lehmann shift, Mann-Whitney test"}
	for _, s := range []struct {
		side *Side
		v    []float64
	}{{&e.base, base}, {&e.now, now}} {
		if s.side.Value, err = stats.Quantile(s.v, 0.5); err != nil {
			return estimate{}, err
		}
		s.side.N, s.side.Text = len(s.v), fmt.Sprintf("median %s (n %d)", Format(s.side.Value, q.margin.Unit), len(s.v))
	}
	if !e.bounded {
		e.why, e.needed = "too few samples for an interval", q.fewest()
		return e, nil
	}
	q.base.scatter(q.now).widen(&e, q.conf)
	e.needed = q.larger(e.interval, len(base), len(now))
	return e, nil
}

// fewest is the smallest sample on both sides for which the interval exists:
// the extreme order of 2n values has probability 1/C(2n, n).
func (q estimating) fewest() int {
	for n := 1; ; n++ {
		if math.Exp(-logChoose(2*n, n)) <= (1-q.conf)/2 {
			return n
		}
	}
}

// larger is the size of a side with which two one-sided tests show sameness in
// 9 of 10 cases if there is no difference: the interval shrinks as 1/sqrt n,
// and both its ends have to miss the margins with probability 0.95 each
// (Phillips, J. Pharmacokinetics and Biopharmaceutics 18 (1990) 137, normal
// approximation; from memory).
func (q estimating) larger(i Interval, n1, n2 int) int {
	half := (i.Upper - i.Lower) / 2
	n := 2 / (1/float64(n1) + 1/float64(n2))
	f := half / q.value * (1 + distuv.UnitNormal.Quantile(0.95)/q.z())
	need := math.Ceil(n * f * f)
	if need > 1e9 || need <= n {
		return 0
	}
	return int(need)
}

// survival compares samples of which some are censored by their restricted
// means up to a common time, and the log-rank test.
//
// Source of the difference: Royston and Parmar, BMC Medical Research
// Methodology 13 (2013) 152; standard errors as stats.Curve.RestrictedMean.
func (q estimating) survival() (estimate, error) {
	e := estimate{base: Side{N: len(q.base.values()), Count: q.base.censored()}, now: Side{N: len(q.now.values()), Count: q.now.censored()},
		method: "restricted means, log-rank test"}
	mirror := 0.0
	if q.margin.below {
		mirror = slices.Max(append(q.base.values(), q.now.values()...))
	}
	base, now := q.base.durations(q.margin.below, mirror), q.now.durations(q.margin.below, mirror)
	a, err := stats.KaplanMeier(base)
	if err != nil {
		return e, err
	}
	b, err := stats.KaplanMeier(now)
	if err != nil {
		return e, err
	}
	upTo := min(a.Last, b.Last)
	if a.Events+b.Events == 0 || upTo <= 0 {
		e.why = "no trial of either side had an answer"
		return e, nil
	}
	m1, s1, err := a.RestrictedMean(upTo)
	if err != nil {
		return e, err
	}
	m2, s2, err := b.RestrictedMean(upTo)
	if err != nil {
		return e, err
	}
	e.base.Value, e.now.Value, e.diff = m1, m2, m2-m1
	if q.margin.below {
		e.base.Value, e.now.Value, e.diff = mirror-m1, mirror-m2, m1-m2
	}
	for _, s := range []*Side{&e.base, &e.now} {
		s.Text = fmt.Sprintf("mean %s (n %d, %d without an answer)", Format(s.Value, q.margin.Unit), s.N, s.Count)
	}
	half := q.z() * math.Hypot(s1, s2)
	e.interval = Interval{e.diff - half, e.diff + half}
	if e.bounded = a.Events+b.Events > 1 && half > 0; !e.bounded {
		e.why = "too few trials had an answer"
	}
	if test, err := stats.LogRank(base, now); err == nil { // else no event says anything
		e.p, e.tested = test.P, true
	}
	if e.bounded {
		q.base.scatter(q.now).widen(&e, q.conf)
		e.needed = q.larger(e.interval, e.base.N, e.now.N)
	}
	return e, nil
}

// durations are the samples as times to an event. Where a censored one lies
// below its value, all are taken from a highest value downwards. A latency
// just below 0 is within its uncertainty of 0.
func (g group) durations(below bool, mirror float64) []stats.Duration {
	var d []stats.Duration
	for _, m := range g {
		for _, s := range m.Samples {
			t := float64(s.Value)
			if below {
				t = mirror - t
			}
			d = append(d, stats.Duration{T: max(t, 0), Censored: s.Censored})
		}
	}
	return d
}

// means compares measures of which only summaries are kept.
func (q estimating) means() (estimate, error) {
	a, okA := q.base.pool()
	b, okB := q.now.pool()
	e := estimate{base: Side{N: a.n, Value: a.mean}, now: Side{N: b.n, Value: b.mean}, method: "difference of means, normal"}
	if !okA || !okB {
		e.why = "one side has fewer than two intervals"
		return e, nil
	}
	for _, s := range []*Side{&e.base, &e.now} {
		s.Text = fmt.Sprintf("mean %s (n %d)", precise(s.Value, q.margin.Unit), s.N)
	}
	q.normal(&e, math.Hypot(a.sd/math.Sqrt(float64(a.n)), b.sd/math.Sqrt(float64(b.n))))
	q.base.scatter(q.now).widen(&e, q.conf)
	e.needed = q.larger(e.interval, a.n, b.n)
	return e, nil
}

// precise prints a mean of many values with the digits that a drift shows in.
func precise(v float64, u rig.Unit) string {
	if u == rig.Second {
		return rig.Significant(v/1e6, 8) + " ms"
	}
	return Format(v, u)
}

// normal fills in difference, interval and p-value for a standard error.
func (q estimating) normal(e *estimate, se float64) {
	e.diff = e.now.Value - e.base.Value
	e.interval, e.bounded = Interval{e.diff - q.z()*se, e.diff + q.z()*se}, true
	e.tested = true
	switch {
	case e.diff == 0:
		e.p = 1
	case se > 0:
		e.p = 2 * distuv.UnitNormal.Survival(math.Abs(e.diff)/se)
	}
}

// moments are those of a sample.
type moments struct {
	n        int
	mean, sd float64
}

// pool puts the moments of all runs of a side together.
func (g group) pool() (all moments, ok bool) {
	var sum, within, about float64
	for _, m := range g.moments() {
		all.n += m.n
		sum += float64(m.n) * m.mean
		within += float64(m.n-1) * m.sd * m.sd
	}
	if all.n < 2 {
		return all, false
	}
	all.mean = sum / float64(all.n)
	for _, m := range g.moments() {
		about += float64(m.n) * (m.mean - all.mean) * (m.mean - all.mean)
	}
	all.sd = math.Sqrt((within + about) / float64(all.n-1))
	return all, true
}

// moments lists those of each run. A censored sample counts with the time that
// was waited for it, so that their mean is restricted to that time.
func (g group) moments() []moments {
	var list []moments
	for _, m := range g {
		if s := m.Summary; s != nil && s.N > 0 {
			list = append(list, moments{s.N, s.Mean, s.SD})
			continue
		}
		if s, err := stats.Summarize((group{m}).values()); err == nil {
			list = append(list, moments{s.N, s.Mean, s.SD})
		}
	}
	return list
}

// single compares values that carry an uncertainty. Runs of one side share
// their rig, so that their uncertainty does not average out, but their scatter
// does: u^2 = mean(u_i^2) + s^2/k. Both sides are taken as independent, which
// is wide where they share a rig (JCGM 100, 5.1.2).
func (q estimating) single() (estimate, error) {
	e := estimate{method: "difference with combined uncertainty"}
	var u [2]float64
	for i, side := range []struct {
		of *Side
		g  group
	}{{&e.base, q.base}, {&e.now, q.now}} {
		v := side.g.values()
		if len(v) == 0 {
			e.why = "one side has no value"
			return e, nil
		}
		s, err := stats.Summarize(v)
		if err != nil {
			return e, err
		}
		for _, m := range side.g {
			for _, x := range m.Samples {
				u[i] += float64(x.U) * float64(x.U) / float64(len(v))
			}
		}
		u[i] = math.Sqrt(u[i] + s.SD*s.SD/float64(len(v)))
		*side.of = Side{N: len(v), Value: s.Mean, Text: fmt.Sprintf("%s ± %s", Format(s.Mean, q.margin.Unit), Format(u[i], q.margin.Unit))}
	}
	if u[0]+u[1] == 0 {
		e.diff, e.why = e.now.Value-e.base.Value, "neither value has a known uncertainty"
		return e, nil
	}
	q.normal(&e, math.Hypot(u[0], u[1]))
	return e, nil
}

// counts compares shares or rates.
func (q estimating) counts() (estimate, error) {
	base, now := q.base.tally(q.margin), q.now.tally(q.margin)
	e := estimate{base: q.side(base), now: q.side(now), method: "Newcombe's interval from Wilson's, Fisher's exact test"}
	if base.rate() {
		e.method = "interval from Garwood's, exact test of two rates"
		e.base.Exposure, e.now.Exposure = q.base.exposure(), q.now.exposure()
	}
	if base.empty() || now.empty() || base.rate() != now.rate() {
		e.why = "nothing could go wrong on one side"
		return e, nil
	}
	scale := q.scale(base)
	i, err := squareAndAdd(base, now, q.conf)
	p, err2 := alike(base, now)
	if err := errors.Join(err, err2); err != nil {
		return e, err
	}
	e.diff, e.interval, e.bounded = scale*(now.value()-base.value()), Interval{scale * i.Lower, scale * i.Upper}, true
	e.p, e.tested = p, true
	q.base.scatterOfCounts(q.now, q.margin).widen(&e, q.conf)
	if size := q.enough(base, now); base.rate() && q.margin.each == "" {
		e.watch = time.Duration(math.Ceil(size/60)) * time.Minute
	} else {
		e.needed = int(math.Ceil(size))
	}
	return e, nil
}

// scale turns a tally's value into the margin's unit.
func (q estimating) scale(t tally) float64 {
	if q.margin.each != "" {
		return 1
	}
	return 1e9 // of 1, or of an event a second
}

func (q estimating) side(t tally) Side {
	s := Side{N: t.of, Count: t.x}
	if t.empty() {
		return s
	}
	s.Value = q.scale(t) * t.value()
	switch {
	case q.margin.each != "":
		s.N = int(t.exposure)
		s.Text = fmt.Sprintf("%d in %s", t.x, number(s.N, q.margin.each))
	case t.rate():
		s.Text = fmt.Sprintf("%d in %s", t.x, Format(t.exposure*1e9, rig.Second))
	default:
		s.Text = fmt.Sprintf("%d of %d", t.x, t.of)
	}
	return s
}

func (g group) tally(m Margin) tally {
	var t tally
	for _, x := range g {
		t = t.plus(tallyOf(x, m))
	}
	return t
}

// tallyOf reads one run's count.
func tallyOf(x *measure.Measure, m Margin) tally {
	switch {
	case x.Kind == measure.Proportion:
		return tally{x: x.Count, of: x.N}
	case m.each != "":
		return tally{x: x.Count, exposure: float64(x.N)}
	}
	return tally{x: x.Count, exposure: x.Exposure.Seconds()}
}

func (g group) exposure() (d time.Duration) {
	for _, m := range g {
		d += m.Exposure
	}
	return d
}

// enough is how many trials, or seconds of exposure, both sides must have to
// show sameness, if the share or rate of both is the common one; 0 if no length
// would do.
func (q estimating) enough(base, now tally) float64 {
	common := base.plus(now)
	fits := func(size float64) bool {
		t := tally{of: int(math.Ceil(size))}
		if common.rate() {
			t = tally{exposure: size}
		}
		t.x = int(math.Round(common.value() * size))
		i, err := squareAndAdd(t, t, q.conf)
		return err == nil && q.scale(t)*i.Upper <= q.value
	}
	high := 1.0
	for !fits(high) {
		if high *= 2; high > 1e9 {
			return 0
		}
	}
	low := high / 2
	for high-low > 0.001*high && high > 1 {
		if mid := (low + high) / 2; fits(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}
