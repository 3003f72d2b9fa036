package calibration

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// The calibration of a thermometer, JCGM 100:2008, H.3: readings less 20 °C
// and corrections as in table H.6 (read in the documentation of GTC, "Calibration of a
// thermometer (GUM H3)"); results as printed in H.3.3 (from memory).
func TestFitLineGUM(t *testing.T) {
	x := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	y := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	for i := range x {
		x[i] -= 20
	}
	l, err := fitLine(x, y)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "y1", l.intercept, -0.1712, 0.5e-4)
	near(t, "s(y1)", l.interceptU, 0.0029, 0.5e-4)
	near(t, "y2", l.slope, 0.00218, 0.5e-5)
	near(t, "s(y2)", l.slopeU, 0.00067, 0.5e-5)
	near(t, "r", l.r, -0.930, 0.5e-3)
	near(t, "s", l.sd, 0.0035, 0.5e-4)
}

// Norris, NIST Statistical Reference Datasets, linear regression, lower
// difficulty (data, slope, intercept and their standard deviations read in
// SciPy's test_nist_norris; all certified digits and the residual standard
// deviation from memory).
func TestFitLineNorris(t *testing.T) {
	x := []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6,
		556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5}
	y := []float64{0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
		557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}
	l, err := fitLine(x, y)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"B0", l.intercept, -0.262323073774029}, {"s(B0)", l.interceptU, 0.232818234301152},
		{"B1", l.slope, 1.00211681802045}, {"s(B1)", l.slopeU, 0.429796848199937e-3}, {"s", l.sd, 0.884796396144373},
	} {
		near(t, c.what, c.got, c.want, 1e-10*math.Abs(c.want))
	}
}

func TestFitLineRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		x, y []float64
		want string
	}{
		{"two points", []float64{1, 2}, []float64{1, 2}, "3 or more"},
		{"unlike numbers", []float64{1, 2, 3}, []float64{1, 2}, "3 and 2 values"},
		{"one x", []float64{2, 2, 2}, []float64{1, 2, 3}, "two different values"},
		{"no number", []float64{1, 2, 3}, []float64{1, math.NaN(), 3}, "NaN"},
	} {
		if _, err := fitLine(c.x, c.y); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// The interval slope ± t u at 95 % must cover the truth 95 times of 100: of
// 4000, 3800 with a standard deviation of 14.
func TestFitLineCoverage(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	const sets = 4000
	x := []float64{3, 3, 3, 3, 3, 12, 12, 12, 12, 12}
	k := distuv.StudentsT{Sigma: 1, Nu: float64(len(x) - 2)}.Quantile(0.975)
	slopes, intercepts := 0, 0
	for range sets {
		y := make([]float64, len(x))
		for i := range y {
			y[i] = 5 + 166.7*x[i] + 4*rnd.NormFloat64()
		}
		l, err := fitLine(x, y)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(l.slope-166.7) <= k*l.slopeU {
			slopes++
		}
		if math.Abs(l.intercept-5) <= k*l.interceptU {
			intercepts++
		}
	}
	for what, n := range map[string]int{"slope": slopes, "intercept": intercepts} {
		if n < 3800-4*14 || n > 3800+4*14 {
			t.Errorf("%s: %d of %d intervals cover", what, n, sets)
		}
	}
}
