package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// KSResult is the outcome of a Kolmogorov-Smirnov test: the largest distance
// between the two distribution functions and its two-sided p-value.
type KSResult struct{ D, P float64 }

// KS tests whether data come from the continuous distribution whose cumulative
// distribution function is cdf. The law must be known beforehand: with
// parameters fitted to the same data the p-value is too large (for the
// sampling detector use FitSamplerLaw). Ties are taken as they are.
//
// The p-value is exact up to n = 1000, by Marsaglia, Tsang and Wang, J.
// Statistical Software 8 (2003) issue 18, and in the tail by Smirnov's
// one-sided law; beyond, within 1e-3 of itself, by Kolmogorov's limit law with
// the correction of Pelz and Good, JRSS B 38 (1976) 152.
//
// It is an error if data is empty or holds NaN or infinity, cdf is nil, or cdf
// returns a value outside [0, 1].
func KS(data []float64, cdf func(float64) float64) (KSResult, error) {
	if err := checkData("data", data, 1); err != nil {
		return KSResult{}, err
	}
	if cdf == nil {
		return KSResult{}, fmt.Errorf("stats: cdf is nil; expected a cumulative distribution function")
	}
	s := sorted(data)
	d := 0.0
	n := float64(len(s))
	for i, x := range s {
		f := cdf(x)
		if !(f >= 0 && f <= 1) {
			return KSResult{}, fmt.Errorf("stats: cdf(%v) is %v; expected a value from 0 to 1", x, f)
		}
		d = max(d, f-float64(i)/n, float64(i+1)/n-f)
	}
	return KSResult{D: d, P: kolmogorov(len(s), d)}, nil
}

// kolmogorovMaxExact is the largest n whose p-value is computed exactly.
const kolmogorovMaxExact = 1000

// kolmogorov is P(D_n >= d) under the null law.
func kolmogorov(n int, d float64) float64 {
	if n <= kolmogorovMaxExact {
		return kolmogorovExact(n, d)
	}
	return kolmogorovLarge(n, d)
}

// kolmogorovExact is the exact P(D_n >= d). In the body it is the matrix power
// of Marsaglia, Tsang and Wang, J. Statistical Software 8 (2003) issue 18. In
// the tail, n d^2 >= 4, the complement of that would lose digits, and twice
// the one-sided probability is right to 1e-10 relative, as the two one-sided
// events then all but exclude each other (Simard and L'Ecuyer, J. Statistical
// Software 39 (2011) issue 11).
func kolmogorovExact(n int, d float64) float64 {
	fn := float64(n)
	switch {
	case d <= 0.5/fn:
		return 1
	case d >= 1:
		return 0
	case fn*d*d >= 4:
		return math.Min(1, 2*smirnovOneSided(n, d))
	}
	return math.Min(1, math.Max(0, 1-marsagliaTsangWang(n, d)))
}

// smirnovOneSided is P(D_n^+ >= d) by the formula of Birnbaum and Tingey,
// Annals of Mathematical Statistics 22 (1951) 592:
// d sum_j C(n,j) (1-d-j/n)^(n-j) (d+j/n)^(j-1), j = 0..floor(n(1-d)).
func smirnovOneSided(n int, d float64) float64 {
	fn := float64(n)
	lgn, _ := math.Lgamma(fn + 1)
	sum := 0.0
	for j := 0; j < n; j++ {
		fj := float64(j)
		rest := 1 - d - fj/fn
		if rest <= 0 {
			break
		}
		lgj, _ := math.Lgamma(fj + 1)
		lgr, _ := math.Lgamma(fn - fj + 1)
		sum += math.Exp(lgn - lgj - lgr + (fn-fj)*math.Log(rest) + (fj-1)*math.Log(d+fj/fn))
	}
	return d * sum
}

// marsagliaTsangWang is P(D_n < d): n!/n^n times the central entry of the n-th
// power of the (2k-1) square matrix of their section 2, with d = (k-h)/n. The
// power is rescaled by powers of two to stay in range.
func marsagliaTsangWang(n int, d float64) float64 {
	fn := float64(n)
	k := int(fn*d) + 1
	power, exp := matrixPower(durbinMatrix(2*k-1, float64(k)-fn*d), n)
	s := power.At(k-1, k-1)
	for i := 1; i <= n; i++ {
		s *= float64(i) / fn
		if s < 1e-140 {
			s *= 0x1p500
			exp -= 500
		}
	}
	return math.Ldexp(s, exp)
}

// durbinMatrix is the m square matrix H of Marsaglia, Tsang and Wang.
func durbinMatrix(m int, h float64) *mat.Dense {
	a := mat.NewDense(m, m, nil)
	for i := range m {
		for j := range m {
			if i-j+1 >= 0 {
				a.Set(i, j, 1)
			}
		}
	}
	for i := range m {
		a.Set(i, 0, a.At(i, 0)-math.Pow(h, float64(i+1)))
		a.Set(m-1, i, a.At(m-1, i)-math.Pow(h, float64(m-i)))
	}
	if 2*h > 1 {
		a.Set(m-1, 0, a.At(m-1, 0)+math.Pow(2*h-1, float64(m)))
	}
	for i := range m {
		for j := range m {
			for g := 2; g <= i-j+1; g++ {
				a.Set(i, j, a.At(i, j)/float64(g))
			}
		}
	}
	return a
}

// matrixPower returns p and e with a^n = p 2^e.
func matrixPower(a *mat.Dense, n int) (p *mat.Dense, e int) {
	if n == 1 {
		return a, 0
	}
	half, e := matrixPower(a, n/2)
	p = new(mat.Dense)
	p.Mul(half, half)
	e *= 2
	if n%2 == 1 {
		odd := new(mat.Dense)
		odd.Mul(p, a)
		p = odd
	}
	m, _ := p.Dims()
	if p.At(m/2, m/2) > 1e140 {
		p.Scale(0x1p-460, p)
		e += 460
	}
	return p, e
}

// kolmogorovLarge is P(D_n >= d) for large n: Kolmogorov's limit law at
// sqrt(n) d + 1/(6 sqrt n), the shift taking up the first correction term of
// Pelz and Good. What that leaves, of order 1/n, grows towards the tail, where
// twice the one-sided probability is right to exp(-6 n d^2).
func kolmogorovLarge(n int, d float64) float64 {
	if float64(n)*d*d >= 2 {
		return math.Min(1, 2*smirnovOneSided(n, d))
	}
	r := math.Sqrt(float64(n))
	return kolmogorovLimit(r*d + 1/(6*r))
}

// kolmogorovLimit is the limit of P(sqrt(n) D_n >= x):
// 2 sum_k (-1)^(k-1) exp(-2 k^2 x^2), and for small x, where that converges
// slowly, 1 - sqrt(2 pi)/x sum_k exp(-(2k-1)^2 pi^2/(8 x^2)).
//
// Source: Kolmogorov (1933); both series in Feller, Annals of Mathematical
// Statistics 19 (1948) 177.
func kolmogorovLimit(x float64) float64 {
	if x <= 0 {
		return 1
	}
	sum := 0.0
	if x < 1 {
		for k := 1.0; k < 10; k++ {
			sum += math.Exp(-(2*k - 1) * (2*k - 1) * math.Pi * math.Pi / (8 * x * x))
		}
		return 1 - math.Sqrt(2*math.Pi)/x*sum
	}
	for k := 1.0; k < 10; k++ {
		sum += math.Pow(-1, k-1) * math.Exp(-2*k*k*x*x)
	}
	return 2 * sum
}
