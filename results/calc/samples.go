package calc

import (
	"math"

	"drench/results/stats"
)

var (
	aParam = Param{Name: "a", Kind: Column, Rows: "a", About: "first sample"}
	bParam = Param{Name: "b", Kind: Column, Rows: "b", About: "second sample"}
)

// mostDraws keeps simulations to a minute or so and to 100 megabytes.
const mostDraws = 10_000_000

// seedParam and drawsParam are of those that draw random numbers.
var (
	seedParam  = Param{Name: "seed", Kind: Count, Default: "1", About: "seed; the same seed gives the same answer"}
	drawsParam = Param{Name: "draws", Kind: Count, Default: "9999", Most: mostDraws, About: "random orders to try"}
)

// twoSamples is about whether two nights differ.
func twoSamples() []Entry {
	const subject = "two nights"
	const example = "--a 2.5,3.6,4.7,5.8,6.9,8.0 --b 1.1,2.2,3.3,4.4,5.0"
	pair := []Param{aParam, bParam}
	return []Entry{{
		Name: "mann-whitney", Subject: subject, Also: []string{"wilcoxon", "rank-sum", "wilcox.test", "u-test"},
		About:   "rank test of whether one sample tends to be larger",
		Source:  "Mann and Whitney, Annals of Mathematical Statistics 18 (1947) 50",
		Params:  pair,
		Example: example,
		Run: func(a Args) (r Result, err error) {
			t, err := stats.MannWhitney(a.Column("a"), a.Column("b"))
			r.set("W", t.W)
			r.set("exact", t.Exact)
			r.set("p", t.P)
			r.set("p less", t.Less)
			r.set("p greater", t.Greater)
			r.set("p normal", t.PNormal)
			r.set("p normal, corrected", t.PNormalCorrected)
			return r, err
		},
	}, {
		Name: "hodges-lehmann", Subject: subject, Also: []string{"shift"},
		About:   "shift between two samples with its interval",
		Source:  "Hodges and Lehmann, Annals of Mathematical Statistics 34 (1963) 598",
		Params:  with(pair, confParam),
		Example: example,
		Run: func(a Args) (r Result, err error) {
			s, err := stats.HodgesLehmann(a.Column("a"), a.Column("b"), a.Number("conf"))
			r.set("shift", s.Shift)
			r.limit("lower", s.Interval.Lower, s.Bounded, "the samples are too small for an interval")
			r.limit("upper", s.Interval.Upper, s.Bounded, "the samples are too small for an interval")
			r.set("cover", s.Cover)
			r.set("exact", s.Exact)
			return r, err
		},
	}, {
		Name: "ks-two-sample", Subject: subject, Also: []string{"ks.test", "smirnov"},
		About:   "whether two samples come from one distribution, of whatever shape",
		Source:  "Hodges, Arkiv for Matematik 3 (1958) 469 (from memory)",
		Params:  pair,
		Example: example,
		Run: func(a Args) (r Result, err error) {
			k, err := stats.KSTwoSample(a.Column("a"), a.Column("b"))
			r.set("D", k.D)
			r.set("p", k.P)
			r.set("exact", k.Exact)
			r.set("p asymptotic", k.PAsymptotic)
			return r, err
		},
	}, {
		Name: "permutation", Subject: subject, Also: []string{"permutation-test", "randomisation"},
		About:  "two-sided test of two means or medians by random re-assignment",
		Source: "Phipson and Smyth, Statistical Applications in Genetics and Molecular Biology 9 (2010) article 39 (from memory)",
		Params: with(pair, Param{Name: "statistic", Kind: Choice, Default: "mean", Choices: []string{"mean", "median"},
			About: "whose absolute difference is tested"}, drawsParam, seedParam),
		Example: example,
		Run: func(a Args) (r Result, err error) {
			difference := map[string]func(a, b []float64) float64{"mean": meanDifference, "median": medianDifference}[a.Choice("statistic")]
			p, err := stats.PermutationTest(a.Column("a"), a.Column("b"), difference, a.Count("draws"), uint64(a.Count("seed")))
			r.set("difference", p.Observed)
			r.set("p", p.P)
			return r, err
		},
	}, {
		Name: "benjamini-hochberg", Subject: subject, Also: []string{"fdr", "p.adjust", "bh"},
		About:   "p-values of many tests, adjusted for the false discovery rate",
		Source:  "Benjamini and Hochberg, JRSS B 57 (1995) 289",
		Params:  []Param{{Name: "p", Kind: Column, About: "the p-values"}},
		Example: "--p 0.01,0.04,0.03,0.5",
		Run: func(a Args) (r Result, err error) {
			adjusted, err := stats.BenjaminiHochberg(a.Column("p"))
			r.set("adjusted", adjusted)
			return r, err
		},
	}}
}

func meanDifference(a, b []float64) float64 {
	return math.Abs(mean(a) - mean(b))
}

func mean(x []float64) float64 {
	s, err := stats.Summarize(x)
	if err != nil {
		return math.NaN() // which the permutation test refuses
	}
	return s.Mean
}

func medianDifference(a, b []float64) float64 {
	p, err := stats.Quantile(a, 0.5)
	if err != nil {
		return math.NaN()
	}
	q, err := stats.Quantile(b, 0.5)
	if err != nil {
		return math.NaN()
	}
	return math.Abs(p - q)
}
