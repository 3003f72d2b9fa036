package stats

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// exactRankMax is the sample size from which rank tests go over to the normal
// approximation, as in R's wilcox.test.
const exactRankMax = 50

// RankTest is the outcome of MannWhitney. P, Less and Greater are exact where
// Exact is set, otherwise normal with continuity correction.
type RankTest struct {
	W                float64 // pairs with a above b, ties half
	Exact            bool
	P                float64 // two-sided
	Less, Greater    float64 // one-sided: a tends to be less, greater than b
	PNormal          float64 // two-sided, normal without continuity correction
	PNormalCorrected float64 // two-sided, normal with continuity correction
}

// MannWhitney tests by ranks whether two independent samples come from one
// distribution, against one being shifted. With no ties and both samples
// smaller than 50 the p-values are exact, by the counting recursion
// f(m,n,w) = f(m-1,n,w-n) + f(m,n-1,w); otherwise normal, with tie and
// continuity corrections. When all values are equal p is 1.
//
// Source: Mann and Whitney, Annals of Mathematical Statistics 18 (1947) 50; as
// R's wilcox.test. It is an error if a sample is empty or holds NaN or
// infinity.
func MannWhitney(a, b []float64) (RankTest, error) {
	if err := firstError(checkData("a", a, 1), checkData("b", b, 1)); err != nil {
		return RankTest{}, err
	}
	w, ties := rankSum(a, b)
	m, n := float64(len(a)), float64(len(b))
	sigma := math.Sqrt(m * n / 12 * (m + n + 1 - ties/((m+n)*(m+n-1))))
	z := func(shift float64) float64 { return (w - m*n/2 + shift) / sigma }
	r := RankTest{W: w, Exact: ties == 0 && len(a) < exactRankMax && len(b) < exactRankMax}
	if !(sigma > 0) { // all equal: every arrangement is as good
		r.P, r.Less, r.Greater, r.PNormal, r.PNormalCorrected = 1, 1, 1, 1, 1
		return r, nil
	}
	twoSided := func(z float64) float64 { return math.Min(1, 2*distuv.UnitNormal.Survival(math.Abs(z))) }
	r.PNormal = twoSided(z(0))
	towards := 0.5
	if w > m*n/2 {
		towards = -0.5
	} else if w == m*n/2 {
		towards = 0
	}
	r.PNormalCorrected = twoSided(z(towards))
	if r.Exact {
		cum := rankDistribution(len(a), len(b))
		mirror := len(a)*len(b) - int(w)
		r.Less, r.Greater = cum[int(w)], cum[mirror]
		r.P = math.Min(1, 2*math.Min(r.Less, r.Greater))
		return r, nil
	}
	r.P = r.PNormalCorrected
	r.Less, r.Greater = distuv.UnitNormal.CDF(z(0.5)), distuv.UnitNormal.Survival(z(-0.5))
	return r, nil
}

// rankSum returns Mann and Whitney's count, and sum(t^3 - t) over groups of t
// equal values.
func rankSum(a, b []float64) (w, ties float64) {
	sa, all := sorted(a), sorted(append(slices.Clone(a), b...))
	i := 0
	for lo := 0; lo < len(all); {
		hi := lo
		for hi < len(all) && all[hi] == all[lo] {
			hi++
		}
		for i < len(sa) && sa[i] == all[lo] {
			w += float64(lo+hi+1) / 2 // the mean of ranks lo+1 to hi
			i++
		}
		t := float64(hi - lo)
		ties += t*t*t - t
		lo = hi
	}
	m := float64(len(a))
	return w - m*(m+1)/2, ties
}

// rankDistribution returns P(W <= w) for w = 0..mn under the null law.
func rankDistribution(m, n int) []float64 {
	count := make([][]float64, n+1) // count[j][w] for i of m
	for j := range count {
		count[j] = make([]float64, m*n+1)
		count[j][0] = 1 // i = 0: one arrangement, W = 0
	}
	for i := 1; i <= m; i++ {
		for j := 1; j <= n; j++ {
			// In descending order count[j][w-j] is still that of i-1.
			for w := i * j; w >= 0; w-- {
				c := count[j-1][w]
				if w >= j {
					c += count[j][w-j]
				}
				count[j][w] = c
			}
		}
	}
	cum := count[n]
	for w := 1; w < len(cum); w++ {
		cum[w] += cum[w-1]
	}
	total := cum[len(cum)-1]
	for w := range cum {
		cum[w] /= total
	}
	return cum
}

