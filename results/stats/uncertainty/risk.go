package uncertainty

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Process is what is known of items before they are measured: a normal
// distribution, in the unit of the measurand.
type Process struct {
	Mean, SD float64
}

// A Risk is the chance of a wrong decision on an item drawn at random.
type Risk struct {
	Consumer float64 // that it does not conform and is accepted
	Producer float64 // that it conforms and is rejected
}

// GlobalRisk returns the risks of accepting items by measured value within the
// acceptance interval when the measurement has standard uncertainty u (JCGM
// 106 9.5.2, from memory): both distributions normal, the integral over the
// true value by Gauss-Legendre quadrature, good to about 1e-10.
//
// It returns an error for a process, u or interval out of range.
func GlobalRisk(items Process, u float64, t, acceptance Tolerance) (Risk, error) {
	if err := errors.Join(t.check(), checkReading(items.Mean, u)); err != nil {
		return Risk{}, fmt.Errorf("global risk: %w", err)
	}
	if err := acceptance.check(); err != nil {
		return Risk{}, fmt.Errorf("global risk: acceptance interval: %w", err)
	}
	if !(items.SD > 0) || math.IsInf(items.SD, 0) {
		return Risk{}, fmt.Errorf("global risk: process sd is %v: want a finite number above 0", items.SD)
	}
	var risk Risk
	prior := distuv.Normal{Mu: items.Mean, Sigma: items.SD}
	points := breakpoints(items, u, t, acceptance)
	for i := 1; i < len(points); i++ {
		lo, hi := points[i-1], points[i]
		conforms := t.Lower <= lo && hi <= t.Upper
		sum := quad.Fixed(func(x float64) float64 {
			accepted := acceptance.mass(x, u)
			if conforms {
				accepted = 1 - accepted
			}
			return prior.Prob(x) * accepted
		}, lo, hi, nodes, quad.Legendre{}, 0)
		if conforms {
			risk.Producer += sum
		} else {
			risk.Consumer += sum
		}
	}
	return risk, nil
}

const (
	nodes = 24
	// reach is how many standard deviations of the process are integrated.
	reach = 9
)

// breakpoints cuts the range of true values where the integrand jumps (the
// tolerance limits) and into pieces no longer than the scale it varies on: the
// process' sd, and u near the limits of acceptance.
func breakpoints(items Process, u float64, t, acceptance Tolerance) []float64 {
	lo, hi := items.Mean-reach*items.SD, items.Mean+reach*items.SD
	points := []float64{lo, hi}
	add := func(x float64) {
		if lo < x && x < hi {
			points = append(points, x)
		}
	}
	for k := 1 - reach; k < reach; k++ {
		add(items.Mean + float64(k)*items.SD)
	}
	for _, limit := range []float64{t.Lower, t.Upper} {
		add(limit)
	}
	for _, limit := range []float64{acceptance.Lower, acceptance.Upper} {
		for k := -reach; k <= reach; k++ {
			add(limit + float64(k)*u)
		}
	}
	slices.Sort(points)
	return slices.Compact(points)
}
