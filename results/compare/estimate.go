package compare

import (
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
	case measure.Curve:
		return q.curves()
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
		e.p = twoSidedNormal(e.diff / se)
	}
}

func twoSidedNormal(z float64) float64 { return 2 * distuv.UnitNormal.Survival(math.Abs(z)) }

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
