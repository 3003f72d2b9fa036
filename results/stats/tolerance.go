package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Tolerance limits of a normal distribution: mean + k s (one-sided) or
// mean -+ k s (two-sided), mean and s from the same n values, hold at least
// the given content of the distribution with the given confidence. They lean
// on normality, in the tail above all; latencies are seldom normal, and for
// them QuantileUpperRank needs no such assumption.

func checkTolerance(n int, content, conf float64) error {
	return firstError(checkAtLeast("n", n, 2), checkUnit("content", content), checkUnit("conf", conf))
}

// ToleranceOneSided returns the exact factor k for a one-sided tolerance limit
// of a normal distribution: TInv(conf; n-1, ncp = z_content sqrt n)/sqrt n, by
// quadrature over the distribution of s, right to 1e-8 or better. (gonum's
// noncentral t gives way to a rough approximation from about n = 500 on.)
//
// Source: NIST e-Handbook 7.2.6.3; Owen, Technometrics 10 (1968) 445 (from
// memory). It is an error if n < 2 or content or conf is not in (0, 1).
func ToleranceOneSided(n int, content, conf float64) (float64, error) {
	if err := checkTolerance(n, content, conf); err != nil {
		return 0, err
	}
	rootN := math.Sqrt(float64(n))
	ncp := distuv.UnitNormal.Quantile(content) * rootN
	nu := float64(n - 1)
	k, err := root(func(k float64) float64 { return noncentralT(k*rootN, nu, ncp) - conf }, ncp/rootN)
	if err != nil {
		return 0, fmt.Errorf("one-sided tolerance factor, n = %d: %w", n, err)
	}
	return k, nil
}

// noncentralT is P(T <= t) for the noncentral t distribution: the mean of
// Phi(t u - ncp) over u, the root of a chi-square over its degrees of freedom.
func noncentralT(t, nu, ncp float64) float64 {
	u2 := distuv.ChiSquared{K: nu}
	from, to := math.Sqrt(u2.Quantile(1e-16)/nu), math.Sqrt(u2.Quantile(1-1e-16)/nu)
	f := func(u float64) float64 {
		return 2 * nu * u * u2.Prob(nu*u*u) * distuv.UnitNormal.CDF(t*u-ncp)
	}
	// Phi rises within a few 1/t around u = ncp/t: give that stretch its own
	// nodes.
	sum, last := 0.0, from
	for _, w := range []float64{-8, 0, 8} {
		if cut := ncp/t + w/math.Abs(t); cut > last && cut < to {
			sum += quad.Fixed(f, last, cut, 80, nil, 0)
			last = cut
		}
	}
	return sum + quad.Fixed(f, last, to, 80, nil, 0)
}

// ToleranceTwoSided returns the exact factor k for a two-sided tolerance
// interval of a normal distribution: the mean over z ~ N(0, 1/n) of
// P(chi2 >= (n-1) r(z)^2/k^2) is conf, where Phi(z+r) - Phi(z-r) = content.
// Right to 1e-8 or better.
//
// Source: NIST e-Handbook 7.2.6.3; Wald and Wolfowitz, Annals of Mathematical
// Statistics 17 (1946) 208 (from memory). Errors as for ToleranceOneSided.
func ToleranceTwoSided(n int, content, conf float64) (float64, error) {
	if err := checkTolerance(n, content, conf); err != nil {
		return 0, err
	}
	const nodes = 120
	z, weight := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(z, weight, 0, 8.5)
	radius := make([]float64, nodes) // halfwidth of the content around z/sqrt n
	for i := range z {
		r, err := contentRadius(z[i]/math.Sqrt(float64(n)), content)
		if err != nil {
			return 0, fmt.Errorf("two-sided tolerance factor, n = %d: %w", n, err)
		}
		radius[i] = r
		weight[i] *= 2 * distuv.UnitNormal.Prob(z[i])
	}
	nu := float64(n - 1)
	chi2 := distuv.ChiSquared{K: nu}
	held := func(logK float64) float64 {
		k, sum := math.Exp(logK), 0.0
		for i := range z {
			sum += weight[i] * chi2.Survival(nu*radius[i]*radius[i]/(k*k))
		}
		return sum - conf
	}
	logK, err := root(held, math.Log(howe(n, content, conf)))
	if err != nil {
		return 0, fmt.Errorf("two-sided tolerance factor, n = %d: %w", n, err)
	}
	return math.Exp(logK), nil
}

// contentRadius is the r for which z-r to z+r holds content of a standard
// normal distribution.
func contentRadius(z, content float64) (float64, error) {
	start := math.Abs(z) + distuv.UnitNormal.Quantile((1+content)/2)
	return root(func(r float64) float64 {
		return distuv.UnitNormal.CDF(z+r) - distuv.UnitNormal.CDF(z-r) - content
	}, start)
}

// ToleranceHowe returns Howe's approximation of the two-sided factor:
// z_{(1+p)/2} sqrt(nu (1+1/n)/chi2_{1-conf,nu}), nu = n-1, p = content.
//
// Source: Howe, JASA 64 (1969) 610; NIST e-Handbook 7.2.6.3. Errors as for
// ToleranceOneSided.
func ToleranceHowe(n int, content, conf float64) (float64, error) {
	if err := checkTolerance(n, content, conf); err != nil {
		return 0, err
	}
	return howe(n, content, conf), nil
}

func howe(n int, content, conf float64) float64 {
	nu := float64(n - 1)
	chi2 := distuv.ChiSquared{K: nu}.Quantile(1 - conf)
	return distuv.UnitNormal.Quantile((1+content)/2) * math.Sqrt(nu*(1+1/float64(n))/chi2)
}

// ToleranceNatrella returns Natrella's approximation of the one-sided factor:
// (z_p + sqrt(z_p^2 - a b))/a, a = 1 - z_g^2/(2(n-1)), b = z_p^2 - z_g^2/n,
// p = content, g = conf.
//
// Source: Natrella, Experimental Statistics, NBS Handbook 91 (1963); NIST
// e-Handbook 7.2.6.3. Errors as for ToleranceOneSided, and if n is so small
// that a is not above 0.
func ToleranceNatrella(n int, content, conf float64) (float64, error) {
	if err := checkTolerance(n, content, conf); err != nil {
		return 0, err
	}
	zp, zg := distuv.UnitNormal.Quantile(content), distuv.UnitNormal.Quantile(conf)
	a := 1 - zg*zg/(2*float64(n-1))
	b := zp*zp - zg*zg/float64(n)
	if a <= 0 {
		return 0, fmt.Errorf("stats: n is %d; expected more than %v for Natrella's approximation at conf %v", n, 1+zg*zg/2, conf)
	}
	return (zp + math.Sqrt(zp*zp-a*b)) / a, nil
}
