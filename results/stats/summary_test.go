package stats

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// numAcc is the NIST StRD series c, then c-0.1, c+0.1 alternating.
func numAcc(c float64) []float64 {
	s := []float64{c}
	for range 500 {
		s = append(s, c-0.1, c+0.1)
	}
	return s
}

func TestSummarizeStRD(t *testing.T) {
	sets := published(t, "strd")
	sets["NumAcc1"] = []float64{10000001, 10000003, 10000002}
	// Typed as printed, 0.1 is not exact in binary: sd then holds to 1e-9, 1e-8.
	sets["NumAcc2"], sets["NumAcc3"], sets["NumAcc4"] = numAcc(1.2), numAcc(1000000.2), numAcc(10000000.2)
	for _, c := range []struct {
		set            string
		n              int
		mean, sd, lag1 float64
		tol            float64
	}{ // certified values, NIST StRD
		{"Mavro", 50, 2.00185600000000, 0.000429123454003053, 0.937989183438248, 1e-12},
		{"Lew", 200, -177.435000000000, 277.332168044316, -0.307304800605679, 1e-12},
		{"Lottery", 218, 518.958715596330, 291.699727470969, -0.120948622967393, 1e-12},
		{"Michelso", 100, 299.852400000000, 0.0790105478190518, 0.535199668621283, 1e-12},
		{"NumAcc1", 3, 10000002, 1, -0.5, 1e-12},
		{"NumAcc2", 1001, 1.2, 0.1, -0.999, 1e-12},
		{"NumAcc3", 1001, 1000000.2, 0.1, -0.999, 1e-9},
		{"NumAcc4", 1001, 10000000.2, 0.1, -0.999, 1e-8},
	} {
		got, err := Summarize(sets[c.set])
		noError(t, err)
		if got.N != c.n || !got.HasSD || !got.HasLag1 {
			t.Errorf("%s: %+v", c.set, got)
		}
		near(t, c.set+" mean", got.Mean, c.mean, 1e-14)
		near(t, c.set+" sd", got.SD, c.sd, c.tol)
		near(t, c.set+" lag-1", got.Lag1, c.lag1, c.tol)
	}
}

func TestSummarizeEdges(t *testing.T) {
	one, err := Summarize([]float64{3})
	noError(t, err)
	if want := (Summary{N: 1, Mean: 3, Min: 3, Max: 3}); one != want {
		t.Errorf("one value: %+v; want %+v", one, want)
	}
	two, err := Summarize([]float64{5, 3})
	noError(t, err)
	if want := (Summary{N: 2, Mean: 4, Min: 3, Max: 5, SD: math.Sqrt2, HasSD: true, Lag1: -0.5, HasLag1: true}); two != want {
		t.Errorf("two values: %+v; want %+v", two, want)
	}
	same, err := Summarize([]float64{0.1, 0.1, 0.1})
	noError(t, err)
	if want := (Summary{N: 3, Mean: 0.1, Min: 0.1, Max: 0.1, HasSD: true}); same != want {
		t.Errorf("equal values: %+v; want %+v", same, want)
	}
	_, err = Summarize(nil)
	refused(t, "no data", err, "data has 0 values")
	_, err = Summarize([]float64{1, math.Inf(1)})
	refused(t, "infinity", err, "data[1] is +Inf")
	_, err = Summarize([]float64{1e300, -1e300})
	refused(t, "overflow", err, "sum of squares of data")
}

func TestSummarizeShiftAndScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.SliceOfN(rapid.Float64Range(-1000, 1000), 2, 50).Draw(t, "data")
		shift := rapid.Float64Range(-1e6, 1e6).Draw(t, "shift")
		moved := make([]float64, len(data))
		for i, v := range data {
			moved[i] = v + shift
		}
		a, err := Summarize(data)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Summarize(moved)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(b.Mean-a.Mean-shift) > 1e-9 || math.Abs(b.SD-a.SD) > 1e-8 {
			t.Fatalf("%+v shifted by %v is %+v", a, shift, b)
		}
		if a.Mean < a.Min-1e-9 || a.Mean > a.Max+1e-9 || math.Abs(a.Lag1) > 1+1e-9 {
			t.Fatalf("%+v", a)
		}
	})
}
