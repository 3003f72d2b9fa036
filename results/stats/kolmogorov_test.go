package stats

import (
	"math"
	"testing"
)

func TestUniformLaw(t *testing.T) {
	latencies := []float64{.03, .21, .38, .55, .71, .92, 1.08, 1.27, 1.49, 1.60, 1.77, 1.99}
	for _, c := range []struct{ from, to, d, p float64 }{ // scipy kstest
		{0, 2, 0.0783333333333, 0.999988413},
		{0.5, 2.1, 0.302083333333, 0.181412869},
	} {
		got, err := UniformLaw(latencies, c.from, c.to)
		noError(t, err)
		near(t, "D", got.D, c.d, 1e-11)
		near(t, "P", got.P, c.p, 1e-8)
	}
}

func TestKolmogorovCriticalValues(t *testing.T) {
	// scipy kstwo.ppf, printed to 6 digits: the level must lie between the
	// p-values half a digit to either side.
	levels := []float64{0.10, 0.05, 0.01}
	for n, row := range map[int][]float64{
		5: {0.509449, 0.563275, 0.668531}, 10: {0.368662, 0.409246, 0.488932}, 20: {0.264731, 0.294075, 0.352411},
		30: {0.217560, 0.241703, 0.289864}, 50: {0.169592, 0.188406, 0.226037}, 100: {0.120663, 0.134028, 0.160809},
	} {
		for i, d := range row {
			above, below := kolmogorovExact(n, d-0.5e-6), kolmogorovExact(n, d+0.5e-6)
			if !(below <= levels[i] && levels[i] <= above) {
				t.Errorf("n %d D %v: p from %v to %v; want it to hold %v", n, d, below, above, levels[i])
			}
		}
	}
	for i, x := range []float64{1.2238478702, 1.3580986393, 1.6276236115} { // n large
		near(t, "limit", kolmogorovLimit(x), levels[i], 1e-9)
	}
}

func TestKS(t *testing.T) {
	// One value at the middle of U(0, 1): D = 0.5, and P(D_1 >= 0.5) = 1.
	one, err := KS([]float64{0.5}, func(x float64) float64 { return x })
	noError(t, err)
	near(t, "D", one.D, 0.5, 0)
	near(t, "P", one.P, 1, 0)
	// n = 1: P(D >= d) = 2(1-d) for d in [0.5, 1], by hand.
	one, err = KS([]float64{0.2}, func(x float64) float64 { return x })
	noError(t, err)
	near(t, "P", one.P, 0.4, 1e-14)
	// Ties: three equal values at 0.5 are at distance 0.5.
	tied, err := KS([]float64{0.5, 0.5, 0.5}, func(x float64) float64 { return x })
	noError(t, err)
	near(t, "D with ties", tied.D, 0.5, 0)
	_, err = KS(nil, func(x float64) float64 { return x })
	refused(t, "no data", err, "data has 0 values")
	_, err = KS([]float64{math.NaN()}, func(x float64) float64 { return x })
	refused(t, "NaN", err, "data[0] is NaN")
	_, err = KS([]float64{1}, nil)
	refused(t, "no law", err, "cdf is nil")
	_, err = KS([]float64{1}, func(float64) float64 { return math.NaN() })
	refused(t, "bad law", err, "cdf(1) is NaN")
}

func TestKolmogorovExact(t *testing.T) {
	for _, c := range []struct {
		n    int
		d, p float64
	}{ // scipy 1.10.1 kstwo.sf
		{1, 0.6, 0.8},
		{2, 0.4, 0.82},
		{5, 0.5, 0.112},
		{10, 0.2, 0.7487190399999999},
		{10, 0.8, 2.207999999999995e-07},
		{20, 0.3, 0.04306706665851623},
		{50, 0.05, 0.9990238098461883},
		{100, 0.2, 0.0005551927327988775},
		{100, 0.35, 1.865228719089831e-11},
		{1000, 0.1, 3.703687096817711e-09},
		// R ks.test's exact law, where scipy goes over to an approximation.
		{141, 0.1, 0.1112844966635292},
		{300, 0.05, 0.4274416223918032},
		{1000, 0.03, 0.3226902464133049},
		{1000, 0.043, 0.0481109772423276},
	} {
		near(t, "p", kolmogorovExact(c.n, c.d), c.p, 1e-10)
	}
	// The change of method at n d^2 = 4 must not show.
	for _, n := range []int{10, 100, 1000} {
		d := 2 / math.Sqrt(float64(n))
		near(t, "p at the change of method", kolmogorovExact(n, d*(1-1e-12)), kolmogorovExact(n, d*(1+1e-12)), 2e-10)
	}
}

// The large-sample formula must meet the exact one where they meet.
func TestKolmogorovLarge(t *testing.T) {
	for _, root := range []float64{0.6, 0.8, 1, 1.2, 1.36, 1.63, 1.95} {
		d := root / math.Sqrt(kolmogorovMaxExact)
		near(t, "p", kolmogorovLarge(kolmogorovMaxExact, d), kolmogorovExact(kolmogorovMaxExact, d), 1e-3)
	}
	for _, c := range []struct {
		n    int
		d, p float64
	}{ // scipy 1.10.1 kstwo.sf (Pelz and Good there)
		{2000, 0.02, 0.39531336268920436},
		{2000, 0.03, 0.05354694793932557},
		{2000, 0.045, 0.0005875093621469354},
		{10000, 0.0136, 0.04903580807632146},
		{10000, 0.0195, 0.000982580810123865},
		{1000000, 0.00136, 0.04944099739157226},
		{1000000, 0.00195, 0.000994612287933195},
	} {
		near(t, "p", kolmogorov(c.n, c.d), c.p, 1e-3)
	}
	// Both series of the limit law must agree where they take over.
	near(t, "series", kolmogorovLimit(math.Nextafter(1, 0)), kolmogorovLimit(1), 1e-12)
	if p := kolmogorovLimit(0); p != 1 {
		t.Errorf("limit law at 0: %v", p)
	}
}
