package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
)

// Summary describes one sample, in the unit of the data.
type Summary struct {
	N              int
	Mean, Min, Max float64
	SD             float64 // sample standard deviation, divisor n-1
	HasSD          bool    // false when there is one value only
	Lag1           float64 // lag-1 autocorrelation, in the order given
	HasLag1        bool    // false when there is one value only, or all are equal
}

// Summarize returns count, mean, standard deviation, extremes and lag-1
// autocorrelation, sum (y_i - m)(y_{i+1} - m) / sum (y_i - m)^2. Mean and sums
// of squares are taken in two passes, each corrected for what the one before
// left over, so that a small spread on a large level keeps its digits.
//
// Source: definitions of the NIST StRD univariate reference data; corrected
// two-pass: Chan, Golub and LeVeque, American Statistician 37 (1983) 242.
//
// It is an error if data is empty, holds NaN or infinity, or is so large that
// its sums overflow.
func Summarize(data []float64) (Summary, error) {
	if err := checkData("data", data, 1); err != nil {
		return Summary{}, err
	}
	n := float64(len(data))
	mean := floats.SumCompensated(data) / n
	var left float64 // what the mean, rounded, leaves over
	for _, y := range data {
		left += y - mean
	}
	mean += left / n
	var ss, cross, before float64
	left = 0
	for i, y := range data {
		d := y - mean
		left += d
		ss += d * d
		if i > 0 {
			cross += before * d
		}
		before = d
	}
	ss -= left * left / n
	if err := checkFinite("the sum of squares of data", ss); err != nil {
		return Summary{}, fmt.Errorf("summary: %w", err)
	}
	s := Summary{N: len(data), Mean: mean, Min: floats.Min(data), Max: floats.Max(data)}
	if s.HasSD = len(data) > 1; s.HasSD {
		s.SD = math.Sqrt(math.Max(0, ss) / (n - 1))
	}
	if s.HasLag1 = s.Min < s.Max && ss > 0; s.HasLag1 {
		s.Lag1 = cross / ss
	}
	return s, nil
}
