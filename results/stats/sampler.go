package stats

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mathext"
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

// SamplerLaw is the law of a sampling detector's latency: uniform on
// (From, To], in the unit of the period.
type SamplerLaw struct{ From, To, Mean, SD float64 }

// SamplerLatency returns the law of the latency of a detector that samples
// with the period, needs so many readings in a row, and takes the conversion
// time to answer after a sample, when events come at a random phase: uniform
// on ((N-1)T + c, NT + c], mean (N - 1/2)T + c, standard deviation T/sqrt 12.
//
// Derived: the wait for the first sample is uniform on (0, T], the other N-1
// and the conversion add a constant. It is an error if period is not finite
// and above 0, conversion is below 0 or not finite, or readings < 1.
func SamplerLatency(period, conversion float64, readings int) (SamplerLaw, error) {
	if err := firstError(checkPositive("period", period), checkFinite("conversion", conversion),
		checkAtLeast("readings", readings, 1)); err != nil {
		return SamplerLaw{}, err
	}
	if conversion < 0 {
		return SamplerLaw{}, fmt.Errorf("stats: conversion is %v; expected at least 0", conversion)
	}
	from := float64(readings-1)*period + conversion
	return SamplerLaw{From: from, To: from + period, Mean: from + period/2, SD: period / math.Sqrt(12)}, nil
}

// Quantile returns the latency that a share p of events does not exceed. It is
// an error if p is not in (0, 1).
func (l SamplerLaw) Quantile(p float64) (float64, error) {
	if err := checkUnit("p", p); err != nil {
		return 0, err
	}
	return l.From + p*(l.To-l.From), nil
}

// PeriodFit is a sampling period estimated from latencies.
type PeriodFit struct {
	Period   float64  // unbiased estimate
	Interval Interval // two-sided confidence interval
}

// FitPeriod estimates the period of a sampling detector from latencies that
// are uniform on (c, c+period], both unknown: (n+1)/(n-1) times their range,
// and the exact interval range/BetaInv(1-a/2; n-1, 2) to range/BetaInv(a/2;
// n-1, 2), a = 1-conf, as the range of n uniform values over the period is
// Beta(n-1, 2). It leans on the two extremes alone: one false latency spoils
// it, so look at FitSamplerLaw too.
//
// Source: David and Nagaraja, Order Statistics, 3rd ed. (2003), section 2.3
// (law of the range; from memory). It is an error if there are fewer than 2
// latencies, one is NaN or infinite, all are equal, or conf is not in (0, 1).
func FitPeriod(latencies []float64, conf float64) (PeriodFit, error) {
	if err := firstError(checkData("latencies", latencies, 2), checkUnit("conf", conf)); err != nil {
		return PeriodFit{}, err
	}
	span := slices.Max(latencies) - slices.Min(latencies)
	if err := checkPositive("the range of latencies", span); err != nil {
		return PeriodFit{}, err
	}
	n := float64(len(latencies))
	tail := (1 - conf) / 2
	return PeriodFit{
		Period: span * (n + 1) / (n - 1),
		Interval: Interval{
			Lower: span / mathext.InvRegIncBeta(n-1, 2, 1-tail),
			Upper: span / mathext.InvRegIncBeta(n-1, 2, tail),
		},
	}, nil
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
// mid-range is the best estimate that moves with the data (Pitman's). KS alone
// is slow to see a period that is off by a little: FitPeriod sees it sooner.
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
		uniformSorted(rng, draw)
		if _, sim := samplerDistance(draw, 1); sim >= reach*(1-tieSlack) {
			count++
		}
	}
	return SamplerFit{From: from, To: from + period, D: d, P: float64(count) / (samplerDraws + 1)}, nil
}

// uniformSorted fills s with an ascending uniform sample on (0, 1), from
// exponential spacings (Devroye, Non-Uniform Random Variate Generation (1986),
// section V.3), which spares the sorting.
func uniformSorted(rng *rand.Rand, s []float64) {
	total := 0.0
	for i := range s {
		total += rng.ExpFloat64()
		s[i] = total
	}
	total += rng.ExpFloat64()
	for i := range s {
		s[i] /= total
	}
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
