package power

import (
	"context"
	"errors"
	"fmt"
	"math"

	"drench/rig"
)

// Shift asks how many trials a side a comparison of two nights takes to see a
// shift.
type Shift struct {
	Shift rig.Quantity // between the nights; its sign does not matter
	SD    rig.Quantity // standard deviation of one night
	Shape Shape        // Uniform or Normal
	Alpha float64      // two-sided level of the test
	Seed  uint64       // of the simulation
}

// Answer answers for the test of Mann and Whitney, by simulation: its rejection
// region is that of stats.MannWhitney, the nights are drawn from the shape. The
// chances have a standard error of 0.8 % or less, and sizes above 50 are found
// to within 2 %. The same seed gives the same answer. It is an error if a
// parameter is out of range, or ctx ends.
func (q Shift) Answer(ctx context.Context) (Answer, error) {
	if err := q.check(); err != nil {
		return Answer{}, err
	}
	s := simulation{
		shift: math.Abs(float64(q.Shift.N)) / float64(q.SD.N),
		shape: q.Shape, alpha: q.Alpha, seed: q.Seed, seen: map[int]float64{},
	}
	a := Answer{Unit: "trials a side", Least: float64(s.least())}
	for _, power := range powers() {
		n, err := s.smallest(ctx, power)
		if err != nil {
			return Answer{}, err
		}
		if n > 0 {
			a.Needed = append(a.Needed, Need{power, s.point(n)})
		}
	}
	a.Possible = len(a.Needed) > 0
	if err := s.curve(ctx, &a); err != nil {
		return Answer{}, err
	}
	a.Sentence = q.sentence(a)
	a.Assumes = []string{
		fmt.Sprintf("Values of a night are %s with a standard deviation of %s, alike on both but for the shift.", q.Shape, amount(q.SD)),
		fmt.Sprintf("The nights are compared by the rank test of Mann and Whitney, two-sided at %.3g %%.", 100*q.Alpha),
		fmt.Sprintf("Chances come from %d simulated pairs of nights and have a standard error of 0.8 %% or less.", nights),
	}
	return a, nil
}

func (q Shift) check() error {
	switch {
	case q.Shift.Unit != q.SD.Unit:
		return errors.New("shift and standard deviation have different units; expected the same")
	case q.Shift.N == 0:
		return errors.New("shift is 0; expected another")
	case q.SD.N <= 0:
		return fmt.Errorf("standard deviation is %s; expected one above 0", amount(q.SD))
	case q.Shape != Uniform && q.Shape != Normal:
		return fmt.Errorf("shape is %q; expected %s or %s", q.Shape, Uniform, Normal)
	case !(q.Alpha > 0 && q.Alpha < 0.5):
		return fmt.Errorf("alpha is %v; expected a share above 0 and below 0.5", q.Alpha)
	}
	return nil
}

func (q Shift) sentence(a Answer) string {
	what := "To see a shift of " + amount(q.Shift)
	if !a.Possible {
		return fmt.Sprintf("%s takes more than %d trials a side.", what, mostASide)
	}
	first, last := a.Needed[0], a.Needed[len(a.Needed)-1]
	s := fmt.Sprintf("%s, run %s: %s of such comparisons see it.", what, a.sized(last.Size), percent(last.Pass))
	if first.Size < last.Size {
		s += fmt.Sprintf(" With %s it is %s.", a.sized(first.Size), percent(first.Pass))
	}
	return s
}

// amount prints a difference: one of temperatures is in kelvin.
func amount(q rig.Quantity) string {
	if q.Unit == rig.Kelvin {
		return rig.Significant(float64(q.N)/1e9, 4) + " K"
	}
	return q.String()
}
