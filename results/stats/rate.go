package stats

import "gonum.org/v1/gonum/mathext"

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