// ShiftEstimate is the outcome of HodgesLehmann, in the unit of the data.
type ShiftEstimate struct {
	Shift    float64 // by how much a lies above b
	Interval Interval
	Bounded  bool    // false when the samples are too small for an interval
	Cover    float64 // confidence of the interval, at least that asked for
	Exact    bool    // ranks and Cover are from the exact null law, not the normal
}

// HodgesLehmann estimates the shift between two samples by the median of all
// differences a_i - b_j, with an interval between two of the differences, their
// ranks from the law of Mann and Whitney's W: exact while both samples are
// smaller than 50 (with ties it covers more, not less), normal from there on.
// It assumes the distributions differ in location only.
//
// Source: Hodges and Lehmann, Annals of Mathematical Statistics 34 (1963) 598;
// interval by Moses, as in Hollander and Wolfe, Nonparametric Statistical
// Methods, section 4.3 (from memory). It is an error if a sample is empty or
// holds NaN or infinity, or conf is not in (0, 1).
func HodgesLehmann(a, b []float64, conf float64) (ShiftEstimate, error) {
	if err := firstError(checkData("a", a, 1), checkData("b", b, 1), checkUnit("conf", conf)); err != nil {
		return ShiftEstimate{}, err
	}
	d := differences{sorted(a), sorted(b)}
	if err := firstError(checkFinite("max(a) - min(b)", d.a[len(a)-1]-d.b[0]), checkFinite("min(a) - max(b)", d.a[0]-d.b[len(b)-1])); err != nil {
		return ShiftEstimate{}, err
	}
	mn := len(a) * len(b)
	e := ShiftEstimate{Exact: len(a) < exactRankMax && len(b) < exactRankMax}
	e.Shift = d.kth((mn + 1) / 2)
	if mn%2 == 0 {
		e.Shift += (d.kth(mn/2+1) - e.Shift) / 2
	}
	// The rank of the lower limit is the most with P(W < rank) <= tail.
	rank := 0
	if e.Exact {
		cum := rankDistribution(len(a), len(b))
		for rank < mn && atMost(cum[rank], (1-conf)/2) {
			rank++
		}
		if rank > 0 {
			e.Cover = 1 - 2*cum[rank-1]
		}
	} else {
		sigma := math.Sqrt(float64(mn) * float64(len(a)+len(b)+1) / 12)
		rank = int(math.Floor(float64(mn)/2 - twoSidedZ(conf)*sigma))
		e.Cover = 1 - 2*distuv.UnitNormal.CDF((float64(rank)-float64(mn)/2)/sigma)
	}
	if e.Bounded = rank >= 1 && rank <= mn/2; !e.Bounded {
		e.Cover = 0
		return e, nil
	}
	e.Interval = Interval{Lower: d.kth(rank), Upper: d.kth(mn + 1 - rank)}
	return e, nil
}

// differences are all a_i - b_j of two ascending samples, without listing them.
type differences struct{ a, b []float64 }

// atMost counts the differences up to x.
func (d differences) atMost(x float64) int {
	count, j := 0, len(d.b) // b[j:] are those with a_i - b_j <= x
	for _, v := range d.a {
		for j > 0 && v-d.b[j-1] <= x {
			j--
		}
		for j < len(d.b) && v-d.b[j] > x {
			j++
		}
		count += len(d.b) - j
	}
	return count
}

// kth returns the k-th smallest difference, k from 1, by bisection over the
// floating-point numbers, which takes 64 counts whatever the spread.
func (d differences) kth(k int) float64 {
	low := order(d.a[0] - d.b[len(d.b)-1])
	high := order(d.a[len(d.a)-1] - d.b[0])
	for low < high {
		mid := low + int64(uint64(high-low)/2)
		if d.atMost(value(mid)) >= k {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return value(low)
}

// order maps a float to an integer of the same order, value maps it back.
func order(x float64) int64 {
	i := int64(math.Float64bits(x))
	if i < 0 {
		i = math.MinInt64 - i
	}
	return i
}

func value(i int64) float64 {
	if i < 0 {
		i = math.MinInt64 - i
	}
	return math.Float64frombits(uint64(i))
}
