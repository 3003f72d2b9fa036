package stats

import (
	"fmt"
	"math/rand/v2"
	"slices"
)

// MeanShift is the most likely single step in the mean of a series.
type MeanShift struct {
	Index         int     // first value at the new level
	Before, After float64 // means on either side
	Gain          float64 // by how much the step lowers the residual sum of squares
	P             float64 // by permutation: probability of as large a gain with no step
}

// ChangePoint finds the one step in the mean that fits a series best: the
// split with the least residual sum of squares, which is the maximum of the
// likelihood for normal values with one variance. The p-value is the share of
// random orders of the same values, (1 + count)/(draws + 1), whose best split
// gains as much; it needs independence, not normality. A series always has a
// best split: without a small P it means nothing.
//
// Source: Hinkley, Biometrika 57 (1970) 1 (from memory). It is an error if
// there are fewer than 3 values, one is NaN or infinite, or draws < 1.
func ChangePoint(data []float64, draws int, seed uint64) (MeanShift, error) {
	if err := firstError(checkData("data", data, 3), checkAtLeast("draws", draws, 1)); err != nil {
		return MeanShift{}, err
	}
	s, err := Summarize(data)
	if err != nil {
		return MeanShift{}, fmt.Errorf("change point: %w", err)
	}
	centred := slices.Clone(data)
	for i := range centred {
		centred[i] -= s.Mean
	}
	index, sum, gain := bestSplit(centred)
	m := MeanShift{Index: index, Gain: gain}
	m.Before = s.Mean + sum/float64(index)
	m.After = s.Mean - sum/float64(len(data)-index)
	rng := rand.New(rand.NewPCG(seed, seed))
	count := 1
	for range draws {
		rng.Shuffle(len(centred), func(i, j int) { centred[i], centred[j] = centred[j], centred[i] })
		if _, _, g := bestSplit(centred); g >= gain*(1-tieSlack) {
			count++
		}
	}
	m.P = float64(count) / float64(draws+1)
	return m, nil
}

// bestSplit returns the split of values with mean 0 that gains most, the sum
// of the values before it, and the gain sum^2 (1/k + 1/(n-k)).
func bestSplit(centred []float64) (index int, sum, gain float64) {
	n := len(centred)
	index = 1
	var run float64
	for k := 1; k < n; k++ {
		run += centred[k-1]
		if g := run * run * (1/float64(k) + 1/float64(n-k)); k == 1 || g > gain {
			index, sum, gain = k, run, g
		}
	}
	return index, sum, gain
}
