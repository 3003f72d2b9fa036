// Package budget shows where the uncertainty of a bench's numbers comes from:
// a budget for each measure, after JCGM 100 (GUM), checked by Monte Carlo after
// JCGM 101.
package budget

import (
	"fmt"
	"math"
	"math/rand/v2"

	"drench/results/stats/uncertainty"
	"drench/rig"
)

// Input is a quantity that a measure is computed from.
type Input struct {
	Name  string   `json:"name"`
	Unit  rig.Unit `json:"unit"`
	Value float64  `json:"value"` // in Unit's nano multiple; 0 where only its scatter matters
	U     float64  `json:"u"`     // standard uncertainty, likewise
	From  string   `json:"from"`  // key of the calibration
}

// Line is an input's part in the whole.
type Line struct {
	Input
	Sensitivity float64 `json:"sensitivity"` // of the measure to the input, per nano multiple
	Part        float64 `json:"part"`        // |sensitivity × u|, in the measure's nano multiple
	Share       float64 `json:"share"`       // of the variance, 0 to 1
}

// Budget is the uncertainty of one measure.
type Budget struct {
	Measure string   `json:"measure"`
	How     string   `json:"how"`   // the source of its instants, or what it was evaluated at
	Model   string   `json:"model"` // as a formula
	Unit    rig.Unit `json:"unit"`
	Value   float64  `json:"value,omitempty"` // at which it was evaluated
	Lines   []Line   `json:"lines"`
	U       float64  `json:"u"`        // combined standard uncertainty
	Wide    float64  `json:"expanded"` // U times K, 95 %
	K       float64  `json:"k"`
	// MonteCarlo is the standard uncertainty by propagating distributions, and
	// Band their 95 % interval around the value; Agrees tells whether the
	// law of propagation is good to 5 %.
	MonteCarlo float64              `json:"monte_carlo_u"`
	Band       uncertainty.Interval `json:"monte_carlo_95"`
	Agrees     bool                 `json:"agrees"`
}

// trials of a Monte-Carlo check: JCGM 101 7.2.1 advises 10⁴/(1-p).
const trials = 200_000

// tolerance is how far the two ways may differ before the budget says so.
const tolerance = 0.05

// evaluate fills in a budget from its inputs and its model.
func (b *Budget) evaluate(inputs []Input, model func(x []float64) float64) error {
	at := make([]float64, len(inputs))
	for i, in := range inputs {
		at[i] = in.Value
	}
	b.Value = model(at)
	var parts []uncertainty.Component
	for i, in := range inputs {
		l := Line{Input: in, Sensitivity: slope(model, at, i, in.U)}
		l.Part = math.Abs(l.Sensitivity * in.U)
		b.Lines = append(b.Lines, l)
		if l.Part > 0 {
			parts = append(parts, uncertainty.Component{Name: in.Name, U: in.U, Sensitivity: l.Sensitivity, DOF: math.Inf(1)})
		}
	}
	if len(parts) == 0 {
		return fmt.Errorf("budget of %s: no input has an uncertainty; give the rig file's calibration its u", b.Measure)
	}
	c, err := uncertainty.Combine(parts)
	if err != nil {
		return fmt.Errorf("budget of %s: %w", b.Measure, err)
	}
	wide, err := c.Expand(0.95)
	if err != nil {
		return fmt.Errorf("budget of %s: %w", b.Measure, err)
	}
	b.U, b.Wide, b.K = c.U, wide.U, wide.K
	for i, l := range b.Lines {
		b.Lines[i].Share = l.Part * l.Part / (c.U * c.U)
	}
	return b.check(inputs, at, model)
}

// check propagates the inputs' distributions, taken as normal.
func (b *Budget) check(inputs []Input, at []float64, model func([]float64) float64) error {
	x := make([]float64, len(at))
	s, err := uncertainty.Propagate(1, trials, func(rng *rand.Rand) float64 {
		for i, in := range inputs {
			x[i] = at[i] + in.U*rng.NormFloat64()
		}
		return model(x)
	})
	if err != nil {
		return fmt.Errorf("budget of %s: %w", b.Measure, err)
	}
	b.MonteCarlo = s.U
	if b.Band, err = s.Symmetric(0.95); err != nil {
		return fmt.Errorf("budget of %s: %w", b.Measure, err)
	}
	b.Agrees = math.Abs(s.U-b.U) <= tolerance*b.U
	return nil
}

// slope is ∂f/∂x over one standard uncertainty to each side (JCGM 100 5.1.3,
// note 2, does it so).
func slope(model func([]float64) float64, at []float64, i int, u float64) float64 {
	if u == 0 {
		return 0
	}
	x := append([]float64{}, at...)
	x[i] = at[i] + u
	high := model(x)
	x[i] = at[i] - u
	return (high - model(x)) / (2 * u)
}
