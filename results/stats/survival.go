package stats

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Duration is one time to an event, in any unit. Censored means that the
// event had not come when watching stopped at T.
type Duration struct {
	T        float64
	Censored bool
}

// Step is one downward step of a survival curve.
type Step struct {
	T      float64 // time of the events
	AtRisk int     // still being watched just before T
	Events int     // events at T
	S      float64 // share still without event just after T
	SE     float64 // Greenwood's standard error of S; 0 where S is 0, where it is undefined
	sum    float64 // Greenwood's sum d/(n(n-d))
}

// Curve is a Kaplan-Meier survival curve. S is 1 before the first step.
type Curve struct {
	Steps  []Step  // at event times, ascending; empty if all were censored
	N      int     // durations
	Events int     // durations that ended in the event
	Last   float64 // the longest duration, event or censored; the curve says nothing beyond
}

// KaplanMeier returns the product-limit estimate of the survival curve:
// S = prod(1 - d/n), with Greenwood's standard error S sqrt(sum d/(n(n-d))).
// Whatever is censored at t still counts as at risk at t. It assumes that
// censoring says nothing about the event (a trial's time-out does not).
//
// Source: Kaplan and Meier, JASA 53 (1958) 457; Greenwood (1926).
//
// It is an error if d is empty or a time is negative, NaN or infinite.
func KaplanMeier(d []Duration) (Curve, error) {
	if err := checkDurations("d", d); err != nil {
		return Curve{}, err
	}
	s := slices.Clone(d)
	slices.SortFunc(s, func(a, b Duration) int { return cmp.Compare(a.T, b.T) })
	c := Curve{N: len(s), Last: s[len(s)-1].T}
	surv, sum := 1.0, 0.0
	for i := 0; i < len(s); {
		j, events := i, 0
		for ; j < len(s) && s[j].T == s[i].T; j++ {
			if !s[j].Censored {
				events++
			}
		}
		if events > 0 {
			n, e := float64(len(s)-i), float64(events)
			surv *= (n - e) / n
			step := Step{T: s[i].T, AtRisk: len(s) - i, Events: events, S: surv}
			if e < n {
				sum += e / (n * (n - e))
				step.sum, step.SE = sum, surv*math.Sqrt(sum)
			}
			c.Steps = append(c.Steps, step)
			c.Events += events
		}
		i = j
	}
	return c, nil
}

func checkDurations(name string, d []Duration) error {
	if err := checkAtLeast("the number of durations in "+name, len(d), 1); err != nil {
		return err
	}
	for i, v := range d {
		if !(v.T >= 0) || math.IsInf(v.T, 1) {
			return fmt.Errorf("stats: %s[%d].T is %v; expected a finite time of at least 0", name, i, v.T)
		}
	}
	return nil
}

// Limits returns the two-sided pointwise confidence limits of S by the
// log-log transformation, S^exp(-+z sqrt(sum)/ln S), which stay inside (0, 1).
// ok is false where they are undefined: S is 0.
//
// Source: Kalbfleisch and Prentice, The Statistical Analysis of Failure Time
// Data, 2nd ed. (2002), section 1.4 (from memory). It is an error if conf is
// not in (0, 1).
func (s Step) Limits(conf float64) (limits Interval, ok bool, err error) {
	if err := checkUnit("conf", conf); err != nil {
		return Interval{}, false, err
	}
	limits, ok = s.logLog(twoSidedZ(conf))
	return limits, ok, nil
}

// logLog is the band of half width z on the log(-log S) scale.
func (s Step) logLog(z float64) (Interval, bool) {
	if s.S <= 0 {
		return Interval{}, false
	}
	l := math.Log(s.S)
	w := z * math.Sqrt(s.sum) / l // negative: l is
	return Interval{Lower: math.Exp(l * math.Exp(-w)), Upper: math.Exp(l * math.Exp(w))}, true
}

// At returns the estimated share still without event just after t. Beyond
// Last the curve is not known; At goes on with its last value.
func (c Curve) At(t float64) float64 {
	i, _ := slices.BinarySearchFunc(c.Steps, t, func(s Step, t float64) int {
		if s.T <= t {
			return -1
		}
		return 1
	})
	if i == 0 {
		return 1
	}
	return c.Steps[i-1].S
}

// reached returns the first event time at which level(step) has come down to
// 1-p, and whether there is one.
func (c Curve) reached(p float64, level func(Step) (float64, bool)) (float64, bool) {
	for _, s := range c.Steps {
		if v, ok := level(s); ok && v <= (1-p)*(1+tieSlack) {
			return s.T, true
		}
	}
	return 0, false
}

