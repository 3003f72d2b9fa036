package uncertainty

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// AIAG MSA 4th ed. example: sums of squares and components in R 4.2.2, printed
// results of the manual beside them.
func TestGaugeANOVA(t *testing.T) {
	s, err := GaugeANOVA(aiag(t), 0.05)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range []struct {
		name string
		got  Effect
		ss   float64
		df   int
	}{
		{"parts", s.Parts, 88.36193444, 9},
		{"appraisers", s.Appraisers, 3.16726222, 2},
		{"interaction", s.Interactions, 0.35898222, 18},
		{"repeatability", s.Repeatability, 2.75893333, 60},
	} {
		if !(math.Abs(e.got.SS-e.ss) <= 0.5e-8) || e.got.DF != e.df {
			t.Errorf("%s: SS %.10g df %d, want %v, %d", e.name, e.got.SS, e.got.DF, e.ss, e.df)
		}
		near(t, e.name+" MS", e.got.MS, e.got.SS/float64(e.df), 1e-15)
	}
	near(t, "F", s.F, 0.433721030, 1e-8)
	near(t, "p", s.P, 0.974106404, 1e-8)
	if !s.Pooled {
		t.Error("interaction was not pooled")
	}
	checkGauge(t, "pooled", s.Gauge, Gauge{EV: 0.199933179721, AV: 0.226837521496, GRR: 0.302371522323,
		PV: 1.042327493838, TV: 1.085299563219}, 1e-10)
	share := s.PercentOfTotal()
	for _, p := range []struct {
		name                string
		got, want, printed  float64
		contribution, short float64
	}{
		{"EV", share.EV, 18.42193497, 18.4, 3.4, 0.1},
		{"AV", share.AV, 20.90091337, 20.9, 4.4, 0.1},
		{"GRR", share.GRR, 27.86065088, 27.9, 7.8, 0.1},
		{"PV", share.PV, 96.04053380, 96.0, 92.2, 0.1},
	} {
		near(t, p.name+" %", p.got, p.want, 1e-8)
		printed(t, p.name+" %", p.got, p.printed, p.short)
		printed(t, p.name+" contribution", p.got*p.got/100, p.contribution, p.short)
	}
	printed(t, "EV", s.EV, 0.199933, 1e-6)
	printed(t, "AV", s.AV, 0.226838, 1e-6)
	printed(t, "GRR", s.GRR, 0.302373, 4e-6) // adds rounded squares
	printed(t, "PV", s.PV, 1.042327, 2e-6)
	printed(t, "TV", s.TV, 1.085, 1e-3)
	if s.Categories() != 4 { // 4.860516
		t.Errorf("%d categories, want 4", s.Categories())
	}
}

// The same data with the interaction kept, R 4.2.2; its variance is negative.
func TestGaugeANOVAInteractionKept(t *testing.T) {
	s, err := GaugeANOVA(aiag(t), 1)
	if err != nil {
		t.Fatal(err)
	}
	if s.Pooled {
		t.Error("interaction was pooled")
	}
	checkGauge(t, "kept", s.Gauge, Gauge{EV: 0.214434657232, AV: 0.228304449827, GRR: 0.313217406976,
		PV: 1.043394527452, TV: 1.089393080550}, 1e-10)
	share := s.PercentOfTotal()
	near(t, "EV %", share.EV, 19.68386444, 1e-8)
	near(t, "AV %", share.AV, 20.95703139, 1e-8)
	near(t, "GRR %", share.GRR, 28.75155098, 1e-8)
	near(t, "PV %", share.PV, 95.77759819, 1e-8)
	near(t, "categories before the cut", 1.41*s.PV/s.GRR, 4.697013, 1e-6)
}

