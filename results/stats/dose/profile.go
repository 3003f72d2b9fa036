package dose

import (
	"fmt"
	"math"
)

// LikelihoodRatio returns the interval of doses a for which the best curve
// through (a, q) loses no more than z²/2 of log-likelihood (penalised
// log-likelihood for a penalised fit) against the fit, z² being the
// chi-square quantile on one degree of freedom (MIL-HDBK-1823A appendix G;
// Cox & Hinkley, Theoretical Statistics, 9.3; both from memory). Curves
// are held to rise with the dose. An end is infinite when a curve of no slope
// at all fits well enough on that side. Errors are those of Delta, or that a
// profile did not converge.
func (f *Fit) LikelihoodRatio(q, level float64, side Side) (Interval, error) {
	z, err := side.deviate(level)
	if err != nil {
		return Interval{}, err
	}
	t, err := f.quantile(q)
	if err != nil {
		return Interval{}, err
	}
	a, err := f.Quantile(q)
	if err != nil {
		return Interval{}, err
	}
	s := doseSearch{
		fit: f, eta: f.Link.eta(q), target: f.at.value - z*z/2,
		start: t, step: z * a.SE / f.problem.scale,
	}
	if s.flat, err = f.flat(); err != nil {
		return Interval{}, err
	}
	i := Interval{math.Inf(-1), math.Inf(1)}
	if side != Upper {
		if i.Lower, err = s.bound(-1); err != nil {
			return Interval{}, fmt.Errorf("lower likelihood-ratio bound: %w", err)
		}
	}
	if side != Lower {
		if i.Upper, err = s.bound(1); err != nil {
			return Interval{}, fmt.Errorf("upper likelihood-ratio bound: %w", err)
		}
	}
	return Interval{f.problem.unscaled(i.Lower), f.problem.unscaled(i.Upper)}, nil
}

// flat is the best intercept of a curve without slope.
func (f *Fit) flat() (float64, error) {
	start := f.Link.eta(f.problem.pooled())
	s, _, err := f.problem.along(line{direction: vec{1, 0}, floor: math.Inf(-1)}, start)
	return s, err
}

func (p problem) pooled() float64 {
	n, hits := totals(p.groups)
	return float64(hits) / float64(n)
}

// doseSearch looks for the scaled doses where the profile meets the target.
type doseSearch struct {
	fit    *Fit
	eta    float64 // F⁻¹(q)
	target float64 // objective at the bound
	flat   float64 // best intercept without slope
	start  float64 // scaled estimate
	step   float64 // scaled first guess of the half-width
}

// bound is the end of the interval in the given direction, -1 or +1. As the
// dose goes to +Inf the curves through (a, q) go to the flat ones below q, and
// to those above q the other way; so that end is infinite exactly when one of
// those reaches the target.
func (s doseSearch) bound(direction float64) (float64, error) {
	intercept := direction * min(direction*s.flat, direction*s.eta)
	if s.fit.problem.at(vec{intercept, 0}).value >= s.target {
		return math.Inf(int(direction)), nil
	}
	return bracketed(s.excess, s.start, direction*s.step)
}

// excess is the profile at scaled dose t, less the target: the best of the
// rising curves through (t, q).
func (s doseSearch) excess(t float64) (float64, error) {
	rising := line{origin: vec{s.eta, 0}, direction: vec{-t, 1}, floor: 0}
	start, best := 0.0, math.Inf(-1)
	for _, slope := range []float64{0, s.fit.best[1], (s.eta - s.flat) / t} {
		if slope < 0 || math.IsInf(slope, 0) || math.IsNaN(slope) {
			continue
		}
		if v := s.fit.problem.at(rising.origin.plus(slope, rising.direction)).value; v > best {
			start, best = slope, v
		}
	}
	_, q, err := s.fit.problem.along(rising, start)
	return q.value - s.target, err
}

// ProfileSlope returns the profile likelihood interval for the slope (profile
// penalised likelihood for a penalised fit: Heinze & Schemper, Statist. Med.
// 21 (2002) 2409), per unit of dose. Errors name level or side, or say that a
// profile did not converge.
func (f *Fit) ProfileSlope(level float64, side Side) (Interval, error) {
	z, err := side.deviate(level)
	if err != nil {
		return Interval{}, err
	}
	intercept := f.best[0]
	excess := func(slope float64) (float64, error) {
		fixed := line{origin: vec{0, slope}, direction: vec{1, 0}, floor: math.Inf(-1)}
		s, q, err := f.problem.along(fixed, intercept)
		intercept = s
		return q.value - (f.at.value - z*z/2), err
	}
	step := z * math.Sqrt(f.at.info.inverse().m11)
	i := Interval{math.Inf(-1), math.Inf(1)}
	if side != Upper {
		if i.Lower, err = bracketed(excess, f.best[1], -step); err != nil {
			return Interval{}, fmt.Errorf("lower profile bound of the slope: %w", err)
		}
	}
	if side != Lower {
		intercept = f.best[0]
		if i.Upper, err = bracketed(excess, f.best[1], step); err != nil {
			return Interval{}, fmt.Errorf("upper profile bound of the slope: %w", err)
		}
	}
	return Interval{i.Lower / f.problem.scale, i.Upper / f.problem.scale}, nil
}
