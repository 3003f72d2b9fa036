package stats

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestKSTwoSample(t *testing.T) {
	for _, c := range []struct {
		name             string
		a, b             []float64
		d, p, asymptotic float64
	}{ // exact: R ks.test, with ties ks.test(exact = TRUE); asymptotic: scipy.special.kolmogorov
		{"B against A", samplesB, samplesA, 0.5, 0.357142857142857, 0.502914033641129},
		{"Hollander", hollanderX, hollanderY, 0.6, 0.165834165834166, 0.18130044993812283},
		{"ties", tiedX, tiedY, 0.428571428571429, 0.324009324009324, 0.5412429997510277},
	} {
		for range 2 { // and with the samples swapped
			got, err := KSTwoSample(c.a, c.b)
			noError(t, err)
			near(t, c.name+" D", got.D, c.d, 1e-12)
			near(t, c.name+" exact", got.P, c.p, 1e-10)
			near(t, c.name+" asymptotic", got.PAsymptotic, c.asymptotic, 1e-10)
			if !got.Exact {
				t.Errorf("%s: not exact", c.name)
			}
			c.a, c.b = c.b, c.a
		}
	}
}

// R's ks.test(exact = FALSE) cuts the series of the limit law at 1e-6, and so
// differs from it in the seventh digit.
func TestKSTwoSampleAsymptoticOfR(t *testing.T) {
	for _, c := range []struct {
		a, b []float64
		p    float64
	}{{samplesB, samplesA, 0.502914290584}, {hollanderX, hollanderY, 0.181300449938}, {tiedX, tiedY, 0.541243098374871}} {
		got, err := KSTwoSample(c.a, c.b)
		noError(t, err)
		nearAbs(t, "asymptotic", got.PAsymptotic, c.p, 1e-6)
	}
}

func TestKSTwoSampleEdges(t *testing.T) {
	same, err := KSTwoSample([]float64{1, 2, 2}, []float64{1, 2, 2})
	noError(t, err)
	if same.D != 0 || same.P != 1 {
		t.Errorf("equal samples: %+v", same)
	}
	apart, err := KSTwoSample([]float64{1, 2, 3}, []float64{4, 5, 6}) // 2 of C(6,3) orders, by hand
	noError(t, err)
	near(t, "apart", apart.P, 0.1, 1e-14)
	_, err = KSTwoSample(nil, []float64{1})
	refused(t, "a", err, "a has 0 values")
	_, err = KSTwoSample([]float64{1}, []float64{math.NaN()})
	refused(t, "b", err, "b[0] is NaN")
}

// Above a million pairs the limit law takes over, and is near the exact p.
func TestKSTwoSampleTakeover(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	a, b := make([]float64, 1000), make([]float64, 1001)
	for i := range b {
		b[i] = rng.NormFloat64()
	}
	for i := range a {
		a[i] = rng.NormFloat64() + 0.07
	}
	exact, err := KSTwoSample(a, b[:1000])
	noError(t, err)
	if !exact.Exact {
		t.Error("a million pairs are not exact")
	}
	near(t, "limit against exact", exact.PAsymptotic, exact.P, 0.05)
	large, err := KSTwoSample(a, b)
	noError(t, err)
	if large.Exact || large.P != large.PAsymptotic {
		t.Errorf("more than a million pairs: %+v", large)
	}
}
