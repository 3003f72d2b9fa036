package stats

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// UniformLaw tests by Kolmogorov-Smirnov whether latencies are uniform on
// (from, to], the law of a detector that samples with period to-from an event
// at a random phase, when both ends are known beforehand. Errors as for KS,
// and if from or to is not finite or to <= from.
func UniformLaw(latencies []float64, from, to float64) (KSResult, error) {
	if err := firstError(checkFinite("from", from), checkFinite("to", to)); err != nil {
		return KSResult{}, err
	}
	if to <= from {
		return KSResult{}, fmt.Errorf("stats: to is %v; expected more than from = %v", to, from)
	}
	return KS(latencies, func(x float64) float64 {
		return math.Min(1, math.Max(0, (x-from)/(to-from)))
	})
}

// SamplerFit is the uniform law fitted to latencies, and how well it fits.
type SamplerFit struct {
	From, To float64 // ends of the law; To-From is the period
	D, P     float64 // distance to the law, and the p-value of as large a one
}

const (
	samplerDraws = 2000
	// samplerMaxDraw caps the size of a simulated sample. Beyond it D times
	// sqrt(n) has its limit law to within about 1/sqrt(cap) = 1 %.
	samplerMaxDraw = 10000
	samplerSeed1   = 0x6472656e6368
	samplerSeed2   = 0x73616d706c65
)

// FitSamplerLaw fits the law uniform on (c, c+period] to latencies with the
// period known and c (conversion time, plus the readings in a row that a
// detector waits for) unknown, and tests the fit. c is the middle of the
// latencies less half a period: for a uniform law of known width the
// mid-range is the best unbiased-in-location (Pitman) estimate.
//
// The p-value is the share of 2000 simulated samples, fitted in the same way,
// that lie at least as far from their law: (1 + count)/(2000 + 1). The
// distance does not depend on c or period, so the test is exact for any n up
// to 10000 (Barnard's Monte Carlo test); above, samples of 10000 are drawn
// and the distance scaled by sqrt n. The tabled Kolmogorov-Smirnov values do
// not apply, as the law is fitted. The seed is fixed: equal data give equal p.
//
// It is an error if there are fewer than 3 latencies, one is NaN or infinite,
// or period is not finite and above 0.
func FitSamplerLaw(latencies []float64, period float64) (SamplerFit, error) {
	if err := firstError(checkData("latencies", latencies, 3), checkPositive("period", period)); err != nil {
		return SamplerFit{}, err
	}
	s := sorted(latencies)
	from, d := samplerDistance(s, period)
	n := min(len(s), samplerMaxDraw)
	reach := d * math.Sqrt(float64(len(s))/float64(n))
	rng := rand.New(rand.NewPCG(samplerSeed1, samplerSeed2))
	draw := make([]float64, n)
	count := 1
	for range samplerDraws {
		for i := range draw {
			draw[i] = rng.Float64()
		}
		slices.Sort(draw)
		if _, sim := samplerDistance(draw, 1); sim >= reach*(1-tieSlack) {
			count++
		}
	}
	return SamplerFit{From: from, To: from + period, D: d, P: float64(count) / (samplerDraws + 1)}, nil
}

// samplerDistance fits the start of the law to sorted data and returns it with
// the largest distance between the data's distribution and the law.
func samplerDistance(s []float64, period float64) (from, d float64) {
	n := len(s)
	from = (s[0] + s[n-1] - period) / 2
	for i, x := range s {
		f := math.Min(1, math.Max(0, (x-from)/period))
		d = max(d, f-float64(i)/float64(n), float64(i+1)/float64(n)-f)
	}
	return from, d
}
