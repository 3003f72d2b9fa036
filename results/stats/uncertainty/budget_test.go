package uncertainty

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

func plain(name string, u, dof float64) Component {
	return Component{Name: name, U: u, Sensitivity: 1, DOF: dof}
}

// JCGM 100:2008 H.1, end gauge, in nm (inputs read in a public test file that
// quotes the annex; values computed in R 4.2.2, printed ones beside them).
func TestCombineEndGauge(t *testing.T) {
	c, err := Combine([]Component{
		plain("calibration of the standard", 25, 18),
		plain("repeated observations", 5.8, 24),
		plain("random effects of the comparator", 3.9, 5),
		plain("systematic effects of the comparator", 6.7, 8),
		plain("difference in expansion coefficients", 2.9, 50),
		// 0.029 K times 11.5e-6/K times 50 mm
		{Name: "difference in temperature", U: 0.029, Sensitivity: 11.5e-6 * 50e6, DOF: 2},
	})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "contribution of temperature", c.Contributions["difference in temperature"], 16.675, 1e-9)
	near(t, "u_c", c.U, 31.7049779215, 1e-9)
	printed(t, "u_c", c.U, 32, 1)
	dof, err := c.EffectiveDOF()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "nu_eff", dof, 16.6449010297, 1e-9)
	for _, want := range []struct{ level, k float64 }{{0.99, 2.920781622}, {0.95, 2.119905299}} {
		e, err := c.Expand(want.level)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "k", e.K, want.k, 1e-9)
		near(t, "U", e.U, want.k*31.7049779215, 1e-9)
		if e.DOF != 16 || e.Level != want.level {
			t.Errorf("dof %v at level %v, want 16 at %v", e.DOF, e.Level, want.level)
		}
	}
	e, err := c.Expand(0.99)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "U99", e.U, 92.6033, 1e-6)
	printed(t, "U99", e.U, 93, 1)
}

// JCGM 100:2008 G.4.1 example, relative uncertainties in percent (from memory;
// computed in R 4.2.2).
func TestCombineProduct(t *testing.T) {
	c, err := Combine([]Component{plain("X1", 0.25, 9), plain("X2", 0.57, 4), plain("X3", 0.82, 14)})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u_c", c.U, 1.02946588093, 1e-9)
	printed(t, "u_c", c.U, 1.03, 0.01)
	dof, err := c.EffectiveDOF()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "nu_eff", dof, 18.9987423, 1e-8)
	printed(t, "nu_eff", dof, 19.0, 0.1)
	e, err := c.Expand(0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "t_95(19)", e.K, 2.093024054, 1e-9)
	if e.DOF != 19 {
		t.Errorf("dof cut to %v, want 19", e.DOF)
	}
}

// JCGM 100:2008 5.2.2 example (from memory): ten resistors of u = 0.1 ohm in
// series, calibrated against one standard, have 1 ohm, not 0.32.
func TestCombineCorrelatedSeries(t *testing.T) {
	var components []Component
	var correlations []Correlation
	for i := range 10 {
		components = append(components, plain(strconv.Itoa(i), 0.1, math.Inf(1)))
		for j := range i {
			correlations = append(correlations, Correlation{strconv.Itoa(j), strconv.Itoa(i), 1})
		}
	}
	c, err := Combine(components, correlations...)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u_c", c.U, 1, 1e-12)
	e, err := c.Expand(0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "k", e.K, 1.959963984540054, 1e-12)
	if !math.IsInf(e.DOF, 1) {
		t.Errorf("dof %v, want +Inf", e.DOF)
	}
	c, err = Combine(components)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "u_c without correlation", c.U, 0.32, 0.01)
}

// JCGM 100:2008 H.2, resistance, reactance and impedance from five readings of
// voltage (V), current (A) and phase (rad); data and printed results from
// memory. The annex works on with rounded uncertainties, so that its u(X) is
// off by one in the last digit.
func TestCombineSimultaneousReadings(t *testing.T) {
	volts := []float64{5.007, 4.994, 5.005, 4.990, 4.999}
	amps := []float64{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}
	phase := []float64{1.0456, 1.0438, 1.0468, 1.0428, 1.0433}
	v, i, phi := stat.Mean(volts, nil), stat.Mean(amps, nil), stat.Mean(phase, nil)
	r, x := v/i*math.Cos(phi), v/i*math.Sin(phi)
	for _, want := range []struct {
		name          string
		dv, di, dphi  float64
		printed, unit float64
	}{
		{"R", r / v, -r / i, -x, 0.071, 0.001},
		{"X", x / v, -x / i, r, 0.295, 0.002},
		{"Z", 1 / i, -v / (i * i), 0, 0.236, 0.001},
	} {
		components := []Component{}
		for _, in := range []struct {
			name     string
			readings []float64
			c        float64
		}{{"V", volts, want.dv}, {"I", amps, want.di}, {"phi", phase, want.dphi}} {
			u, dof, err := TypeA(in.readings)
			if err != nil {
				t.Fatal(err)
			}
			if in.c != 0 {
				components = append(components, Component{in.name, u, in.c, dof})
			}
		}
		correlations := []Correlation{{"V", "I", stat.Correlation(volts, amps, nil)}}
		if len(components) == 3 {
			correlations = append(correlations,
				Correlation{"V", "phi", stat.Correlation(volts, phase, nil)},
				Correlation{"I", "phi", stat.Correlation(amps, phase, nil)})
		}
		c, err := Combine(components, correlations...)
		if err != nil {
			t.Fatal(err)
		}
		printed(t, "u("+want.name+")", c.U, want.printed, want.unit)
		_, err = c.EffectiveDOF()
		refused(t, "dof of correlated components", err, "is correlated and has a finite dof")
		_, err = c.Expand(0.95)
		refused(t, "expanding them", err, "is correlated and has a finite dof")
	}
}

