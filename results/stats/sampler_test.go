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
