package stats

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestFitSamplerLaw(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	sample := func(n int, c, period float64) []float64 {
		s := make([]float64, n)
		for i := range s {
			s[i] = c + period*rng.Float64()
		}
		return s
	}
	data := sample(200, 0.01, 2)
	fit, err := FitSamplerLaw(data, 2)
	noError(t, err)
	nearAbs(t, "From", fit.From, 0.01, 0.03)
	near(t, "To-From", fit.To-fit.From, 2, 1e-12)
	if fit.P < 0.05 {
		t.Errorf("p %v for the true law", fit.P)
	}
	again, err := FitSamplerLaw(data, 2)
	noError(t, err)
	if again != fit {
		t.Errorf("a second call gave %+v; want %+v", again, fit)
	}
	// A detector that samples at 2.2 s, or one that always answers at once,
	// does not follow the law of 2 s.
	for name, bad := range map[string][]float64{"slow": sample(1000, 0.01, 2.2), "half": sample(100, 0.5, 1)} {
		fit, err := FitSamplerLaw(bad, 2)
		noError(t, err)
		if fit.P > 0.01 {
			t.Errorf("%s: p %v; want at most 0.01", name, fit.P)
		}
	}
}

// Under the law the p-value must be uniform: the test keeps its level.
func TestFitSamplerLawLevel(t *testing.T) {
	if testing.Short() {
		t.Skip("simulation")
	}
	rng := rand.New(rand.NewPCG(3, 4))
	const runs = 400
	below := 0
	for range runs {
		s := make([]float64, 20)
		for i := range s {
			s[i] = 0.3 + 1.5*rng.Float64()
		}
		fit, err := FitSamplerLaw(s, 1.5)
		noError(t, err)
		if fit.P <= 0.1 {
			below++
		}
	}
	// 40 expected, standard deviation 6.
	if below < 40-24 || below > 40+24 {
		t.Errorf("%d of %d fits have p <= 0.1; want about 40", below, runs)
	}
}

// A large sample is compared with smaller simulated ones, scaled; the p-value
// must not jump at the cap. Here a law that is off by a little.
func TestFitSamplerLawLargeSample(t *testing.T) {
	skewed := func(n int) []float64 { // distribution x + eps sin(2 pi x)/(2 pi), distance about eps/(2 pi)
		s := make([]float64, n)
		for i := range s {
			u := (float64(i) + 0.5) / float64(n)
			s[i] = u - 1.1/math.Sqrt(float64(n))*math.Sin(2*math.Pi*u)
		}
		return s
	}
	below, err := FitSamplerLaw(skewed(samplerMaxDraw), 1)
	noError(t, err)
	above, err := FitSamplerLaw(skewed(4*samplerMaxDraw), 1)
	noError(t, err)
	nearAbs(t, "p above the cap", above.P, below.P, 0.02)
	limit := kolmogorovLimit(below.D * math.Sqrt(samplerMaxDraw))
	nearAbs(t, "p against the limit law", below.P, limit, 0.04) // 3 standard errors of 2000 draws, and 1 %
}

func TestSamplerLatency(t *testing.T) {
	// Derived; the standard deviations are T/sqrt 12.
	for _, c := range []struct {
		period, conversion float64
		readings           int
		want               SamplerLaw
		p95, p99           float64
	}{
		{2, 0, 1, SamplerLaw{0, 2, 1, 0.577350269190}, 1.9, 1.98},
		{2, 0.01, 1, SamplerLaw{0.01, 2.01, 1.01, 0.577350269190}, 1.91, 1.99},
		{0.5, 0.005, 2, SamplerLaw{0.505, 1.005, 0.755, 0.144337567297}, 0.98, 1},
	} {
		got, err := SamplerLatency(c.period, c.conversion, c.readings)
		noError(t, err)
		near(t, "from", got.From, c.want.From, 1e-12)
		near(t, "to", got.To, c.want.To, 1e-12)
		near(t, "mean", got.Mean, c.want.Mean, 1e-12)
		near(t, "sd", got.SD, c.want.SD, 1e-11)
		for p, want := range map[float64]float64{0.95: c.p95, 0.99: c.p99} {
			q, err := got.Quantile(p)
			noError(t, err)
			near(t, "quantile", q, want, 1e-12)
		}
		_, err = got.Quantile(1)
		refused(t, "p", err, "p is 1")
	}
	_, err := SamplerLatency(0, 0, 1)
	refused(t, "period", err, "period is 0")
	_, err = SamplerLatency(1, -1, 1)
	refused(t, "conversion", err, "conversion is -1")
	_, err = SamplerLatency(1, math.NaN(), 1)
	refused(t, "conversion", err, "conversion is NaN")
	_, err = SamplerLatency(1, 0, 0)
	refused(t, "readings", err, "readings is 0")
}

func TestFitPeriod(t *testing.T) {
	// (n+1)/(n-1) times the range: 13/11 of 1.96.
	latencies := []float64{.03, .21, .38, .55, .71, .92, 1.08, 1.27, 1.49, 1.60, 1.77, 1.99}
	got, err := FitPeriod(latencies, 0.95)
	noError(t, err)
	near(t, "period", got.Period, 1.96*13/11, 1e-12)
	// The law of the range, P(R <= r) = n r^(n-1) - (n-1) r^n, written out.
	below := func(r float64) float64 { return 12*math.Pow(r, 11) - 11*math.Pow(r, 12) }
	near(t, "lower", below(1.96/got.Interval.Lower), 0.975, 1e-9)
	near(t, "upper", below(1.96/got.Interval.Upper), 0.025, 1e-9)
	_, err = FitPeriod([]float64{1}, 0.95)
	refused(t, "few", err, "latencies has 1 values")
	_, err = FitPeriod([]float64{1, 1}, 0.95)
	refused(t, "equal", err, "the range of latencies is 0")
	_, err = FitPeriod([]float64{1, 2}, 1)
	refused(t, "conf", err, "conf is 1")
	_, err = FitPeriod([]float64{1, math.NaN()}, 0.9)
	refused(t, "NaN", err, "latencies[1] is NaN")
}

func TestSamplerRefusals(t *testing.T) {
	ok := []float64{1, 2, 3}
	for _, period := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		_, err := FitSamplerLaw(ok, period)
		refused(t, "period", err, "period is")
	}
	for _, n := range []int{0, 1, 2} {
		_, err := FitSamplerLaw(ok[:n], 1)
		refused(t, "few", err, "latencies has")
	}
	_, err := FitSamplerLaw([]float64{1, 2, math.NaN()}, 1)
	refused(t, "NaN", err, "latencies[2] is NaN")
	_, err = UniformLaw(ok, 2, 2)
	refused(t, "to", err, "to is 2")
	_, err = UniformLaw(ok, math.NaN(), 2)
	refused(t, "from", err, "from is NaN")
	_, err = UniformLaw(nil, 1, 2)
	refused(t, "no data", err, "has 0 values")
	_, err = UniformLaw([]float64{math.Inf(1)}, 1, 2)
	refused(t, "infinity", err, "is +Inf")
}
