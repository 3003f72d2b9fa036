package stats

import (
	"math/rand/v2"
	"testing"
)

// BenchmarkMillionTrials is the whole analysis of a million trials: summary,
// quantiles, survival curve with bounds, and order-statistic bounds.
func BenchmarkMillionTrials(b *testing.B) {
	const n = 1_000_000
	rng := rand.New(rand.NewPCG(1, 1))
	latencies, durations := make([]float64, n), make([]Duration, n)
	for i := range latencies {
		latencies[i] = 0.01 + 2*rng.Float64()
		durations[i] = Duration{T: latencies[i], Censored: rng.IntN(100) == 0}
	}
	check := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	b.ResetTimer()
	for range b.N {
		_, err := Summarize(latencies)
		check(err)
		for _, p := range []float64{0.5, 0.95, 0.99} {
			_, err := Quantile(latencies, p)
			check(err)
			_, err = OrderStatInterval(n, p, 0.95)
			check(err)
		}
		curve, err := KaplanMeier(durations)
		check(err)
		_, _, _, _, err = curve.QuantileBounds(0.95, 0.95)
		check(err)
	}
}

func BenchmarkFitSamplerLaw(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	latencies := make([]float64, 1_000_000)
	for i := range latencies {
		latencies[i] = 2 * rng.Float64()
	}
	for range b.N {
		if _, err := FitSamplerLaw(latencies, 2); err != nil {
			b.Fatal(err)
		}
	}
}
