package stats

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
)

// PermutationResult is the outcome of a permutation test.
type PermutationResult struct {
	Observed float64 // the statistic of the samples as they are
	P        float64
}

// PermutationTest tests whether two samples come from one distribution. The
// statistic measures how different two samples are, larger being more
// different (for a two-sided test of means, the absolute difference). The
// p-value is (1 + count)/(draws + 1), where count is how many of the random
// re-assignments of all values to two samples of the same sizes reach the
// observed statistic. It is valid for any draws; its own standard error is
// about sqrt(p(1-p)/draws). Equal arguments give equal results. The statistic
// must not keep or change its arguments.
//
// Source: Phipson and Smyth, Statistical Applications in Genetics and
// Molecular Biology 9 (2010) article 39, for the added one (from memory).
//
// It is an error if a sample is empty or holds NaN or infinity, statistic is
// nil or returns NaN, or draws < 1.
func PermutationTest(a, b []float64, statistic func(a, b []float64) float64, draws int, seed uint64) (PermutationResult, error) {
	if err := firstError(checkData("a", a, 1), checkData("b", b, 1), checkAtLeast("draws", draws, 1)); err != nil {
		return PermutationResult{}, err
	}
	if statistic == nil {
		return PermutationResult{}, errors.New("stats: statistic is nil; expected a function of two samples")
	}
	all := append(slices.Clone(a), b...)
	first, second := all[:len(a)], all[len(a):]
	r := PermutationResult{Observed: statistic(first, second)}
	if math.IsNaN(r.Observed) {
		return PermutationResult{}, errors.New("stats: statistic of a and b is NaN; expected a number")
	}
	rng := rand.New(rand.NewPCG(seed, seed))
	count := 1
	for range draws {
		rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		v := statistic(first, second)
		if math.IsNaN(v) {
			return PermutationResult{}, errors.New("stats: statistic of permuted samples is NaN; expected a number")
		}
		if v >= r.Observed-tieSlack*math.Abs(r.Observed) {
			count++
		}
	}
	r.P = float64(count) / float64(draws+1)
	return r, nil
}
