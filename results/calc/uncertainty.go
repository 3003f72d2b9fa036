package calc

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"drench/results/stats/uncertainty"
)

// shapes are what a quantity known within bounds is taken to be.
var shapes = []struct {
	name  string
	shape uncertainty.Shape
}{{"rectangular", uncertainty.Rectangular}, {"triangular", uncertainty.Triangular}, {"arcsine", uncertainty.Arcsine}}

func shapeNamed(name string) (uncertainty.Shape, bool) {
	for _, s := range shapes {
		if s.name == name {
			return s.shape, true
		}
	}
	return 0, false
}

func shapeNames() []string {
	var names []string
	for _, s := range shapes {
		names = append(names, s.name)
	}
	return names
}

var levelParam = Param{Name: "level", Kind: Probability, Default: "0.95", About: "coverage probability"}

// uncertainties is about how well a value is known.
func uncertainties() []Entry {
	const subject = "measurement uncertainty"
	nameParam := Param{Name: "name", Kind: LabelColumn, Default: None, About: "name of each component; 1, 2, ... if left out"}
	sensitivity := Param{Name: "sensitivity", Kind: Column, Default: None, About: "what the result changes by per unit of each; 1 if left out"}
	return []Entry{{
		Name: "type-a", Subject: subject, Also: []string{"standard-error"},
		About:   "standard uncertainty of the mean of readings",
		Source:  "JCGM 100:2008 eq. 5",
		Params:  []Param{valuesParam},
		Example: "--values 10.1,10.3,9.9,10.1",
		Run: func(a Args) (r Result, err error) {
			u, dof, err := uncertainty.TypeA(a.Column("values"))
			r.set("u", u)
			r.set("dof", dof)
			return r, err
		},
	}, {
		Name: "type-b", Subject: subject,
		About:  "standard uncertainty of a quantity known within bounds",
		Source: "JCGM 100:2008 eq. 7 and 9b; JCGM 101:2008 6.4.6 for the arcsine",
		Params: []Param{
			{Name: "half-width", Kind: Number, About: "half the distance between the bounds"},
			{Name: "shape", Kind: Choice, Default: "rectangular", Choices: shapeNames(), About: "which values are likely"}},
		Example: "--half-width 0.5",
		Run: func(a Args) (r Result, err error) {
			shape, _ := shapeNamed(a.Choice("shape"))
			u, err := uncertainty.TypeB(shape, a.Number("half-width"))
			r.set("u", u)
			return r, err
		},
	}, {
		Name: "type-b-dof", Subject: subject, Also: []string{"reliability-dof"},
		About:   "degrees of freedom of an uncertainty that is a guess itself",
		Source:  "JCGM 100:2008 eq. G.3",
		Params:  []Param{{Name: "relative", Kind: Number, About: "how uncertain the uncertainty is; 0.25 for 25 %"}},
		Example: "--relative 0.25",
		Run: func(a Args) (r Result, err error) {
			dof, err := uncertainty.ReliabilityDOF(a.Number("relative"))
			r.set("dof", dof)
			return r, err
		},
	}, {
		Name: "budget", Subject: subject, Also: []string{"gum", "combined-uncertainty", "welch-satterthwaite", "expanded-uncertainty"},
		About:  "combined and expanded uncertainty of a budget",
		Source: "JCGM 100:2008 eq. 10, 16, G.2b and G.4.1",
		Params: []Param{nameParam,
			{Name: "u", Kind: Column, About: "standard uncertainty of each component"},
			sensitivity,
			{Name: "dof", Kind: Column, Default: None, About: "degrees of freedom of each; 0, or left out: taken as exact"},
			levelParam,
			{Name: "first", Kind: LabelColumn, Default: None, Rows: "correlations", About: "of each correlation, the name of one component"},
			{Name: "second", Kind: LabelColumn, Default: None, Rows: "correlations", About: "and of the other"},
			{Name: "r", Kind: Column, Default: None, Rows: "correlations", About: "and its coefficient"}},
		Example: "--name length,drift,thermal --u 25,5.8,16.675 --dof 18,0,2",
		Run:     budget,
	}, {
		Name: "monte-carlo", Subject: subject, Also: []string{"propagate", "jcgm101"},
		About:  "distribution of a weighted sum of quantities, by simulation",
		Source: "JCGM 101:2008 7.2 to 7.7",
		Params: []Param{
			{Name: "value", Kind: Column, About: "best estimate of each quantity"},
			{Name: "u", Kind: Column, About: "its standard uncertainty"},
			{Name: "shape", Kind: LabelColumn, Default: None, About: "normal, rectangular, triangular or arcsine; normal if left out"},
			sensitivity, levelParam,
			{Name: "trials", Kind: Count, Default: "200000", Most: mostDraws, About: "draws"}, seedParam},
		Example: "--value 0,0,0,0 --u 1,1,1,1 --shape rectangular,rectangular,rectangular,rectangular",
		Run:     monteCarlo,
	}}
}