// AIAG MSA 4th ed. example by the range method, R 4.2.2 with K1 .5908, K2
// .5231, K3 .3146.
func TestGaugeRange(t *testing.T) {
	g, err := GaugeRange(aiag(t))
	if err != nil {
		t.Fatal(err)
	}
	checkGauge(t, "range", g, Gauge{EV: 0.201856666667, AV: 0.229667029, GRR: 0.305766346,
		PV: 1.104595556, TV: 1.146134547}, 1e-8)
	share := g.PercentOfTotal()
	printed(t, "EV %", share.EV, 17.61, 0.01)
	printed(t, "AV %", share.AV, 20.04, 0.01)
	printed(t, "GRR %", share.GRR, 26.68, 0.01)
	printed(t, "PV %", share.PV, 96.38, 0.01)
	near(t, "categories before the cut", 1.41*g.PV/g.GRR, 5.093692, 1e-6)
	if g.Categories() != 5 {
		t.Errorf("%d categories, want 5", g.Categories())
	}
}

func checkGauge(t *testing.T, name string, got, want Gauge, tolerance float64) {
	t.Helper()
	near(t, name+" EV", got.EV, want.EV, tolerance)
	near(t, name+" AV", got.AV, want.AV, tolerance)
	near(t, name+" GRR", got.GRR, want.GRR, tolerance)
	near(t, name+" PV", got.PV, want.PV, tolerance)
	near(t, name+" TV", got.TV, want.TV, tolerance)
	near(t, name+" interaction", got.Interaction, want.Interaction, tolerance)
}

// The printed constants are 1/d2 and 1/sqrt(d2² + d3²) of the range of n
// standard normal values, here by quadrature.
func TestRangeConstants(t *testing.T) {
	for i := range k3 {
		n := float64(i + 2)
		d2, second := rangeMoments(n)
		if i < len(k1) {
			printed(t, "K1", 1/d2, k1[i], 1e-4)
		}
		if i < len(k2) {
			printed(t, "K2", 1/math.Sqrt(second), k2[i], 1e-4)
		}
		printed(t, "K3", 1/math.Sqrt(second), k3[i], 1e-4)
	}
}

// rangeMoments returns E(W) and E(W²) for the range W of n standard normal
// values, from P(W <= w) = n ∫ phi(x) (Phi(x+w) - Phi(x))^(n-1) dx.
func rangeMoments(n float64) (first, second float64) {
	normal := distuv.UnitNormal
	above := func(w float64) float64 {
		return 1 - n*quad.Fixed(func(x float64) float64 {
			return normal.Prob(x) * math.Pow(normal.CDF(x+w)-normal.CDF(x), n-1)
		}, -9, 9, 80, nil, 0)
	}
	first = quad.Fixed(above, 0, 12, 80, nil, 0)
	second = quad.Fixed(func(w float64) float64 { return 2 * w * above(w) }, 0, 12, 80, nil, 0)
	return first, second
}

func TestPercentOfTolerance(t *testing.T) {
	share, err := Gauge{EV: 0.3, AV: 0.4, GRR: 0.5, PV: 1}.PercentOfTolerance(6)
	if err != nil || share != (Shares{EV: 30, AV: 40, GRR: 50, PV: 100}) {
		t.Errorf("%+v, error %v", share, err)
	}
	for _, width := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		_, err := Gauge{}.PercentOfTolerance(width)
		refused(t, "width", err, "width is")
	}
}

func table(parts, appraisers, trials int, at func(p, a, k int) float64) Readings {
	r := make(Readings, parts)
	for p := range r {
		r[p] = make([][]float64, appraisers)
		for a := range r[p] {
			for k := range trials {
				r[p][a] = append(r[p][a], at(p, a, k))
			}
		}
	}
	return r
}