// Quantile returns the time by which a share p has had the event: the smallest
// t with S(t) <= 1-p. It is false when the curve does not come down so far
// (too much censoring) or p is not in (0, 1). Where S equals 1-p over a
// stretch this is its start; R's survfit gives its middle.
func (c Curve) Quantile(p float64) (float64, bool) {
	if checkUnit("p", p) != nil {
		return 0, false
	}
	return c.reached(p, func(s Step) (float64, bool) { return s.S, true })
}

// QuantileBounds returns two-sided confidence bounds for the p quantile, by
// inverting the log-log band: each bound is the first event time at which the
// band's lower or upper limit has come down to 1-p. hasLower and hasUpper tell
// whether the band gets there; where S is 0 there is no band. The bounds are
// asymptotic: with no censoring OrderStatInterval is exact, and for an upper
// bound CensoredQuantileUpper picks the better method.
//
// Source: Brookmeyer and Crowley, Biometrics 38 (1982) 29, with the log-log
// transformation as in R's survfit(conf.type = "log-log"). It is an error if p
// or conf is not in (0, 1).
func (c Curve) QuantileBounds(p, conf float64) (lower, upper float64, hasLower, hasUpper bool, err error) {
	if err := firstError(checkUnit("p", p), checkUnit("conf", conf)); err != nil {
		return 0, 0, false, false, err
	}
	z := twoSidedZ(conf)
	lower, hasLower = c.quantileLower(p, z)
	upper, hasUpper = c.quantileUpper(p, z)
	return lower, upper, hasLower, hasUpper, nil
}

// QuantileUpper returns the one-sided upper confidence bound for the p
// quantile, false when there is none. Method and errors as QuantileBounds.
func (c Curve) QuantileUpper(p, conf float64) (float64, bool, error) {
	if err := firstError(checkUnit("p", p), checkUnit("conf", conf)); err != nil {
		return 0, false, err
	}
	t, ok := c.quantileUpper(p, distuv.UnitNormal.Quantile(conf))
	return t, ok, nil
}

// QuantileLower returns the one-sided lower confidence bound for the p
// quantile, false when there is none. Method and errors as QuantileBounds.
func (c Curve) QuantileLower(p, conf float64) (float64, bool, error) {
	if err := firstError(checkUnit("p", p), checkUnit("conf", conf)); err != nil {
		return 0, false, err
	}
	t, ok := c.quantileLower(p, distuv.UnitNormal.Quantile(conf))
	return t, ok, nil
}

func (c Curve) quantileLower(p, z float64) (float64, bool) {
	return c.reached(p, func(s Step) (float64, bool) {
		i, ok := s.logLog(z)
		return i.Lower, ok
	})
}

func (c Curve) quantileUpper(p, z float64) (float64, bool) {
	return c.reached(p, func(s Step) (float64, bool) {
		i, ok := s.logLog(z)
		return i.Upper, ok
	})
}

// QuantileBound is a one-sided confidence bound for a quantile of durations.
type QuantileBound struct {
	T      float64
	Exists bool // false when n is too small, or too many durations are censored
	Exact  bool // by ranks, good for any n; else asymptotic, by the survival curve
}

// CensoredQuantileUpper returns the one-sided upper confidence bound for the p
// quantile of durations of which some are censored, by the best method that
// holds. When all censored ones are at least as long as every event (a
// time-out, or none at all), they only need to be counted as long: the order
// statistic of QuantileUpperRank is exact, and there is no bound if that one is
// censored. When some were cut short among the events, it is Curve's
// QuantileUpper, which by simulation covers down to 0.936 at conf 0.95. In
// either case there is no bound when n is too small for QuantileUpperRank.
//
// Errors as for KaplanMeier, and if p or conf is not in (0, 1).
func CensoredQuantileUpper(d []Duration, p, conf float64) (QuantileBound, error) {
	curve, err := KaplanMeier(d)
	if err != nil {
		return QuantileBound{}, err
	}
	rank, ok, err := QuantileUpperRank(len(d), p, conf)
	if err != nil {
		return QuantileBound{}, err
	}
	if !ok {
		return QuantileBound{Exact: true}, nil
	}
	lastEvent, firstCensored := 0.0, math.Inf(1)
	var events []float64
	for _, v := range d {
		if v.Censored {
			firstCensored = min(firstCensored, v.T)
		} else {
			lastEvent = max(lastEvent, v.T)
			events = append(events, v.T)
		}
	}
	if firstCensored < lastEvent {
		t, ok, err := curve.QuantileUpper(p, conf)
		return QuantileBound{T: t, Exists: ok}, err
	}
	if rank > len(events) {
		return QuantileBound{Exact: true}, nil
	}
	slices.Sort(events)
	return QuantileBound{T: events[rank-1], Exists: true, Exact: true}, nil
}
