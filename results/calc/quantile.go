package calc

import (
	"errors"

	"drench/results/stats"
)

var valuesParam = Param{Name: "values", Kind: Column, About: "the values"}

const tooFew = "n is too small for one"

// quantiles are about single samples: description, quantiles and their ranks,
// tolerance factors.
func quantiles() []Entry {
	n := Param{Name: "n", Kind: Count, About: "number of values"}
	p := Param{Name: "p", Kind: Probability, About: "which quantile, such as 0.95"}
	return []Entry{{
		Name: "summary", Subject: "quantiles and tolerance", Also: []string{"mean", "sd", "describe"},
		About:   "count, mean, standard deviation, extremes, lag-1 autocorrelation",
		Source:  "NIST StRD, univariate summary statistics; Chan, Golub and LeVeque, American Statistician 37 (1983) 242",
		Params:  []Param{valuesParam},
		Example: "--values 10000001,10000003,10000002",
		Run:     summarize,
	}, {
		Name: "quantile", Subject: "quantiles and tolerance", Also: []string{"percentile", "median"},
		About:   "point estimate of a quantile",
		Source:  "Hyndman and Fan, American Statistician 50 (1996) 361, definition 7",
		Params:  []Param{valuesParam, p},
		Example: "--values 1,2,3,4 --p 0.25",
		Run: func(a Args) (r Result, err error) {
			q, err := stats.Quantile(a.Column("values"), a.Number("p"))
			r.set("quantile", q)
			return r, err
		},
	}, {
		Name: "quantile-interval", Subject: "quantiles and tolerance", Also: []string{"order-statistic"},
		About:   "ranks of the values that bound a quantile on both sides, for any distribution",
		Source:  "Hahn and Meeker, Statistical Intervals (1991), section 5.2 (from memory)",
		Params:  []Param{n, p, confParam},
		Example: "--n 100 --p 0.5",
		Run:     quantileInterval,
	}, {
		Name: "quantile-rank", Subject: "quantiles and tolerance", Also: []string{"quantile-bound"},
		About:  "rank of the value that bounds a quantile on one side, for any distribution",
		Source: "Hahn and Meeker, Statistical Intervals (1991), section 5.2 (from memory)",
		Params: []Param{n, p, confParam,
			{Name: "side", Kind: Choice, Default: "upper", Choices: []string{"lower", "upper"}, About: "which bound"}},
		Example: "--n 93 --p 0.95",
		Run: func(a Args) (r Result, err error) {
			bound := map[string]func(int, float64, float64) (int, bool, error){
				"lower": stats.QuantileLowerRank, "upper": stats.QuantileUpperRank,
			}[a.Choice("side")]
			rank, ok, err := bound(a.Count("n"), a.Number("p"), a.Number("conf"))
			r.reach("rank", rank, ok, tooFew)
			return r, err
		},
	}, {
		Name: "wilks", Subject: "quantiles and tolerance", Also: []string{"quantile-size", "wilks-one-sided"},
		About:  "values needed for the k-th largest to bound a quantile",
		Source: "Wilks, Annals of Mathematical Statistics 12 (1941) 91",
		Params: []Param{p, confParam,
			{Name: "k", Kind: Count, Default: "1", About: "k-th largest; 1 is the largest"}},
		Example: "--p 0.95 --conf 0.95 --k 2",
		Run: func(a Args) (r Result, err error) {
			size, err := stats.QuantileSampleSize(a.Number("p"), a.Number("conf"), a.Count("k"))
			r.set("n", size)
			return r, err
		},
	}, {
		Name: "wilks-two-sided", Subject: "quantiles and tolerance",
		About:   "values needed for their range to hold a share of the distribution",
		Source:  "Wilks, Annals of Mathematical Statistics 12 (1941) 91",
		Params:  []Param{contentParam, confParam},
		Example: "--content 0.95 --conf 0.95",
		Run: func(a Args) (r Result, err error) {
			size, err := stats.WilksTwoSided(a.Number("content"), a.Number("conf"))
			r.set("n", size)
			return r, err
		},
	}, {
		Name: "tolerance-factor", Subject: "quantiles and tolerance", Also: []string{"k-factor", "howe", "natrella"},
		About:   "factors k of normal tolerance limits, mean + k s",
		Source:  "NIST e-Handbook 7.2.6.3; Howe, JASA 64 (1969) 610; Natrella, NBS Handbook 91 (1963)",
		Params:  []Param{n, contentParam, confParam},
		Example: "--n 43 --content 0.9 --conf 0.99",
		Run:     toleranceFactors,
	}}
}

var contentParam = Param{Name: "content", Kind: Probability, About: "share of the distribution that the limits hold"}

func summarize(a Args) (r Result, err error) {
	s, err := stats.Summarize(a.Column("values"))
	r.set("n", s.N)
	r.set("mean", s.Mean)
	r.limit("sd", s.SD, s.HasSD, "there is one value only")
	r.set("min", s.Min)
	r.set("max", s.Max)
	r.limit("lag1", s.Lag1, s.HasLag1, "there is one value only, or all are equal")
	return r, err
}

func quantileInterval(a Args) (r Result, err error) {
	o, err := stats.OrderStatInterval(a.Count("n"), a.Number("p"), a.Number("conf"))
	r.reach("lower rank", o.L, !o.NoLower, tooFew)
	r.reach("upper rank", o.U, !o.NoUpper, tooFew)
	r.set("cover", o.Cover)
	return r, err
}

func toleranceFactors(a Args) (r Result, err error) {
	n, content, conf := a.Count("n"), a.Number("content"), a.Number("conf")
	one, err1 := stats.ToleranceOneSided(n, content, conf)
	two, err2 := stats.ToleranceTwoSided(n, content, conf)
	howe, err3 := stats.ToleranceHowe(n, content, conf)
	natrella, err4 := stats.ToleranceNatrella(n, content, conf)
	if err := errors.Join(err1, err2, err3); err != nil {
		return r, err1
	}
	r.set("one-sided", one)
	r.set("two-sided", two)
	r.set("two-sided by Howe", howe)
	r.limit("one-sided by Natrella", natrella, err4 == nil, "n is too small for this approximation")
	return r, nil
}