func TestCombineRefuses(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	a, b, c := plain("a", 1, 5), plain("b", 1, 5), plain("c", 1, 5)
	for _, bad := range []struct {
		name         string
		components   []Component
		correlations []Correlation
		want         string
	}{
		{"n = 0", nil, nil, "n is 0 components"},
		{"no name", []Component{{"", 1, 1, 5}}, nil, "name is empty"},
		{"same name", []Component{a, a}, nil, `component 1 "a": name is taken`},
		{"negative u", []Component{plain("a", -1, 5)}, nil, "u is -1"},
		{"NaN u", []Component{plain("a", nan, 5)}, nil, "u is NaN"},
		{"infinite u", []Component{plain("a", inf, 5)}, nil, "u is +Inf"},
		{"forgotten sensitivity", []Component{{"a", 1, 0, 5}}, nil, "sensitivity is 0"},
		{"NaN sensitivity", []Component{{"a", 1, nan, 5}}, nil, "sensitivity is NaN"},
		{"forgotten dof", []Component{plain("a", 1, 0)}, nil, "dof is 0"},
		{"NaN dof", []Component{plain("a", 1, nan)}, nil, "dof is NaN"},
		{"unknown", []Component{a, b}, []Correlation{{"a", "x", 0.5}}, `correlation of "a" and "x"`},
		{"with itself", []Component{a, b}, []Correlation{{"a", "a", 0.5}}, "want the names of two"},
		{"r above 1", []Component{a, b}, []Correlation{{"a", "b", 1.5}}, "r is 1.5"},
		{"NaN r", []Component{a, b}, []Correlation{{"a", "b", nan}}, "r is NaN"},
		{"twice", []Component{a, b}, []Correlation{{"a", "b", 0.5}, {"b", "a", 0.5}}, "is given twice"},
		{"contradiction", []Component{a, b, c},
			[]Correlation{{"a", "b", 0.9}, {"b", "c", 0.9}, {"a", "c", -0.9}}, "contradict each other"},
	} {
		_, err := Combine(bad.components, bad.correlations...)
		refused(t, bad.name, err, bad.want)
	}
}

func TestExpandRefuses(t *testing.T) {
	c, err := Combine([]Component{plain("a", 1, 0.9)})
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.Expand(0.95)
	refused(t, "dof below 1", err, "effective dof is 0.9")
	for _, level := range []float64{0, 1, -1, 95, math.NaN()} {
		_, err = c.Expand(level)
		refused(t, "level", err, "level is")
	}
}

func TestExpandedJSON(t *testing.T) {
	got, err := json.Marshal(Expanded{U: 2, K: 2, DOF: math.Inf(1), Level: 0.95})
	if err != nil || string(got) != `{"dof":null,"k":2,"level":0.95,"u":2}` {
		t.Errorf("%s, error %v", got, err)
	}
}

// JCGM 100:2008 4.4.3, twenty temperatures (table 1 and results from memory):
// mean 100.14, s 1.489, s/sqrt n 0.333.
func TestTypeA(t *testing.T) {
	readings := []float64{96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
		100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72}
	u, dof, err := TypeA(readings)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "u", u, 0.333, 0.001)
	near(t, "u", u, 0.33291574720467, 1e-12) // R 4.2.2 sd(x)/sqrt(20)
	if dof != 19 {
		t.Errorf("dof %v, want 19", dof)
	}
	for _, bad := range []struct {
		name     string
		readings []float64
		want     string
	}{
		{"n = 0", nil, "n is 0"},
		{"n = 1", []float64{1}, "n is 1"},
		{"NaN", []float64{1, math.NaN()}, "reading 1 is NaN"},
		{"Inf", []float64{math.Inf(-1), 1}, "reading 0 is -Inf"},
	} {
		_, _, err := TypeA(bad.readings)
		refused(t, bad.name, err, bad.want)
	}
	if u, dof, err := TypeA([]float64{1, 3}); err != nil || u != 1 || dof != 1 {
		t.Errorf("n = 2: u %v, dof %v, error %v, want 1, 1", u, dof, err)
	}
}

