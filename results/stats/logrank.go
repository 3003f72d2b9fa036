package stats

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// LogRankResult is the outcome of a log-rank test of two groups.
type LogRankResult struct {
	Observed [2]int     // events in each group
	Expected [2]float64 // events to expect in each if the groups were alike
	Variance float64    // of observed less expected
	ChiSq    float64    // on 1 degree of freedom
	P        float64
}

// LogRank tests whether two groups of durations, censored or not, have the
// same survival curve: at every event time the events are shared out over the
// groups as the numbers at risk are (hypergeometric variance, ties together).
// It is asymptotic, and strongest when one hazard is a multiple of the other.
//
// Source: Mantel, Cancer Chemotherapy Reports 50 (1966) 163; Peto and Peto,
// JRSS A 135 (1972) 185 (from memory); as R's survdiff.
//
// It is an error if a group is empty, a time is negative, NaN or infinite, or
// no event says anything (none while both groups are watched).
func LogRank(a, b []Duration) (LogRankResult, error) {
	if err := firstError(checkDurations("a", a), checkDurations("b", b)); err != nil {
		return LogRankResult{}, err
	}
	both, err := KaplanMeier(append(append([]Duration(nil), a...), b...))
	if err != nil {
		return LogRankResult{}, fmt.Errorf("log-rank: %w", err)
	}
	first, err := KaplanMeier(a)
	if err != nil {
		return LogRankResult{}, fmt.Errorf("log-rank: %w", err)
	}
	atRisk := atRiskOf(a)
	r := LogRankResult{Observed: [2]int{first.Events, both.Events - first.Events}}
	for _, s := range both.Steps {
		n, d, na := float64(s.AtRisk), float64(s.Events), float64(atRisk(s.T))
		r.Expected[0] += d * na / n
		if n > 1 {
			r.Variance += d * (na / n) * (1 - na/n) * (n - d) / (n - 1)
		}
	}
	if r.Variance <= 0 {
		return LogRankResult{}, errors.New("stats: log-rank: no event while a and b are both watched; expected at least one")
	}
	r.Expected[1] = float64(both.Events) - r.Expected[0]
	diff := float64(r.Observed[0]) - r.Expected[0]
	r.ChiSq = diff * diff / r.Variance
	r.P = distuv.ChiSquared{K: 1}.Survival(r.ChiSq)
	return r, nil
}

// atRiskOf returns a function that counts the durations of at least t, for t
// that never falls from call to call.
func atRiskOf(d []Duration) func(t float64) int {
	times := make([]float64, len(d))
	for i, v := range d {
		times[i] = v.T
	}
	times = sorted(times)
	return func(t float64) int {
		for len(times) > 0 && times[0] < t {
			times = times[1:]
		}
		return len(times)
	}
}

// RestrictedMean returns the mean time without event up to the given time, the
// area under the curve from 0, and its standard error, from Greenwood's terms
// each weighted with the square of the area that follows. Waiting beyond upTo
// counts as upTo.
//
// Source: Kaplan and Meier, JASA 53 (1958) 457, section 2.2 (from memory); as
// R's survfit(rmean = upTo).
//
// It is an error if upTo is not finite and above 0, or lies beyond the longest
// duration while the curve there is still above 0.
func (c Curve) RestrictedMean(upTo float64) (mean, se float64, err error) {
	if err := checkPositive("upTo", upTo); err != nil {
		return 0, 0, err
	}
	if upTo > c.Last && c.At(c.Last) > 0 {
		return 0, 0, fmt.Errorf("stats: upTo is %v; expected at most %v, the longest duration, as the curve is unknown beyond", upTo, c.Last)
	}
	area, end, variance := 0.0, upTo, 0.0
	for i := len(c.Steps) - 1; i >= 0; i-- {
		s := c.Steps[i]
		if s.T >= upTo {
			continue
		}
		area += s.S * (end - s.T)
		end = s.T
		if n, d := float64(s.AtRisk), float64(s.Events); d < n {
			variance += area * area * d / (n * (n - d))
		}
	}
	return area + end, math.Sqrt(variance), nil
}
