package stats

import (
	"fmt"
	"math"
)

// root returns the x at which f, rising with x, is 0. It widens a bracket from
// start and narrows it by regula falsi with the Illinois step (Dowell and
// Jarratt, BIT 11 (1971) 168), to a few units of the last place. gonum keeps
// its scalar root finders to itself.
func root(f func(float64) float64, start float64) (float64, error) {
	a, b, fa, fb, err := bracket(f, start)
	if err != nil {
		return 0, err
	}
	for range 200 {
		if fa == 0 || math.Abs(b-a) <= 4e-16*(math.Abs(a)+math.Abs(b)) {
			return a, nil
		}
		if fb == 0 {
			return b, nil
		}
		x := (a*fb - b*fa) / (fb - fa)
		if !(x > math.Min(a, b) && x < math.Max(a, b)) {
			x = a + (b-a)/2
		}
		fx := f(x)
		if fx*fb <= 0 {
			a, fa = b, fb
		} else {
			fa /= 2
		}
		b, fb = x, fx
	}
	return b, nil
}

// bracket finds a < b with f(a) <= 0 <= f(b).
func bracket(f func(float64) float64, start float64) (a, b, fa, fb float64, err error) {
	a, b = start, start
	fa, fb = f(start), f(start)
	step := 0.1 + 0.1*math.Abs(start)
	for range 100 {
		if fa <= 0 && fb >= 0 {
			return a, b, fa, fb, nil
		}
		if fa > 0 {
			b, fb = a, fa
			a -= step
			fa = f(a)
		} else {
			a, fa = b, fb
			b += step
			fb = f(b)
		}
		step *= 2
	}
	return 0, 0, 0, 0, fmt.Errorf("stats: no root found around %v", start)
}
