// Package stats holds the statistics behind drench's verdicts: detection
// probability, false-alarm rate, latency quantiles, censored latencies,
// comparison of two nights, the law of a sampling detector, and drift.
//
// It is a pure numeric library. Data are plain []float64 in any unit (a result
// has the unit of its data), arguments are never modified, and no function
// keeps state: those that draw random numbers take or fix their seed, so the
// same call always gives the same answer.
//
// Every function refuses what it can't stand behind (too few values, NaN or
// infinity in the data, a probability outside (0, 1)) with an error that names
// the argument. No function returns NaN. A limit that does not exist is told
// by a flag, never by an invented number.
//
// "conf" is always a confidence level such as 0.95; a two-sided interval
// leaves (1-conf)/2 in each tail, a one-sided bound leaves 1-conf in one.
//
// The distributions come from gonum. Where gonum lacks one, the doc comment
// says which published method is used.
package stats

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is a two-sided confidence interval, in the unit of what it bounds.
type Interval struct{ Lower, Upper float64 }

// tieSlack is the relative slack with which a tail probability is compared
// with the level asked for. Without it a case that meets the level exactly
// (n = 1, p = 0.1, conf = 0.9) would be decided by rounding.
const tieSlack = 1e-12

// atMost reports whether the tail probability p does not exceed alpha.
func atMost(p, alpha float64) bool { return p <= alpha*(1+tieSlack) }

// binomUpperTail is P(X >= r) for X binomial(n, p), by the incomplete beta
// function (NIST DLMF 8.17.5); exact in the small tail, where 1-CDF is not.
func binomUpperTail(r, n int, p float64) float64 {
	switch {
	case r <= 0:
		return 1
	case r > n:
		return 0
	}
	return mathext.RegIncBeta(float64(r), float64(n-r+1), p)
}

// binomLowerTail is P(X <= r) for X binomial(n, p).
func binomLowerTail(r, n int, p float64) float64 {
	switch {
	case r < 0:
		return 0
	case r >= n:
		return 1
	}
	return mathext.RegIncBeta(float64(n-r), float64(r+1), 1-p)
}

// twoSidedZ is the standard normal deviate of a two-sided level.
func twoSidedZ(conf float64) float64 {
	return -distuv.UnitNormal.Quantile((1 - conf) / 2)
}

// checkUnit refuses v unless 0 < v < 1.
func checkUnit(name string, v float64) error {
	if v > 0 && v < 1 {
		return nil
	}
	return fmt.Errorf("stats: %s is %v; expected a value between 0 and 1, both excluded", name, v)
}

// checkAtLeast refuses v < least.
func checkAtLeast(name string, v, least int) error {
	if v >= least {
		return nil
	}
	return fmt.Errorf("stats: %s is %d; expected at least %d", name, v, least)
}

// checkPositive refuses v unless it is finite and above zero.
func checkPositive(name string, v float64) error {
	if v > 0 && !math.IsInf(v, 1) {
		return nil
	}
	return fmt.Errorf("stats: %s is %v; expected a finite value above 0", name, v)
}

// checkFinite refuses NaN and infinity.
func checkFinite(name string, v float64) error {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Errorf("stats: %s is %v; expected a finite number", name, v)
	}
	return nil
}

// checkData refuses data shorter than least or holding NaN or infinity.
func checkData(name string, data []float64, least int) error {
	if len(data) < least {
		return fmt.Errorf("stats: %s has %d values; expected at least %d", name, len(data), least)
	}
	for i, v := range data {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("stats: %s[%d] is %v; expected a finite number", name, i, v)
		}
	}
	return nil
}

// firstError returns the first error that is not nil.
func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// sorted returns an ascending copy.
func sorted(data []float64) []float64 {
	s := slices.Clone(data)
	slices.Sort(s)
	return s
}

// smallestInt returns the least n in [from, limit] at which ok, a condition
// that once true stays true, holds; found is false when there is none.
func smallestInt(from, limit int, ok func(int) bool) (n int, found bool) {
	step := 1
	low, high := from, from // ok is false below low
	for !ok(high) {
		if high >= limit {
			return 0, false
		}
		low = high + 1
		high = min(limit, high+step)
		step *= 2
	}
	for low < high {
		mid := low + (high-low)/2
		if ok(mid) {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return low, true
}
