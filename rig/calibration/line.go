package calibration

import (
	"fmt"
	"math"

	"drench/results/stats"

	"gonum.org/v1/gonum/stat"
)

// line is a straight line through points, y = intercept + slope x.
type line struct {
	slope, intercept   float64
	slopeU, interceptU float64 // standard uncertainties from the scatter about the line
	r                  float64 // correlation of intercept and slope
	sd                 float64 // scatter about the line, divisor n-2
}

// fitLine fits by least squares, all points alike, x taken as exact
// (JCGM 100:2008, H.3.2, equations H.13). It needs three points and two
// different x.
func fitLine(x, y []float64) (line, error) {
	if len(x) != len(y) || len(x) < 3 {
		return line{}, fmt.Errorf("%d and %d values; expected as many of one as of the other, 3 or more", len(x), len(y))
	}
	for _, v := range [][]float64{x, y} {
		if _, err := stats.Summarize(v); err != nil {
			return line{}, err
		}
	}
	n := float64(len(x))
	mean, variance := stat.MeanVariance(x, nil)
	sxx := variance * (n - 1)
	if sxx == 0 {
		return line{}, fmt.Errorf("x is %v at every point; expected two different values or more", mean)
	}
	var l line
	l.intercept, l.slope = stat.LinearRegression(x, y, nil, false)
	var squares, sumSquares float64
	for i := range x {
		d := y[i] - l.intercept - l.slope*x[i]
		squares += d * d
		sumSquares += x[i] * x[i]
	}
	l.sd = math.Sqrt(squares / (n - 2))
	l.slopeU = l.sd / math.Sqrt(sxx)
	l.interceptU = l.sd * math.Sqrt(sumSquares/(n*sxx))
	l.r = -mean / math.Sqrt(sumSquares/n)
	return l, nil
}

// perGroup is the standard uncertainty of slope and intercept by an error of
// standard uncertainty u in y that is the same at all points of one x, and
// independent between different x: both are sums of y with weights, those of
// one x add up (JCGM 100:2008, 5.1.2).
func perGroup(x []float64, u float64) (slope, intercept float64) {
	n := float64(len(x))
	mean, variance := stat.MeanVariance(x, nil)
	slopes, intercepts := map[float64]float64{}, map[float64]float64{}
	for _, v := range x {
		w := (v - mean) / (variance * (n - 1))
		slopes[v] += w
		intercepts[v] += 1/n - mean*w
	}
	for v := range slopes {
		slope = math.Hypot(slope, slopes[v]*u)
		intercept = math.Hypot(intercept, intercepts[v]*u)
	}
	return slope, intercept
}
