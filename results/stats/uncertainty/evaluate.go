package uncertainty

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
)

// TypeA returns the standard uncertainty of the mean of independent readings,
// s/√n, and its degrees of freedom n-1 (JCGM 100 eq. 5). u has the unit of the
// readings. It returns an error for fewer than two readings or one that is
// not finite.
func TypeA(readings []float64) (u, dof float64, err error) {
	if len(readings) < 2 {
		return 0, 0, fmt.Errorf("type A evaluation: n is %d readings: want 2 or more", len(readings))
	}
	for i, x := range readings {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return 0, 0, fmt.Errorf("type A evaluation: reading %d is %v: want a finite number", i, x)
		}
	}
	n := float64(len(readings))
	return stat.StdDev(readings, nil) / math.Sqrt(n), n - 1, nil
}

// Shape is the distribution a Type B evaluation assigns to a quantity known
// only to lie within ± a of its estimate.
type Shape int

const (
	// Rectangular: every value within the bounds equally likely; u = a/√3.
	Rectangular Shape = iota
	// Triangular: values near the middle more likely; u = a/√6.
	Triangular
	// Arcsine: a sinusoid of amplitude a at a random phase; u = a/√2.
	Arcsine
)

var divisors = [...]float64{Rectangular: 3, Triangular: 6, Arcsine: 2}

// TypeB returns the standard uncertainty of a quantity bounded within
// ± halfWidth, in its unit (JCGM 100 eq. 7 and 9b; JCGM 101 6.4.6 for the
// arcsine). Its degrees of freedom are infinite, or ReliabilityDOF when the
// bounds are a guess. It returns an error for a half-width that is negative or
// not finite.
func TypeB(shape Shape, halfWidth float64) (float64, error) {
	if shape < 0 || int(shape) >= len(divisors) {
		return 0, fmt.Errorf("type B evaluation: shape is %d: want Rectangular, Triangular or Arcsine", int(shape))
	}
	if !(halfWidth >= 0) || math.IsInf(halfWidth, 0) {
		return 0, fmt.Errorf("type B evaluation: half-width is %v: want a finite number, 0 or more", halfWidth)
	}
	return halfWidth / math.Sqrt(divisors[shape]), nil
}

// ReliabilityDOF returns the degrees of freedom of a Type B uncertainty that is
// itself thought good to the relative amount given (0.25 for 25 %):
// ½ relative⁻² (JCGM 100 eq. G.3). It returns an error unless 0 < relative.
func ReliabilityDOF(relative float64) (float64, error) {
	if !(relative > 0) || math.IsInf(relative, 0) {
		return 0, fmt.Errorf("degrees of freedom: relative uncertainty of u is %v: want a finite number above 0", relative)
	}
	return 1 / (2 * relative * relative), nil
}
