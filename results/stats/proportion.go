package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// maxTrials bounds the searches for a number of trials.
const maxTrials = 1_000_000_000

// checkCount checks x out of n at a confidence level.
func checkCount(x, n int, conf float64) error {
	if err := checkAtLeast("n", n, 1); err != nil {
		return err
	}
	if x < 0 || x > n {
		return fmt.Errorf("stats: x is %d; expected 0 to n = %d", x, n)
	}
	return checkUnit("conf", conf)
}

// ClopperPearson returns the exact two-sided confidence interval for a
// proportion of which x were seen in n independent trials with one and the
// same probability. Coverage is never below conf, and usually above.
//
// Source: Clopper and Pearson, Biometrika 26 (1934) 404; in beta quantiles,
// lower = BetaInv(a/2; x, n-x+1), upper = BetaInv(1-a/2; x+1, n-x), a = 1-conf.
// x = 0 gives lower 0, x = n gives upper 1.
//
// It is an error if n < 1, x is not in 0..n or conf is not in (0, 1).
func ClopperPearson(x, n int, conf float64) (Interval, error) {
	if err := checkCount(x, n, conf); err != nil {
		return Interval{}, err
	}
	tail := (1 - conf) / 2
	return Interval{Lower: betaLower(x, n, tail), Upper: betaUpper(x, n, tail)}, nil
}

// ClopperPearsonLower returns the exact one-sided lower confidence bound for a
// proportion: with confidence conf the true one is at least this. With x = n
// it is (1-conf)^(1/n). Source and errors as for ClopperPearson.
func ClopperPearsonLower(x, n int, conf float64) (float64, error) {
	if err := checkCount(x, n, conf); err != nil {
		return 0, err
	}
	return betaLower(x, n, 1-conf), nil
}

// ClopperPearsonUpper returns the exact one-sided upper confidence bound for a
// proportion: with confidence conf the true one is at most this. With x = 0 it
// is 1-(1-conf)^(1/n), for which 3/n (the rule of three) is the rough value at
// 95 %. Source and errors as for ClopperPearson.
func ClopperPearsonUpper(x, n int, conf float64) (float64, error) {
	if err := checkCount(x, n, conf); err != nil {
		return 0, err
	}
	return betaUpper(x, n, 1-conf), nil
}

// betaLower is the p at which P(X >= x) = tail.
func betaLower(x, n int, tail float64) float64 {
	if x == 0 {
		return 0
	}
	return mathext.InvRegIncBeta(float64(x), float64(n-x+1), tail)
}

// betaUpper is the p at which P(X <= x) = tail.
func betaUpper(x, n int, tail float64) float64 {
	if x == n {
		return 1
	}
	return mathext.InvRegIncBeta(float64(x+1), float64(n-x), 1-tail)
}

// Wilson returns the score interval for a proportion of x in n. It is shorter
// than ClopperPearson's and covers conf on average, not always: for planning
// and plots, not for verdicts.
//
// Source: Wilson, JASA 22 (1927) 209, without continuity correction. Errors as
// for ClopperPearson.
func Wilson(x, n int, conf float64) (Interval, error) {
	if err := checkCount(x, n, conf); err != nil {
		return Interval{}, err
	}
	z, fn := twoSidedZ(conf), float64(n)
	p := float64(x) / fn
	centre := (p + z*z/(2*fn)) / (1 + z*z/fn)
	half := z / (1 + z*z/fn) * math.Sqrt(p*(1-p)/fn+z*z/(4*fn*fn))
	i := Interval{Lower: math.Max(0, centre-half), Upper: math.Min(1, centre+half)}
	// At the ends the limit is 0 or 1 exactly; rounding leaves 1e-17 or so.
	if x == 0 {
		i.Lower = 0
	}
	if x == n {
		i.Upper = 1
	}
	return i, nil
}

// SuccessRunSize returns the smallest number of trials n which, with at most
// misses failures among them, shows a success probability of at least
// reliability with confidence conf: BinomCDF(misses; n, 1-reliability) <=
// 1-conf. With no misses it is the success-run rule n = ln(1-conf) /
// ln(reliability), rounded up.
//
// It is an error if reliability or conf is not in (0, 1), misses < 0, or more
// than 1e9 trials would be needed.
func SuccessRunSize(reliability, conf float64, misses int) (int, error) {
	if err := firstError(checkUnit("reliability", reliability), checkUnit("conf", conf),
		checkAtLeast("misses", misses, 0)); err != nil {
		return 0, err
	}
	if misses >= maxTrials {
		return 0, fmt.Errorf("stats: misses is %d; expected fewer than %d", misses, maxTrials)
	}
	n, found := smallestInt(misses+1, maxTrials, func(n int) bool {
		// P(misses <= allowed) = P(successes >= n-allowed).
		return atMost(binomUpperTail(n-misses, n, reliability), 1-conf)
	})
	if !found {
		return 0, fmt.Errorf("stats: reliability %v at conf %v with %d misses needs more than %d trials", reliability, conf, misses, maxTrials)
	}
	return n, nil
}
