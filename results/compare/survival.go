package compare

import (
	"fmt"
	"math"
	"slices"

	"drench/results/stats"
)

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
	if a.Events+b.Events == 0 || watched(a, b) <= 0 {
		e.why = "no trial of either side had an answer"
		return e, nil
	}
	if err := q.restricted(&e, a, b, mirror); err != nil {
		return e, err
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

// watched is the time to which both curves are known: a side in which every
// trial had an answer is known for ever, the other to its longest wait. (Less
// would make a side without any answer look like one of quick answers.)
func watched(a, b stats.Curve) float64 {
	done := func(c stats.Curve) bool { return c.At(c.Last) == 0 }
	switch {
	case done(a) && done(b):
		return max(a.Last, b.Last)
	case done(a):
		return b.Last
	case done(b):
		return a.Last
	}
	return min(a.Last, b.Last)
}

// restricted fills in the means up to the time to which both sides are known,
// and their difference.
func (q estimating) restricted(e *estimate, a, b stats.Curve, mirror float64) error {
	upTo := watched(a, b)
	m1, s1, err := a.RestrictedMean(upTo)
	if err != nil {
		return err
	}
	m2, s2, err := b.RestrictedMean(upTo)
	if err != nil {
		return err
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
	return nil
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
