// Package uncertainty evaluates measurement uncertainty and what it means for
// a verdict: budgets and expanded uncertainty (JCGM 100:2008, the GUM),
// propagation by Monte Carlo (JCGM 101:2008), conformance probability, guard
// bands and risks (JCGM 106:2012, ISO 14253-1), and gauge repeatability and
// reproducibility.
//
// Numbers have the unit of the quantity measured, whatever that is; the doc
// of each field says which.
package uncertainty

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Component is one line of an uncertainty budget.
type Component struct {
	Name        string
	U           float64 // standard uncertainty of the input, in its own unit
	Sensitivity float64 // ∂f/∂x, measurand unit per input unit; 1 in a plain sum
	DOF         float64 // degrees of freedom of U; +Inf when U is taken as exact
}

// contribution is c u, signed.
func (c Component) contribution() float64 { return c.Sensitivity * c.U }

func (c Component) check() error {
	switch {
	case c.Name == "":
		return errors.New("name is empty: want a name of its own")
	case !(c.U >= 0) || math.IsInf(c.U, 0):
		return fmt.Errorf("u is %v: want a finite standard uncertainty, 0 or more", c.U)
	case c.Sensitivity == 0 || math.IsNaN(c.Sensitivity) || math.IsInf(c.Sensitivity, 0):
		return fmt.Errorf("sensitivity is %v: want a finite number other than 0 (1 in a plain sum)", c.Sensitivity)
	case !(c.DOF > 0):
		return fmt.Errorf("dof is %v: want more than 0, +Inf when u is taken as exact", c.DOF)
	}
	return nil
}

// A Correlation is the correlation coefficient R of two components, by name.
type Correlation struct {
	A, B string
	R    float64 // -1..1
}

// A Combined is a combined standard uncertainty.
type Combined struct {
	U             float64            // u_c, in the unit of the measurand
	Contributions map[string]float64 // |c u| by component, same unit

	inverseDOF float64 // Σ (c u/u_c)⁴/ν
	undefined  string  // correlated component of finite dof, if any
}

// Combine returns the combined standard uncertainty by the law of
// propagation, u_c² = Σ Σ c_i u_i c_j u_j r_ij (JCGM 100 eq. 10 and 16), for a
// model that is linear enough over the uncertainties. Components without a
// correlation given are taken as independent.
//
// It returns an error naming the component or correlation that is out of
// range, given twice or unknown, or saying that the correlations contradict
// each other.
func Combine(components []Component, correlations ...Correlation) (Combined, error) {
	index := map[string]int{}
	for i, c := range components {
		if err := c.check(); err != nil {
			return Combined{}, fmt.Errorf("combine uncertainties: component %d %q: %w", i, c.Name, err)
		}
		if _, twice := index[c.Name]; twice {
			return Combined{}, fmt.Errorf("combine uncertainties: component %d %q: name is taken: want a name of its own", i, c.Name)
		}
		index[c.Name] = i
	}
	if len(components) == 0 {
		return Combined{}, errors.New("combine uncertainties: n is 0 components: want 1 or more")
	}
	r, err := correlationMatrix(index, correlations)
	if err != nil {
		return Combined{}, fmt.Errorf("combine uncertainties: %w", err)
	}
	return combine(components, r), nil
}

func combine(components []Component, r *mat.SymDense) Combined {
	x := mat.NewVecDense(len(components), nil)
	out := Combined{Contributions: map[string]float64{}}
	for i, c := range components {
		x.SetVec(i, c.contribution())
		out.Contributions[c.Name] = math.Abs(c.contribution())
	}
	out.U = math.Sqrt(max(0, mat.Inner(x, r, x)))
	for i, c := range components {
		switch {
		case math.IsInf(c.DOF, 1) || c.U == 0:
		case correlated(r, i):
			out.undefined = c.Name
		default:
			out.inverseDOF += math.Pow(c.contribution()/out.U, 4) / c.DOF
		}
	}
	return out
}

func correlated(r *mat.SymDense, i int) bool {
	for j := range r.SymmetricDim() {
		if j != i && r.At(i, j) != 0 {
			return true
		}
	}
	return false
}

