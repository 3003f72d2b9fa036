package compare

import (
	"math"

	"drench/results/stats"
)

// tally is a count of what went wrong out of so many trials, or, if of is 0,
// over an exposure.
type tally struct {
	x, of    int
	exposure float64 // of a rate
}

func (t tally) rate() bool { return t.of == 0 }

// value is the share or the rate.
func (t tally) value() float64 {
	if t.rate() {
		return float64(t.x) / t.exposure
	}
	return float64(t.x) / float64(t.of)
}

func (t tally) plus(u tally) tally { return tally{t.x + u.x, t.of + u.of, t.exposure + u.exposure} }

// empty tells whether nothing could have gone wrong.
func (t tally) empty() bool { return t.of == 0 && t.exposure <= 0 }

// interval bounds the value: Wilson's score interval for a share, as Newcombe
// uses it, Garwood's exact one for a rate.
func (t tally) interval(conf float64) (stats.Interval, error) {
	if t.rate() {
		return stats.Garwood(t.x, t.exposure, conf)
	}
	return stats.Wilson(t.x, t.of, conf)
}

// squareAndAdd bounds the difference of two shares or rates, now less base:
//
//	lower = d - sqrt((now - l_now)^2 + (u_base - base)^2)
//	upper = d + sqrt((u_now - now)^2 + (base - l_base)^2)
//
// from the limits l, u of each. With Wilson's limits it is method 10 of
// Newcombe, Statistics in Medicine 17 (1998) 873; for any limits, so for rates
// with Garwood's, Zou and Donner, Statistics in Medicine 27 (2008) 1693.
func squareAndAdd(base, now tally, conf float64) (Interval, error) {
	a, err := base.interval(conf)
	if err != nil {
		return Interval{}, err
	}
	b, err := now.interval(conf)
	if err != nil {
		return Interval{}, err
	}
	d := now.value() - base.value()
	return Interval{
		Lower: d - math.Hypot(now.value()-b.Lower, a.Upper-base.value()),
		Upper: d + math.Hypot(b.Upper-now.value(), base.value()-a.Lower),
	}, nil
}

// alike is the two-sided exact p-value of both tallies having one share
// (Fisher) or one rate (Przyborowski and Wilenski): given the sum of the
// counts, of all outcomes no more likely than the one seen.
func alike(base, now tally) (float64, error) {
	if base.rate() {
		c, err := stats.CompareRates(now.x, now.exposure, base.x, base.exposure, 0.95)
		return c.P, err
	}
	return fisher(base.x, base.of, now.x, now.of), nil
}

// fisher is Fisher's exact test of x1 of n1 against x2 of n2, two-sided by the
// probabilities of outcomes, with all margins fixed, as R's fisher.test.
//
// Source: Fisher, Statistical Methods for Research Workers, section 21.02
// (from memory).
func fisher(x1, n1, x2, n2 int) float64 {
	const slack = 1e-7 // outcomes as likely as the one seen, but for rounding; as in R
	sum := x1 + x2
	log := func(x int) float64 {
		return logChoose(n1, x) + logChoose(n2, sum-x)
	}
	total, tail := 0.0, 0.0
	seen, top := log(x1), math.Inf(-1)
	low, high := max(0, sum-n2), min(n1, sum)
	for x := low; x <= high; x++ {
		top = max(top, log(x))
	}
	for x := low; x <= high; x++ {
		l := log(x)
		p := math.Exp(l - top)
		total += p
		if l <= seen+slack {
			tail += p
		}
	}
	return min(1, tail/total)
}

func logChoose(n, k int) float64 {
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k + 1))
	return a - b - c
}

// effective divides counts and what they are counted in by a design effect,
// so that tests for independent trials hold for clustered ones (Rao and Scott,
// Biometrics 48 (1992) 577, from memory).
func (t tally) effective(deff float64) tally {
	if deff <= 1 {
		return t
	}
	scale := func(n int) int { return int(math.Round(float64(n) / deff)) }
	e := tally{scale(t.x), scale(t.of), t.exposure / deff}
	if t.of > 0 {
		e.of = max(1, e.of)
		e.x = min(e.x, e.of)
	}
	return e
}

// designEffect is by how much the tallies of a group scatter more than chance
// has it: Pearson's chi-square over its degrees of freedom, at least 1.
func designEffect(group []tally) float64 {
	if len(group) < 2 {
		return 1
	}
	return max(1, pearson(group)/float64(len(group)-1))
}

// pearson is the chi-square of tallies, none of them empty, that have one share
// or rate.
func pearson(group []tally) float64 {
	var all tally
	for _, t := range group {
		all = all.plus(t)
	}
	if all.x == 0 || !all.rate() && all.x == all.of {
		return 0
	}
	p, chi := all.value(), 0.0
	for _, t := range group {
		e, variance := p*t.exposure, p*t.exposure
		if !t.rate() {
			e = p * float64(t.of)
			variance = e * (1 - p)
		}
		chi += (float64(t.x) - e) * (float64(t.x) - e) / variance
	}
	return chi
}
