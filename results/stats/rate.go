package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// checkRate checks a count of events over an exposure at a confidence level.
func checkRate(x int, exposure, conf float64) error {
	return firstError(checkAtLeast("x", x, 0), checkPositive("exposure", exposure), checkUnit("conf", conf))
}

// Garwood returns the exact two-sided confidence interval for the rate of a
// Poisson process in which x events were seen over the exposure, in events
// per unit of exposure (hours in, events an hour out). It assumes that events
// are independent and the rate is constant. x = 0 gives lower 0.
//
// Source: Garwood, Biometrika 28 (1936) 437; lower = ChiSqInv(a/2; 2x)/(2T),
// upper = ChiSqInv(1-a/2; 2x+2)/(2T), a = 1-conf, T = exposure.
//
// It is an error if x < 0, exposure is not finite and above 0, or conf is not
// in (0, 1).
func Garwood(x int, exposure, conf float64) (Interval, error) {
	if err := checkRate(x, exposure, conf); err != nil {
		return Interval{}, err
	}
	tail := (1 - conf) / 2
	return Interval{Lower: poissonLower(x, tail) / exposure, Upper: poissonUpper(x, tail) / exposure}, nil
}

// GarwoodLower returns the exact one-sided lower confidence bound for a
// Poisson rate. Source, assumptions and errors as for Garwood.
func GarwoodLower(x int, exposure, conf float64) (float64, error) {
	if err := checkRate(x, exposure, conf); err != nil {
		return 0, err
	}
	return poissonLower(x, 1-conf) / exposure, nil
}

// GarwoodUpper returns the exact one-sided upper confidence bound for a
// Poisson rate; with x = 0 it is -ln(1-conf)/exposure. Source, assumptions and
// errors as for Garwood.
func GarwoodUpper(x int, exposure, conf float64) (float64, error) {
	if err := checkRate(x, exposure, conf); err != nil {
		return 0, err
	}
	return poissonUpper(x, 1-conf) / exposure, nil
}

// poissonLower is the mean at which P(X >= x) = tail; a chi-square quantile
// with 2x degrees of freedom is twice a gamma quantile of shape x.
func poissonLower(x int, tail float64) float64 {
	if x == 0 {
		return 0
	}
	return mathext.GammaIncRegInv(float64(x), tail)
}

// poissonUpper is the mean at which P(X <= x) = tail.
func poissonUpper(x int, tail float64) float64 {
	return mathext.GammaIncRegCompInv(float64(x+1), tail)
}

// RateComparison is the outcome of CompareRates. Ratio and Interval are those
// of rate 1 over rate 2.
type RateComparison struct {
	Ratio    float64
	HasRatio bool // false when no event was seen in the second exposure
	Interval Interval
	HasUpper bool // false when the data put no upper limit on the ratio
	P        float64
}

// CompareRates tests whether two Poisson rates are equal, x1 events over
// exposure1 against x2 over exposure2, and bounds their ratio. Given the sum
// x1+x2, x1 is binomial; the two-sided p-value adds up all outcomes no more
// likely than the one seen, and the interval is the Clopper-Pearson interval
// for the binomial share s, turned to s/(1-s) exposure2/exposure1. Test and
// interval are both exact, but invert different tails, and can disagree right
// at the level. With no event at all p is 1 and the ratio is anything.
//
// Source: Przyborowski and Wilenski, Biometrika 31 (1940) 313; as R's
// poisson.test. It is an error if a count is below 0, an exposure is not
// finite and above 0, or conf is not in (0, 1).
func CompareRates(x1 int, exposure1 float64, x2 int, exposure2, conf float64) (RateComparison, error) {
	if err := firstError(checkAtLeast("x1", x1, 0), checkAtLeast("x2", x2, 0),
		checkPositive("exposure1", exposure1), checkPositive("exposure2", exposure2), checkUnit("conf", conf)); err != nil {
		return RateComparison{}, err
	}
	n := x1 + x2
	if n == 0 {
		return RateComparison{P: 1}, nil
	}
	share, err := ClopperPearson(x1, n, conf)
	if err != nil {
		return RateComparison{}, err
	}
	scale := exposure2 / exposure1
	c := RateComparison{HasRatio: x2 > 0, HasUpper: share.Upper < 1}
	c.Interval.Lower = scale * share.Lower / (1 - share.Lower)
	if c.HasUpper {
		c.Interval.Upper = scale * share.Upper / (1 - share.Upper)
	}
	if c.HasRatio {
		c.Ratio = scale * float64(x1) / float64(x2)
	}
	c.P = binomTwoSided(x1, n, 1/(1+scale))
	return c, nil
}

// binomTwoSided is the probability of all outcomes of binomial(n, p) that are
// no more likely than x. Likelihoods within 1e-7 count as equal, as in R's
// binom.test: closer ones differ by rounding only.
func binomTwoSided(x, n int, p float64) float64 {
	b := distuv.Binomial{N: float64(n), P: p}
	limit := b.LogProb(float64(x)) + 1e-7
	likely := func(k int) bool { return b.LogProb(float64(k)) > limit }
	mode := min(n, int(float64(n+1)*p))
	if !likely(mode) {
		return 1
	}
	// The likelihood rises to the mode and falls after it, so each tail ends at
	// the first outcome that is more likely than x.
	low, _ := smallestInt(0, mode, likely)
	high, found := smallestInt(mode, n, func(k int) bool { return !likely(k) })
	if !found {
		high = n + 1
	}
	return math.Min(1, binomLowerTail(low-1, n, p)+binomUpperTail(high, n, p))
}