// JCGM 100:2008 4.4.5 and 4.4.6, bounds of 4 K either side (from memory):
// rectangular 2.3 K, triangular 1.6 K. Arcsine: sd of a sinusoid, a/sqrt 2.
func TestTypeB(t *testing.T) {
	for _, c := range []struct {
		shape      Shape
		half, want float64
		unit       float64
	}{
		{Rectangular, 4, 2.3, 0.1},
		{Triangular, 4, 1.6, 0.1},
		{Arcsine, math.Sqrt2, 1, 1e-12},
		{Rectangular, 0, 0, 1e-12},
	} {
		u, err := TypeB(c.shape, c.half)
		if err != nil {
			t.Fatal(err)
		}
		printed(t, "u", u, c.want, c.unit)
	}
	for _, half := range []float64{-1, math.NaN(), math.Inf(1)} {
		_, err := TypeB(Rectangular, half)
		refused(t, "half-width", err, "half-width is")
	}
	_, err := TypeB(Shape(3), 1)
	refused(t, "shape", err, "shape is 3")
}

// JCGM 100:2008 H.1.6: a u good to 25 % has 8 degrees of freedom, 10 % has 50,
// 50 % has 2.
func TestReliabilityDOF(t *testing.T) {
	for relative, want := range map[float64]float64{0.25: 8, 0.10: 50, 0.50: 2} {
		got, err := ReliabilityDOF(relative)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "dof", got, want, 1e-12)
	}
	for _, relative := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		_, err := ReliabilityDOF(relative)
		refused(t, "relative", err, "relative uncertainty of u is")
	}
}

// u_c lies between the largest difference and the plain sum of contributions;
// without correlation the effective dof lie between the least of them and
// their sum (JCGM 100 G.4.1).
func TestCombineBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var components []Component
		n := rapid.IntRange(1, 8).Draw(t, "n")
		sum, dofSum, dofMin := 0.0, 0.0, math.Inf(1)
		for i := range n {
			c := plain(strconv.Itoa(i), rapid.Float64Range(1e-6, 1e6).Draw(t, "u"), rapid.Float64Range(1, 100).Draw(t, "dof"))
			components = append(components, c)
			sum, dofSum, dofMin = sum+c.U, dofSum+c.DOF, min(dofMin, c.DOF)
		}
		c, err := Combine(components)
		if err != nil {
			t.Fatal(err)
		}
		if c.U > sum*(1+1e-12) || c.U < sum/float64(n)*(1-1e-12) {
			t.Fatalf("u_c %v of contributions adding to %v", c.U, sum)
		}
		dof, err := c.EffectiveDOF()
		if err != nil || dof < dofMin*(1-1e-9) || dof > dofSum*(1+1e-9) {
			t.Fatalf("dof %v, error %v, want %v to %v", dof, err, dofMin, dofSum)
		}
	})
}

// Coverage of the expanded uncertainty of a mean at 95 %, n = 4 readings: the
// t interval is exact, so the band is three Monte-Carlo standard errors of all
// draws together. The sum of two such means has Welch-Satterthwaite dof, which
// are an approximation on the safe side when cut (0.94 and up).
func TestExpandCoverage(t *testing.T) {
	if testing.Short() {
		t.Skip("Monte-Carlo coverage")
	}
	const draws = 10_000
	r := rand.New(rand.NewPCG(1908, 1946))
	single := 0.0
	sds := []float64{0.1, 1, 3} // of the second quantity
	for _, sd := range sds {
		sum := 0.0
		for range draws {
			x, y := make([]float64, 4), make([]float64, 4)
			for i := range x {
				x[i], y[i] = r.NormFloat64(), sd*r.NormFloat64()
			}
			ux, dof, err := TypeA(x)
			if err != nil {
				t.Fatal(err)
			}
			uy, _, err := TypeA(y)
			if err != nil {
				t.Fatal(err)
			}
			if expanded(t, plain("x", ux, dof)) >= math.Abs(stat.Mean(x, nil)) {
				single++
			}
			if expanded(t, plain("x", ux, dof), plain("y", uy, dof)) >= math.Abs(stat.Mean(x, nil)+stat.Mean(y, nil)) {
				sum++
			}
		}
		t.Logf("sd %v: sum of two means covers %.4f", sd, sum/draws)
		if sum/draws < 0.94 || sum/draws > 0.985 {
			t.Errorf("sd %v: sum of two means covers %.4f, want 0.94 to 0.985", sd, sum/draws)
		}
	}
	all := float64(draws * len(sds))
	t.Logf("one mean covers %.4f", single/all)
	if d := math.Abs(single/all - 0.95); d > 3*math.Sqrt(0.95*0.05/all) {
		t.Errorf("one mean covers %.4f, want 0.95", single/all)
	}
}

func expanded(t *testing.T, components ...Component) float64 {
	t.Helper()
	c, err := Combine(components)
	if err != nil {
		t.Fatal(err)
	}
	e, err := c.Expand(0.95)
	if err != nil {
		t.Fatal(err)
	}
	return e.U
}
