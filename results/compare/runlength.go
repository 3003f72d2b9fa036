package compare

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// nodes of the Gauss-Legendre rule with which run lengths are integrated: as
// many as it takes for six digits of a limit.
const nodes = 24

// ewmaTail is the chance that an EWMA chart of n independent standard normal
// values leaves its limits at least once. limit gives the limit to either side
// at the t-th value, from 1.
//
// The density of the chart, as long as it has stayed inside, is carried on from
// value to value (Crowder, Technometrics 29 (1987) 401, for the integral
// equation; from memory).
func ewmaTail(limit func(t int) float64, lambda float64, n int) float64 {
	step := func(from, to float64) float64 { return distuv.UnitNormal.Prob((to-(1-lambda)*from)/lambda) / lambda }
	var z, f, w []float64
	for t := 1; t <= n; t++ {
		h := limit(t)
		next, weight := make([]float64, nodes), make([]float64, nodes)
		quad.Legendre{}.FixedLocations(next, weight, -h, h)
		density := make([]float64, nodes)
		for j, to := range next {
			if t == 1 {
				density[j] = step(0, to)
			}
			for i, from := range z {
				density[j] += w[i] * f[i] * step(from, to)
			}
		}
		z, f, w = next, density, weight
	}
	inside := 0.0
	for i := range z {
		inside += w[i] * f[i]
	}
	return 1 - inside
}

// ewmaLimit is that of package stats: width standard deviations of the chart at
// the t-th value.
func ewmaLimit(width, lambda float64) func(t int) float64 {
	return func(t int) float64 {
		return width * math.Sqrt(lambda/(2-lambda)*(1-math.Pow(1-lambda, 2*float64(t))))
	}
}

// cusumTail is the chance that the upper sum of a tabular CUSUM of n independent
// standard normal values exceeds h at least once. The sum has a density above 0
// and a mass at 0 (Page, Biometrika 41 (1954) 100; Brook and Evans, Biometrika
// 59 (1972) 539, as a chain; from memory).
func cusumTail(h, k float64, n int) float64 {
	x, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(x, w, 0, h)
	var step [nodes][nodes]float64 // density at the second of going there from the first
	for i, from := range x {
		for j, to := range x {
			step[i][j] = distuv.UnitNormal.Prob(to - from + k)
		}
	}
	mass, f := 1.0, make([]float64, nodes)
	for range n {
		next, density := mass*distuv.UnitNormal.CDF(k), make([]float64, nodes)
		for j, to := range x {
			density[j] = mass * distuv.UnitNormal.Prob(to+k)
		}
		for i, from := range x {
			next += w[i] * f[i] * distuv.UnitNormal.CDF(k-from)
			for j := range x {
				density[j] += w[i] * f[i] * step[i][j]
			}
		}
		mass, f = next, density
	}
	for i := range x {
		mass += w[i] * f[i]
	}
	return 1 - mass
}

// solve finds the limit at which a tail, which falls as the limit grows, comes
// down to alpha.
func solve(tail func(limit float64) float64, alpha float64) float64 {
	low, high := 0.1, 12.0
	for high-low > 1e-6 {
		if mid := (low + high) / 2; tail(mid) > alpha {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}