// indefinite is how far below 0 rounding may take the least eigenvalue of a
// correlation matrix.
const indefinite = 1e-9

func correlationMatrix(index map[string]int, correlations []Correlation) (*mat.SymDense, error) {
	n := len(index)
	r := mat.NewSymDense(n, nil)
	for i := range n {
		r.SetSym(i, i, 1)
	}
	given := map[[2]int]bool{}
	for _, c := range correlations {
		i, okA := index[c.A]
		j, okB := index[c.B]
		pair := [2]int{min(i, j), max(i, j)}
		switch {
		case !okA || !okB || i == j:
			return nil, fmt.Errorf("correlation of %q and %q: want the names of two components", c.A, c.B)
		case !(c.R >= -1 && c.R <= 1):
			return nil, fmt.Errorf("correlation of %q and %q: r is %v: want -1 to 1", c.A, c.B, c.R)
		case given[pair]:
			return nil, fmt.Errorf("correlation of %q and %q is given twice", c.A, c.B)
		}
		given[pair] = true
		r.SetSym(i, j, c.R)
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(r, false) {
		return nil, errors.New("eigenvalues of the correlation matrix were not found")
	}
	if least := eigen.Values(nil)[0]; least < -indefinite {
		return nil, fmt.Errorf("correlations contradict each other: their matrix has an eigenvalue %.3g: want none below 0", least)
	}
	return r, nil
}

// EffectiveDOF returns the effective degrees of freedom by Welch and
// Satterthwaite, u_c⁴/Σ((c u)⁴/ν) (JCGM 100 eq. G.2b), +Inf when every
// component is taken as exact. The formula is for independent components: it
// returns an error when one of finite degrees of freedom is correlated.
func (c Combined) EffectiveDOF() (float64, error) {
	if c.undefined != "" {
		return 0, fmt.Errorf("effective degrees of freedom: component %q is correlated and has a finite dof: "+
			"the Welch-Satterthwaite formula does not hold; propagate by Monte Carlo, or take its dof as infinite", c.undefined)
	}
	return 1 / c.inverseDOF, nil
}

// An Expanded is an expanded uncertainty U = K u_c.
type Expanded struct {
	U     float64 // unit of the measurand
	K     float64 // coverage factor
	DOF   float64 // what K was looked up at: whole, or +Inf
	Level float64 // coverage probability
}

// MarshalJSON writes infinite degrees of freedom as null, as JSON has no
// infinity.
func (e Expanded) MarshalJSON() ([]byte, error) {
	return json.Marshal(map[string]*float64{
		"u": &e.U, "k": &e.K, "dof": finite(e.DOF), "level": &e.Level,
	})
}

// Expand returns the expanded uncertainty for coverage probability level,
// with K from the t-distribution (JCGM 100 G.4.1). The effective degrees of
// freedom are rounded to 0.01 and then cut to a whole number: plain cutting
// would make 18 of the 18.999 that the example of G.4.1 prints as 19.0.
//
// It returns an error for a level outside (0, 1), for fewer than one degree of
// freedom, and those of EffectiveDOF.
func (c Combined) Expand(level float64) (Expanded, error) {
	if !(level > 0 && level < 1) {
		return Expanded{}, fmt.Errorf("expanded uncertainty: level is %v: want 0 < level < 1", level)
	}
	dof, err := c.EffectiveDOF()
	if err != nil {
		return Expanded{}, fmt.Errorf("expanded uncertainty: %w", err)
	}
	whole := math.Floor(math.Round(dof*100) / 100)
	if whole < 1 {
		return Expanded{}, fmt.Errorf("expanded uncertainty: effective dof is %.3g: want 1 or more", dof)
	}
	k := distuv.UnitNormal.Quantile((1 + level) / 2)
	if !math.IsInf(whole, 1) {
		k = distuv.StudentsT{Sigma: 1, Nu: whole}.Quantile((1 + level) / 2)
	}
	return Expanded{U: k * c.U, K: k, DOF: whole, Level: level}, nil
}
