package dose

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Side is which ends an interval has.
type Side int

const (
	// TwoSided: both ends, (1-level)/2 outside each.
	TwoSided Side = iota
	// Lower: a lower bound only, 1-level below it.
	Lower
	// Upper: an upper bound only, 1-level above it.
	Upper
)

// An Interval is a confidence interval. An end that does not exist, because
// it was not asked for or because the data do not bound the quantity on that
// side, is infinite.
type Interval struct {
	Lower, Upper float64
}

// MarshalJSON writes an infinite end as null, as JSON has no infinity.
func (i Interval) MarshalJSON() ([]byte, error) {
	finite := func(x float64) *float64 {
		if math.IsInf(x, 0) {
			return nil
		}
		return &x
	}
	return json.Marshal(map[string]*float64{"lower": finite(i.Lower), "upper": finite(i.Upper)})
}

// ErrSlope says that detection does not rise with the dose, so that no dose
// has a wanted POD in the sense of this package.
var ErrSlope = errors.New("detection does not rise with the dose")

// deviate is the normal quantile that the side and level stand for.
func (s Side) deviate(level float64) (float64, error) {
	switch {
	case s != TwoSided && s != Lower && s != Upper:
		return 0, fmt.Errorf("side is %d: want TwoSided, Lower or Upper", int(s))
	case !(level > 0 && level < 1):
		return 0, fmt.Errorf("level is %v: want 0 < level < 1", level)
	case s == TwoSided:
		return distuv.UnitNormal.Quantile((1 + level) / 2), nil
	case level <= 0.5:
		return 0, fmt.Errorf("level is %v: a one-sided bound wants 0.5 < level < 1", level)
	}
	return distuv.UnitNormal.Quantile(level), nil
}

// keep drops the end that the side does not have.
func (s Side) keep(i Interval) Interval {
	switch s {
	case Lower:
		i.Upper = math.Inf(1)
	case Upper:
		i.Lower = math.Inf(-1)
	}
	return i
}

// An Estimate is a value and its large-sample standard error.
type Estimate struct {
	Value, SE float64
}

// Quantile returns the dose with POD q, 0 < q < 1, and its standard error by
// the delta method, from the gradient (-1/b1, -a/b1). The error wraps
// ErrSlope when the fitted slope is not positive.
func (f *Fit) Quantile(q float64) (Estimate, error) {
	t, err := f.quantile(q)
	if err != nil {
		return Estimate{}, err
	}
	cov := f.at.info.inverse()
	se := math.Sqrt(cov.quad(vec{1, t})) / f.best[1]
	return Estimate{Value: f.problem.unscaled(t), SE: f.problem.scale * se}, nil
}

// quantile is the scaled dose with POD q.
func (f *Fit) quantile(q float64) (float64, error) {
	if !(q > 0 && q < 1) {
		return 0, fmt.Errorf("q is %v: want a POD 0 < q < 1", q)
	}
	if !(f.best[1] > 0) {
		return 0, fmt.Errorf("slope is %v per unit of dose: %w", f.Slope, ErrSlope)
	}
	return (f.Link.eta(q) - f.best[0]) / f.best[1], nil
}

// Delta returns the delta-method interval a ± z se for the dose with POD q.
// It is symmetric, which the truth is not: in small samples its upper end
// falls short. Errors are those of Quantile, or name level or side.
func (f *Fit) Delta(q, level float64, side Side) (Interval, error) {
	z, err := side.deviate(level)
	if err != nil {
		return Interval{}, err
	}
	a, err := f.Quantile(q)
	if err != nil {
		return Interval{}, err
	}
	return side.keep(Interval{a.Value - z*a.SE, a.Value + z*a.SE}), nil
}

// Fieller returns the interval of doses x at which b0 + b1 x does not differ
// from the wanted F⁻¹(q) by more than z of its standard errors: the roots of
// (b0 - eta + b1 x)² = z² (V00 + 2x V01 + x² V11) (Finney, Probit Analysis,
// 3rd ed. (1971) 4.6, from memory). Where the slope does not differ from 0 at
// that level the set is not bounded; the half of it that holds the estimate is
// returned, with an infinite end. Errors are those of Delta.
func (f *Fit) Fieller(q, level float64, side Side) (Interval, error) {
	z, err := side.deviate(level)
	if err != nil {
		return Interval{}, err
	}
	t, err := f.quantile(q)
	if err != nil {
		return Interval{}, err
	}
	cov := f.at.info.inverse()
	d := f.best[0] - f.Link.eta(q)
	i := quadraticSet(
		f.best[1]*f.best[1]-z*z*cov.m11,
		2*(d*f.best[1]-z*z*cov.m01),
		d*d-z*z*cov.m00,
		t)
	return side.keep(Interval{f.problem.unscaled(i.Lower), f.problem.unscaled(i.Upper)}), nil
}

// quadraticSet is the connected part, around t in it, of the set
// a x² + b x + c <= 0.
func quadraticSet(a, b, c, t float64) Interval {
	disc := b*b - 4*a*c
	if disc <= 0 {
		return Interval{math.Inf(-1), math.Inf(1)}
	}
	r := -(b + math.Copysign(math.Sqrt(disc), b)) / 2
	lo, hi := min(r/a, c/r), max(r/a, c/r)
	switch {
	case t >= hi:
		return Interval{hi, math.Inf(1)}
	case t <= lo:
		return Interval{math.Inf(-1), lo}
	}
	return Interval{lo, hi}
}

// A9095 returns a90/95: the one-sided 95 % upper confidence bound on the dose
// with POD 0.9, by likelihood ratio as MIL-HDBK-1823A has it for hit/miss
// data. It is +Inf when the data set no upper bound. The error wraps ErrSlope
// when the fitted slope is not positive.
//
// In simulation it covers 0.92 to 0.95 with 60 trials at six doses, and no
// more with 180 (TestCoverage); Fieller's upper bound is the longer and safer
// one in small samples.
func (f *Fit) A9095() (float64, error) {
	i, err := f.LikelihoodRatio(0.9, 0.95, Upper)
	return i.Upper, err
}