func TestGaugeRefuses(t *testing.T) {
	count := func(p, a, k int) float64 { return float64(p + a*k) }
	ragged := table(3, 2, 2, count)
	ragged[2] = ragged[2][:1]
	short := table(3, 2, 2, count)
	short[1][1] = short[1][1][:1]
	bad := table(3, 2, 2, count)
	bad[2][1][0] = math.NaN()
	for _, c := range []struct {
		name     string
		readings Readings
		want     string
	}{
		{"n = 0", nil, "n is 0 parts"},
		{"n = 1 part", table(1, 2, 2, count), "n is 1 parts"},
		{"1 appraiser", table(2, 1, 2, count), "n is 1 appraisers"},
		{"1 trial", table(2, 2, 1, count), "n is 1 trials"},
		{"appraiser missing", ragged, "part 2: n is 1 appraisers: want 2"},
		{"trial missing", short, "part 1, appraiser 1: n is 1 trials: want 2"},
		{"NaN", bad, "part 2, appraiser 1, trial 0: reading is NaN"},
		{"same readings", table(3, 2, 3, func(p, a, k int) float64 { return 0.1 + float64(p) }), "repeated readings never differ"},
	} {
		_, err := GaugeANOVA(c.readings, 0.05)
		refused(t, c.name, err, c.want)
		_, err = GaugeRange(c.readings)
		refused(t, c.name, err, c.want)
	}
	for _, alpha := range []float64{-0.1, 1.1, math.NaN()} {
		_, err := GaugeANOVA(aiag(t), alpha)
		refused(t, "alpha", err, "alpha is")
	}
	for _, c := range []struct {
		parts, appraisers, trials int
		want                      string
	}{{11, 2, 2, "n is 11 parts"}, {2, 4, 2, "n is 4 appraisers"}, {2, 2, 4, "n is 4 trials"}} {
		_, err := GaugeRange(table(c.parts, c.appraisers, c.trials, count))
		refused(t, "range method", err, c.want)
	}
	if _, err := GaugeRange(table(2, 2, 2, count)); err != nil {
		t.Errorf("n = 2 of each: %v", err)
	}
}

// The sums of squares add up to the total; standard deviations scale with the
// readings and do not move with them; the variances add up.
func TestGaugeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts, appraisers, trials := rapid.IntRange(2, 6).Draw(t, "parts"), rapid.IntRange(2, 3).Draw(t, "appraisers"), rapid.IntRange(2, 3).Draw(t, "trials")
		value := rapid.Float64Range(-10, 10)
		r := table(parts, appraisers, trials, func(int, int, int) float64 { return value.Draw(t, "x") })
		r[0][0][0] = r[0][0][1] + 1 // some repeatability
		scale, shift := rapid.Float64Range(0.1, 10).Draw(t, "scale"), rapid.Float64Range(-100, 100).Draw(t, "shift")
		moved := table(parts, appraisers, trials, func(p, a, k int) float64 { return shift + scale*r[p][a][k] })
		s, err1 := GaugeANOVA(r, 0.25)
		m, err2 := GaugeANOVA(moved, 0.25)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		total, grand, n := 0.0, 0.0, float64(parts*appraisers*trials)
		each := func(f func(x float64)) {
			for p := range r {
				for a := range r[p] {
					for _, x := range r[p][a] {
						f(x)
					}
				}
			}
		}
		each(func(x float64) { grand += x / n })
		each(func(x float64) { total += square(x - grand) })
		sum := s.Parts.SS + s.Appraisers.SS + s.Interactions.SS + s.Repeatability.SS
		if math.Abs(sum-total) > 1e-9*total {
			t.Fatalf("sums of squares add to %v, total %v", sum, total)
		}
		if s.Pooled == m.Pooled && math.Abs(m.TV-scale*s.TV) > 1e-6*scale*s.TV {
			t.Fatalf("TV %v, scaled by %v it is %v", s.TV, scale, m.TV)
		}
		variances := square(s.EV) + square(s.AV) + square(s.Interaction) + square(s.PV)
		if math.Abs(variances-square(s.TV)) > 1e-9*square(s.TV) {
			t.Fatalf("variances add to %v, TV² %v", variances, square(s.TV))
		}
	})
}
