package stats

import "math"

// exactPathsMax is the largest product of sample sizes for which the
// two-sample test counts lattice paths, some ten milliseconds' work.
const exactPathsMax = 1_000_000

// KSPair is the outcome of a two-sample Kolmogorov-Smirnov test. P is exact
// where Exact is set, otherwise it is PAsymptotic.
type KSPair struct {
	D, P        float64
	Exact       bool
	PAsymptotic float64
}

// KSTwoSample tests whether two independent samples come from one
// distribution, by the largest distance D between their empirical distribution
// functions. Up to 1e6 pairs the two-sided p-value is exact, by counting
// lattice paths; with ties it is the exact conditional one. Beyond, and in
// PAsymptotic, it is the limit law at sqrt(mn/(m+n)) D.
//
// Source: Hodges, Arkiv for Matematik 3 (1958) 469; with ties Schroeer and
// Trenkler, Computational Statistics & Data Analysis 20 (1995) 185 (both from
// memory); as R's ks.test. It is an error if a sample is empty or holds NaN or
// infinity.
func KSTwoSample(a, b []float64) (KSPair, error) {
	if err := firstError(checkData("a", a, 1), checkData("b", b, 1)); err != nil {
		return KSPair{}, err
	}
	m, n := len(a), len(b)
	reach, ends := latticeReach(sorted(a), sorted(b))
	fm, fn := float64(m), float64(n)
	r := KSPair{D: float64(reach) / fm / fn, Exact: n <= exactPathsMax/m}
	r.PAsymptotic = kolmogorovLimit(math.Sqrt(fm*fn/(fm+fn)) * r.D)
	r.P = r.PAsymptotic
	if r.Exact {
		r.P = pathsReaching(m, n, reach, ends)
	}
	return r, nil
}

// latticeReach walks through both samples at once and returns the largest
// |i n - j m| after i of a and j of b, an integer, so that equal distances are
// equal, and for each i+j whether a step of the empirical distribution
// functions ends there (false inside a group of ties).
func latticeReach(a, b []float64) (reach int, ends []bool) {
	m, n := len(a), len(b)
	ends = make([]bool, m+n+1)
	for i, j := 0, 0; i < m || j < n; {
		x := math.Inf(1)
		if i < m {
			x = a[i]
		}
		if j < n {
			x = math.Min(x, b[j])
		}
		for i < m && a[i] == x {
			i++
		}
		for j < n && b[j] == x {
			j++
		}
		ends[i+j] = true
		reach = max(reach, i*n-j*m, j*m-i*n)
	}
	return reach, ends
}

// pathsReaching is the share of all lattice paths from (0, 0) to (m, n) which
// somewhere, at the end of a step, have |i n - j m| >= reach. The recursion
// only adds shares that are not negative, so small p-values keep their digits.
func pathsReaching(m, n, reach int, ends []bool) float64 {
	if reach == 0 {
		return 1
	}
	share := make([]float64, n+1) // of paths to (i, j)
	for i := 0; i <= m; i++ {
		for j := 0; j <= n; j++ {
			out := i*n - j*m
			if out < 0 {
				out = -out
			}
			switch {
			case ends[i+j] && out >= reach:
				share[j] = 1
			case i > 0 && j > 0:
				share[j] = (float64(i)*share[j] + float64(j)*share[j-1]) / float64(i+j)
			case j > 0:
				share[j] = share[j-1]
			}
		}
	}
	return share[n]
}
