package dose

import (
	"errors"
	"math"
)

const (
	maxDoublings = 100
	maxRootSteps = 200
	rootPrecise  = 1e-13 // of the distance searched
)

var errNoBound = errors.New("no crossing was found")

// bracketed finds the crossing of f, positive at start, by doubling the step
// until f is negative and then Chandrupatla's method (Adv. Eng. Software 28
// (1997) 145): inverse quadratic interpolation where it is safe, else halving.
func bracketed(f func(float64) (float64, error), start, step float64) (float64, error) {
	near, far := start, start+step
	fNear, err := f(near)
	if err != nil {
		return 0, err
	}
	fFar, err := f(far)
	for range maxDoublings {
		if err != nil || fFar < 0 {
			break
		}
		near, fNear = far, fFar
		step *= 2
		far = start + step
		fFar, err = f(far)
	}
	switch {
	case err != nil:
		return 0, err
	case !(fNear >= 0 && fFar < 0):
		return 0, errNoBound
	}
	return chandrupatla(f, near, fNear, far, fFar, rootPrecise*math.Abs(step))
}

// chandrupatla finds the zero of f between a and b, where it has fa and fb of
// opposite signs, to within tol.
func chandrupatla(f func(float64) (float64, error), a, fa, b, fb, tol float64) (float64, error) {
	t := 0.5
	for range maxRootSteps {
		x := a + t*(b-a)
		fx, err := f(x)
		if err != nil {
			return 0, err
		}
		c, fc := a, fa
		if (fx > 0) != (fa > 0) {
			c, fc, b, fb = b, fb, a, fa
		}
		a, fa = x, fx
		best := a
		if math.Abs(fb) < math.Abs(fa) {
			best = b
		}
		edge := tol / math.Abs(b-a)
		if edge > 0.5 || fa == 0 {
			return best, nil
		}
		xi, phi := (a-b)/(c-b), (fa-fb)/(fc-fb)
		t = 0.5
		if phi*phi < xi && (1-phi)*(1-phi) < 1-xi {
			t = fa/(fb-fa)*fc/(fb-fc) + (c-a)/(b-a)*fa/(fc-fa)*fb/(fc-fb)
		}
		t = min(max(t, edge), 1-edge)
	}
	return 0, errNoBound
}
