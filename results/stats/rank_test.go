package stats

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

var (
	samplesB = []float64{2.5, 3.6, 4.7, 5.8, 6.9, 8.0}
	samplesA = []float64{1.1, 2.2, 3.3, 4.4, 5.0}
	// Hollander and Wolfe, as in R's help for wilcox.test.
	hollanderX = []float64{.80, .83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, .73, 1.46}
	hollanderY = []float64{1.15, .88, .90, .74, 1.21}
	tiedX      = []float64{4, 5, 6, 7, 7, 8, 9}
	tiedY      = []float64{3, 4, 4, 5, 6, 6, 7}
)

func TestMannWhitney(t *testing.T) {
	for _, c := range []struct {
		name               string
		a, b               []float64
		w                  float64
		exact              bool
		p                  float64
		corrected, without float64
	}{ // R wilcox.test
		{"B against A", samplesB, samplesA, 24, true, 0.125541125541126, 0.120690800527, 0.100348246462},
		{"Hollander", hollanderX, hollanderY, 35, true, 0.254412254412254, 0.244623605127, 0.220671361920},
		{"ties", tiedX, tiedY, 37.5, false, 0.105122916299, 0.105122916299, 0.091924982239},
	} {
		got, err := MannWhitney(c.a, c.b)
		noError(t, err)
		if got.W != c.w || got.Exact != c.exact {
			t.Errorf("%s: %+v; want W %v, exact %v", c.name, got, c.w, c.exact)
		}
		tol := 1e-10
		if !c.exact {
			tol = 1e-9 // printed to 12 digits
		}
		near(t, c.name+" p", got.P, c.p, tol)
		near(t, c.name+" normal corrected", got.PNormalCorrected, c.corrected, 1e-9)
		near(t, c.name+" normal", got.PNormal, c.without, 1e-9)
	}
	h, err := MannWhitney(hollanderX, hollanderY)
	noError(t, err)
	near(t, "greater", h.Greater, 0.127206127206, 1e-11) // R; the help page prints 0.1272 (from memory)
	near(t, "less", h.Less, 0.896769896769897, 1e-10)    // R wilcox.test(alternative = "less")
	large, err := MannWhitney(largeA(), largeB())        // R wilcox.test(exact = TRUE)
	noError(t, err)
	near(t, "W", large.W, 744, 0)
	near(t, "p of 40 and 45", large.P, 0.171839311185268, 1e-10)
}

// Two samples without ties near the limit of the exact law.
func largeA() []float64 {
	var a []float64
	for i := 1.0; i <= 40; i++ {
		a = append(a, i+0.5*math.Mod(i, 7)/3+0.01*math.Pow(i, 1.3))
	}
	return a
}

func largeB() []float64 {
	var b []float64
	for i := 1.0; i <= 45; i++ {
		b = append(b, i*1.13+0.011)
	}
	return b
}

func TestMannWhitneyEdges(t *testing.T) {
	same, err := MannWhitney([]float64{1, 1}, []float64{1, 1, 1})
	noError(t, err)
	if same.P != 1 || same.W != 3 || same.Exact {
		t.Errorf("all equal: %+v", same)
	}
	one, err := MannWhitney([]float64{2}, []float64{1}) // two arrangements, by hand
	noError(t, err)
	if one.W != 1 || one.P != 1 || one.Greater != 0.5 || one.Less != 1 {
		t.Errorf("one each: %+v", one)
	}
	_, err = MannWhitney(nil, []float64{1})
	refused(t, "a", err, "a has 0 values")
	_, err = MannWhitney([]float64{1}, []float64{math.NaN()})
	refused(t, "b", err, "b[0] is NaN")
}

// From 50 values on the normal law takes over; it must be near the exact one.
func TestMannWhitneyTakeover(t *testing.T) {
	a, b := make([]float64, 49), make([]float64, 49)
	for i := range a {
		a[i], b[i] = float64(3*i)+9, float64(3*i)+1
	}
	exact, err := MannWhitney(a, b)
	noError(t, err)
	if !exact.Exact {
		t.Fatal("49 and 49 are not exact")
	}
	near(t, "normal against exact", exact.PNormalCorrected, exact.P, 0.01)
	normal, err := MannWhitney(append(a, 1000), b)
	noError(t, err)
	if normal.Exact || normal.P != normal.PNormalCorrected {
		t.Errorf("50 and 49: %+v", normal)
	}
	near(t, "two-sided from one-sided", normal.P, 2*min(normal.Less, normal.Greater), 1e-12)
}

func TestHodgesLehmann(t *testing.T) {
	for _, c := range []struct {
		name  string
		a, b  []float64
		shift float64
		want  Interval
		cover float64
	}{ // R wilcox.test(conf.int = TRUE), 95 %; cover 1-2 pwilcox(qwilcox(.025)-1)
		{"B against A", samplesB, samplesA, 2.2, Interval{-0.8, 4.7}, 0.96969696969697},
		{"Hollander", hollanderX, hollanderY, 0.305, Interval{-0.15, 0.76}, 0.96003996003996},
	} {
		got, err := HodgesLehmann(c.a, c.b, 0.95)
		noError(t, err)
		near(t, c.name+" shift", got.Shift, c.shift, 1e-12)
		near(t, c.name+" lower", got.Interval.Lower, c.want.Lower, 1e-12)
		near(t, c.name+" upper", got.Interval.Upper, c.want.Upper, 1e-12)
		near(t, c.name+" cover", got.Cover, c.cover, 1e-10)
		if !got.Bounded || !got.Exact {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	small, err := HodgesLehmann([]float64{1, 2}, []float64{4}, 0.95)
	noError(t, err)
	if want := (ShiftEstimate{Shift: -2.5, Exact: true}); small != want {
		t.Errorf("too small for an interval: %+v; want %+v", small, want)
	}
	_, err = HodgesLehmann(nil, []float64{1}, 0.95)
	refused(t, "a", err, "a has 0 values")
	_, err = HodgesLehmann([]float64{1}, []float64{math.Inf(1)}, 0.95)
	refused(t, "b", err, "b[0] is +Inf")
	_, err = HodgesLehmann([]float64{1}, []float64{1}, 1)
	refused(t, "conf", err, "conf is 1")
	_, err = HodgesLehmann([]float64{1e308}, []float64{-1e308}, 0.95)
	refused(t, "overflow", err, "max(a) - min(b) is +Inf")
}

// The bisected difference must be the one a plain sort finds.
func TestKthDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-100, 100), 1, 12)
		rounded := rapid.Bool().Draw(t, "rounded") // for ties
		a, b := values.Draw(t, "a"), values.Draw(t, "b")
		if rounded {
			for _, s := range [][]float64{a, b} {
				for i := range s {
					s[i] = math.Round(s[i] / 10)
				}
			}
		}
		var all []float64
		for _, x := range a {
			for _, y := range b {
				all = append(all, x-y)
			}
		}
		slices.Sort(all)
		d := differences{sorted(a), sorted(b)}
		for k := range all {
			if got := d.kth(k + 1); got != all[k] {
				t.Fatalf("difference %d is %v; want %v", k+1, got, all[k])
			}
		}
	})
}
