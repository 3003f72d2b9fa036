package lot

import (
	"fmt"

	"drench/results/sampling"
)

// Do is what is to be done next.
type Do string

// What the inspection of a lot may need.
const (
	ToShow   Do = "show"   // the draw, which is still sealed
	ToTake   Do = "take"   // a unit from the lot, and its serial number
	ToTest   Do = "test"   // a device that has its serial number
	ToRetest Do = "retest" // a device whose run told nothing: with a reason
	ToStop   Do = "stop"   // it is decided before the end of the sample
	ToDecide Do = "decide"
	Nothing  Do = "nothing" // the lot is no longer open
)

// Step is the one thing to do next.
type Step struct {
	Do     Do     `json:"do"`
	Sample int    `json:"sample,omitempty"` // of ToTake, ToTest and ToRetest
	Unit   int    `json:"unit,omitempty"`   // its number in the lot
	Serial string `json:"serial,omitempty"` // of ToTest and ToRetest
	Run    int64  `json:"run,omitempty"`    // of ToRetest: the one that told nothing
	Says   string `json:"says"`             // in words
}

// Next is what the inspection needs next: a device that has its serial number
// is tested before another is taken, and units are taken in the order of the
// sample.
func (l *Lot) Next() (Step, error) {
	if l.Decision != Open {
		return Step{Do: Nothing, Says: fmt.Sprintf("the lot is %s", l.Decision)}, nil
	}
	if l.Draw == nil {
		return Step{Do: ToShow, Says: "show the draw, which the seal holds to"}, nil
	}
	s, err := l.Standing()
	switch {
	case err != nil:
		return Step{}, err
	case l.Stopped != "" || s.Outcome != sampling.Continue && !s.Early:
		return Step{Do: ToDecide, Says: "decide: " + s.Because}, nil
	case s.Early:
		return Step{Do: ToStop, Says: "stop, then decide: " + s.Because}, nil
	}
	var first Step
	for i := range l.Units {
		step := l.Units[i].next()
		if step.Do == ToTest || step.Do == ToRetest {
			return step, nil
		}
		if first.Do == "" {
			first = step
		}
	}
	return first, nil
}

// next is what a unit of the sample needs; its Do is "" when it is tested.
func (u *Unit) next() Step {
	step := Step{Sample: u.Sample, Unit: u.Unit, Serial: u.Serial, Says: u.asks()}
	r := u.standing()
	switch {
	case u.Serial == "":
		step.Do = ToTake
	case r == nil:
		step.Do = ToTest
	case ClassOf(r.Verdict) == Neither:
		step.Do, step.Run = ToRetest, r.Run
	default:
		return Step{}
	}
	return step
}

// Curve is the operating characteristic: the chance of acceptance at so many
// qualities from 0 up to where it is small, evenly spaced.
func (l *Lot) Curve(points int) ([]Risk, error) {
	if points < 2 {
		return nil, fmt.Errorf("draw the operating characteristic: %d points; expected 2 or more", points)
	}
	end, err := l.worst()
	if err != nil {
		return nil, fmt.Errorf("draw the operating characteristic: %w", err)
	}
	list := make([]Risk, points)
	for i := range list {
		q := end * float64(i) / float64(points-1)
		pa, err := l.accepts(q)
		if err != nil {
			return nil, fmt.Errorf("draw the operating characteristic: %w", err)
		}
		list[i] = Risk{q, pa}
	}
	return list, nil
}

// worst is a quality that is hardly accepted any more.
func (l *Lot) worst() (float64, error) {
	if l.Mode == Sequential {
		return min(1, 1.6*l.Sequential.P1), nil
	}
	if l.Plan.Re > l.Plan.N {
		return 1, nil // every quality is accepted
	}
	return l.Plan.QualityAt(sampling.Binomial, 0.01)
}

// accepts is the chance that a lot from a process of that quality is accepted.
func (l *Lot) accepts(quality float64) (float64, error) {
	if l.Mode != Sequential {
		return l.Plan.OC(sampling.Binomial, quality)
	}
	plan, err := l.Sequential.Plan()
	if err != nil {
		return 0, err
	}
	p, err := plan.Exact(quality)
	return p.Accept, err
}