// orOne returns the column, or ones if it was left out.
func (a Args) orOne(name string, n int) []float64 {
	if a.Has(name) {
		return a.Column(name)
	}
	return slices.Repeat([]float64{1}, n)
}

func components(a Args) []uncertainty.Component {
	u, names := a.Column("u"), a.Labels("name")
	list := make([]uncertainty.Component, len(u))
	for i, c := range a.orOne("sensitivity", len(u)) {
		list[i] = uncertainty.Component{Name: fmt.Sprint(i + 1), U: u[i], Sensitivity: c, DOF: math.Inf(1)}
		if len(names) > 0 {
			list[i].Name = names[i]
		}
		if a.Has("dof") && a.Column("dof")[i] != 0 {
			list[i].DOF = a.Column("dof")[i]
		}
	}
	return list
}

func correlations(a Args) ([]uncertainty.Correlation, error) {
	first, second, r := a.Labels("first"), a.Labels("second"), a.Column("r")
	if len(first) != len(r) || len(second) != len(r) {
		return nil, errors.New("a correlation is half given; expected --first, --second and --r together")
	}
	list := make([]uncertainty.Correlation, len(r))
	for i := range r {
		list[i] = uncertainty.Correlation{A: first[i], B: second[i], R: r[i]}
	}
	return list, nil
}

func budget(a Args) (r Result, err error) {
	pairs, err := correlations(a)
	if err != nil {
		return r, err
	}
	parts := components(a)
	c, err := uncertainty.Combine(parts, pairs...)
	if err != nil {
		return r, err
	}
	r.set("u", c.U)
	g := Grid{Columns: []string{"component", "contribution"}}
	for _, p := range parts {
		g.Rows = append(g.Rows, []any{p.Name, c.Contributions[p.Name]})
	}
	defer func() { r.set("contributions", g) }()
	dof, err := c.EffectiveDOF()
	if err != nil {
		r.note("%v", err)
		return r, nil
	}
	r.set("effective dof", dof)
	e, err := c.Expand(a.Number("level"))
	r.set("dof used", e.DOF)
	r.set("k", e.K)
	r.set("U", e.U)
	return r, err
}

func monteCarlo(a Args) (r Result, err error) {
	value, u, labels := a.Column("value"), a.Column("u"), a.Labels("shape")
	draws := make([]func(*rand.Rand) float64, len(value))
	for i := range value {
		label := "normal"
		if len(labels) > 0 {
			label = labels[i]
		}
		if draws[i], err = standardised(label); err != nil {
			return r, err
		}
	}
	sensitivity := a.orOne("sensitivity", len(value))
	s, err := uncertainty.Propagate(uint64(a.Count("seed")), a.Count("trials"), func(rng *rand.Rand) float64 {
		sum := 0.0
		for i, draw := range draws {
			sum += sensitivity[i] * (value[i] + u[i]*draw(rng))
		}
		return sum
	})
	if err != nil {
		return r, err
	}
	level := a.Number("level")
	symmetric, err1 := s.Symmetric(level)
	shortest, err2 := s.Shortest(level)
	r.set("mean", s.Mean)
	r.set("u", s.U)
	r.set("symmetric lower", symmetric.Lower)
	r.set("symmetric upper", symmetric.Upper)
	r.set("shortest lower", shortest.Lower)
	r.set("shortest upper", shortest.Upper)
	return r, errors.Join(err1, err2)
}

// standardised returns a way to draw from a shape with mean 0 and standard
// deviation 1: within ± half a width that the shape's type B evaluation makes 1
// (JCGM 101:2008 6.4).
func standardised(label string) (func(*rand.Rand) float64, error) {
	if label == "normal" {
		return (*rand.Rand).NormFloat64, nil
	}
	shape, ok := shapeNamed(label)
	if !ok {
		return nil, fmt.Errorf("shape %q is unknown; expected normal, rectangular, triangular or arcsine", label)
	}
	unit, err := uncertainty.TypeB(shape, 1)
	if err != nil {
		return nil, err
	}
	draw := map[uncertainty.Shape]func(*rand.Rand) float64{
		uncertainty.Rectangular: func(r *rand.Rand) float64 { return 2*r.Float64() - 1 },
		uncertainty.Triangular:  func(r *rand.Rand) float64 { return r.Float64() - r.Float64() },
		uncertainty.Arcsine:     func(r *rand.Rand) float64 { return math.Sin(2 * math.Pi * r.Float64()) },
	}[shape]
	return func(r *rand.Rand) float64 { return draw(r) / unit }, nil
}
