package stats

import (
	"fmt"
	"math"
)

// Quantile returns the p quantile of data, in any order: the value at position
// 1+(n-1)p of the sorted data, linear between neighbours. It is definition 7
// of Hyndman and Fan, American Statistician 50 (1996) 361, the default of R,
// NumPy and spreadsheets. It is a point estimate without confidence; a bound
// comes from QuantileUpperRank or OrderStatInterval.
//
// It is an error if data is empty or holds NaN or infinity, or p is not in
// (0, 1).
func Quantile(data []float64, p float64) (float64, error) {
	if err := firstError(checkData("data", data, 1), checkUnit("p", p)); err != nil {
		return 0, err
	}
	s := sorted(data)
	h := float64(len(s)-1) * p
	i := int(h)
	if i+1 >= len(s) {
		return s[i], nil
	}
	return s[i] + (h-float64(i))*(s[i+1]-s[i]), nil
}

func checkQuantileArgs(n int, p, conf float64) error {
	return firstError(checkAtLeast("n", n, 1), checkUnit("p", p), checkUnit("conf", conf))
}

// QuantileUpperRank returns the 1-based rank r of the order statistic x(r)
// (r = n is the largest) that is a one-sided upper confidence bound for the p
// quantile of any continuous distribution: the smallest r with
// BinomCDF(r-1; n, p) >= conf. ok is false when n is too small for any.
//
// Source: Hahn and Meeker, Statistical Intervals (1991), section 5.2 (from
// memory). The values must be independent and from one distribution.
//
// It is an error if n < 1 or p or conf is not in (0, 1).
func QuantileUpperRank(n int, p, conf float64) (rank int, ok bool, err error) {
	if err := checkQuantileArgs(n, p, conf); err != nil {
		return 0, false, err
	}
	rank, ok = upperRank(n, p, 1-conf)
	return rank, ok, nil
}

// QuantileLowerRank returns the 1-based rank r of the order statistic that is
// a one-sided lower confidence bound for the p quantile: the largest r with
// BinomCDF(r-1; n, p) <= 1-conf. ok is false when n is too small for any.
// Source, assumptions and errors as for QuantileUpperRank.
func QuantileLowerRank(n int, p, conf float64) (rank int, ok bool, err error) {
	if err := checkQuantileArgs(n, p, conf); err != nil {
		return 0, false, err
	}
	rank, ok = lowerRank(n, p, 1-conf)
	return rank, ok, nil
}

// upperRank is the smallest r in 1..n with P(X >= r) <= tail, X binomial(n, p).
func upperRank(n int, p, tail float64) (int, bool) {
	return smallestInt(1, n, func(r int) bool { return atMost(binomUpperTail(r, n, p), tail) })
}

// lowerRank is the largest r in 1..n with P(X <= r-1) <= tail; by symmetry the
// mirror image of upperRank.
func lowerRank(n int, p, tail float64) (int, bool) {
	r, ok := smallestInt(1, n, func(r int) bool { return atMost(binomLowerTail(n-r, n, p), tail) })
	if !ok {
		return 0, false
	}
	return n + 1 - r, true
}

// OrderStat is a distribution-free interval (x(L), x(U)) for a quantile, by
// 1-based ranks in the sorted data.
type OrderStat struct {
	L, U    int     // 0 where there is no such limit
	NoLower bool    // n is too small for a lower limit
	NoUpper bool    // n is too small for an upper limit
	Cover   float64 // the probability that the interval holds the quantile
}

// OrderStatInterval returns the two-sided distribution-free confidence
// interval for the p quantile from n values: L is the largest r with
// BinomCDF(r-1; n, p) <= a/2, U the smallest r with BinomCDF(r-1; n, p) >=
// 1-a/2, a = 1-conf. Each tail keeps its a/2 even where the other limit does
// not exist. Cover is the exact probability, at least conf.
//
// Source, assumptions and errors as for QuantileUpperRank.
func OrderStatInterval(n int, p, conf float64) (OrderStat, error) {
	if err := checkQuantileArgs(n, p, conf); err != nil {
		return OrderStat{}, err
	}
	tail := (1 - conf) / 2
	l, okL := lowerRank(n, p, tail)
	u, okU := upperRank(n, p, tail)
	s := OrderStat{L: l, U: u, NoLower: !okL, NoUpper: !okU, Cover: 1}
	if okL {
		s.Cover -= binomLowerTail(l-1, n, p)
	}
	if okU {
		s.Cover -= binomUpperTail(u, n, p)
	}
	return s, nil
}

// QuantileSampleSize returns the smallest n whose k-th largest value (k = 1 is
// the maximum) is a one-sided upper confidence bound for the p quantile, or,
// mirrored, whose k-th smallest is a lower bound for the 1-p quantile:
// BinomCDF(n-k; n, p) >= conf.
//
// Source: Wilks, Annals of Mathematical Statistics 12 (1941) 91.
//
// It is an error if p or conf is not in (0, 1), k < 1, or more than 1e9 values
// would be needed.
func QuantileSampleSize(p, conf float64, k int) (int, error) {
	if err := firstError(checkUnit("p", p), checkUnit("conf", conf), checkAtLeast("k", k, 1)); err != nil {
		return 0, err
	}
	// At most k-1 of n above the quantile: a run of n with k-1 misses.
	n, err := SuccessRunSize(p, conf, k-1)
	if err != nil {
		return 0, fmt.Errorf("sample size for the %v quantile: %w", p, err)
	}
	return n, nil
}

// WilksTwoSided returns the smallest n for which the range from the smallest
// to the largest value holds at least the given content of the distribution
// with confidence conf: 1 - p^n - n(1-p)p^(n-1) >= conf, p = content.
//
// Source: Wilks, Annals of Mathematical Statistics 12 (1941) 91. It is an
// error if content or conf is not in (0, 1), or more than 1e9 values would be
// needed.
func WilksTwoSided(content, conf float64) (int, error) {
	if err := firstError(checkUnit("content", content), checkUnit("conf", conf)); err != nil {
		return 0, err
	}
	n, found := smallestInt(2, maxTrials, func(n int) bool {
		short := math.Pow(content, float64(n-1)) * (content + float64(n)*(1-content))
		return atMost(short, 1-conf)
	})
	if !found {
		return 0, fmt.Errorf("stats: content %v at conf %v needs more than %d values", content, conf, maxTrials)
	}
	return n, nil
}
