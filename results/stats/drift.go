package stats

import (
	"fmt"
	"math"
)

// NoSignal is the index that stands for "none" in the charts.
const NoSignal = -1

// EWMAPoint is one point of an EWMA chart, with its exact limits.
type EWMAPoint struct{ Z, Lower, Upper float64 }

// EWMAChart is an exponentially weighted moving average chart, in the unit of
// the data.
type EWMAChart struct {
	Points       []EWMAPoint
	Lower, Upper float64 // asymptotic limits, which the exact ones approach
	Signal       int     // first index outside its exact limits, or NoSignal
	SignalSteady int     // first index outside the asymptotic limits, or NoSignal
}

// EWMA charts z_t = lambda x_t + (1-lambda) z_{t-1}, z_0 = target, against
// target -+ width sigma sqrt(lambda/(2-lambda) (1-(1-lambda)^(2t))), whose
// last factor goes to 1. sigma is the standard deviation of one value, known
// from earlier data; values are taken as independent. Usual: lambda 0.2 to
// 0.3, width 3.
//
// Source: NIST e-Handbook 6.3.2.4; Roberts, Technometrics 1 (1959) 239. It is
// an error if data is empty or holds NaN or infinity, target is not finite,
// sigma or width not finite and above 0, or lambda not in (0, 1].
func EWMA(data []float64, target, sigma, lambda, width float64) (EWMAChart, error) {
	if err := firstError(checkData("data", data, 1), checkFinite("target", target),
		checkPositive("sigma", sigma), checkPositive("width", width)); err != nil {
		return EWMAChart{}, err
	}
	if !(lambda > 0 && lambda <= 1) {
		return EWMAChart{}, fmt.Errorf("stats: lambda is %v; expected more than 0 and at most 1", lambda)
	}
	half := width * sigma * math.Sqrt(lambda/(2-lambda))
	c := EWMAChart{Lower: target - half, Upper: target + half, Signal: NoSignal, SignalSteady: NoSignal}
	z := target
	for i, x := range data {
		z = lambda*x + (1-lambda)*z
		h := half * math.Sqrt(1-math.Pow(1-lambda, 2*float64(i+1)))
		c.Points = append(c.Points, EWMAPoint{Z: z, Lower: target - h, Upper: target + h})
		if c.Signal == NoSignal && math.Abs(z-target) > h {
			c.Signal = i
		}
		if c.SignalSteady == NoSignal && math.Abs(z-target) > half {
			c.SignalSteady = i
		}
	}
	return c, nil
}

// CUSUMPoint holds both sums after one value; neither is below 0.
type CUSUMPoint struct{ High, Low float64 }

// CUSUMChart is a tabular CUSUM, in the unit of the data.
type CUSUMChart struct {
	Points []CUSUMPoint
	Signal int  // first index at which a sum exceeds h, or NoSignal
	Up     bool // the signal is of a rise
	Change int  // estimated first index at the new level, or NoSignal
}

// CUSUM sums what lies beyond the allowance k above and below target:
// High = max(0, High + x - target - k), Low = max(0, Low + target - k - x),
// and signals when a sum exceeds h; k and h are in the unit of the data (usual:
// half the shift that matters, and 4 to 5 standard deviations). The change is
// taken to begin after the signalling sum was last 0. Values are taken as
// independent.
//
// Source: NIST e-Handbook 6.3.2.3; Page, Biometrika 41 (1954) 100; change
// point: Montgomery, Introduction to Statistical Quality Control (from
// memory). It is an error if data is empty or holds NaN or infinity, target is
// not finite, k below 0 or not finite, or h not finite and above 0.
func CUSUM(data []float64, target, k, h float64) (CUSUMChart, error) {
	if err := firstError(checkData("data", data, 1), checkFinite("target", target),
		checkFinite("k", k), checkPositive("h", h)); err != nil {
		return CUSUMChart{}, err
	}
	if k < 0 {
		return CUSUMChart{}, fmt.Errorf("stats: k is %v; expected at least 0", k)
	}
	c := CUSUMChart{Signal: NoSignal, Change: NoSignal}
	var sum CUSUMPoint
	var highFrom, lowFrom int // first index since each sum was 0
	for i, x := range data {
		sum.High = math.Max(0, sum.High+(x-target)-k)
		sum.Low = math.Max(0, sum.Low+(target-x)-k)
		c.Points = append(c.Points, sum)
		if sum.High == 0 {
			highFrom = i + 1
		}
		if sum.Low == 0 {
			lowFrom = i + 1
		}
		if c.Signal == NoSignal && (sum.High > h || sum.Low > h) {
			c.Signal, c.Up, c.Change = i, sum.High > h, lowFrom
			if c.Up {
				c.Change = highFrom
			}
		}
	}
	return c, nil
}

// IndividualsChart is a chart of single values with limits from moving ranges,
// in the unit of the data.
type IndividualsChart struct {
	Centre, Lower, Upper float64
	MeanRange            float64 // mean of |x_i - x_{i-1}|
	RangeUpper           float64 // upper limit for one moving range
	Sigma                float64 // MeanRange/d2
	Outside              []int   // indices of values outside the limits
	WideRanges           []int   // indices i with |x_i - x_{i-1}| above RangeUpper
}

// Constants for ranges of two values, rounded as in the tables (ISO 7870-2;
// NIST e-Handbook 6.3.2): d2 = 2/sqrt(pi), D4.
const (
	d2 = 1.128
	d4 = 3.267
)

// Individuals returns the chart of single values: mean -+ 3 MeanRange/1.128,
// and 3.267 MeanRange for the moving range. Autocorrelated values make the
// limits too narrow: look at Summary.Lag1.
//
// Source: NIST e-Handbook 6.3.2.2. It is an error if there are fewer than 2
// values, or one is NaN or infinite.
func Individuals(data []float64) (IndividualsChart, error) {
	if err := checkData("data", data, 2); err != nil {
		return IndividualsChart{}, err
	}
	s, err := Summarize(data)
	if err != nil {
		return IndividualsChart{}, fmt.Errorf("individuals chart: %w", err)
	}
	c := IndividualsChart{Centre: s.Mean}
	for i := 1; i < len(data); i++ {
		c.MeanRange += math.Abs(data[i]-data[i-1]) / float64(len(data)-1)
	}
	c.Sigma, c.RangeUpper = c.MeanRange/d2, d4*c.MeanRange
	c.Lower, c.Upper = c.Centre-3*c.Sigma, c.Centre+3*c.Sigma
	for i, x := range data {
		if x < c.Lower || x > c.Upper {
			c.Outside = append(c.Outside, i)
		}
		if i > 0 && math.Abs(x-data[i-1]) > c.RangeUpper {
			c.WideRanges = append(c.WideRanges, i)
		}
	}
	return c, nil
}
