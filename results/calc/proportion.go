package calc

import "drench/results/stats"

// bounds sets lower and upper of a two-sided interval, or the one that was
// asked for.
func (r *Result) bounds(side string, both func() (stats.Interval, error), lower, upper func() (float64, error)) error {
	switch side {
	case "lower":
		v, err := lower()
		r.set("lower", v)
		return err
	case "upper":
		v, err := upper()
		r.set("upper", v)
		return err
	}
	i, err := both()
	r.set("lower", i.Lower)
	r.set("upper", i.Upper)
	return err
}

// proportions are about how many trials of n were detected.
func proportions() []Entry {
	params := []Param{
		{Name: "x", Kind: Count, About: "trials that were detected (or missed)"},
		{Name: "n", Kind: Count, About: "trials"},
		confParam,
	}
	return []Entry{{
		Name: "clopper-pearson", Subject: "detection probability", Also: []string{"binomial", "exact", "binom.test", "proportion"},
		About:   "exact confidence interval or bound for a proportion",
		Source:  "Clopper and Pearson, Biometrika 26 (1934) 404",
		Params:  with(params, sideParam),
		Example: "--x 4 --n 20 --conf 0.9",
		Run: func(a Args) (r Result, err error) {
			x, n, conf := a.Count("x"), a.Count("n"), a.Number("conf")
			err = r.bounds(a.Choice("side"),
				func() (stats.Interval, error) { return stats.ClopperPearson(x, n, conf) },
				func() (float64, error) { return stats.ClopperPearsonLower(x, n, conf) },
				func() (float64, error) { return stats.ClopperPearsonUpper(x, n, conf) })
			return r, err
		},
	}, {
		Name: "wilson", Subject: "detection probability", Also: []string{"score", "prop.test"},
		About:   "score interval for a proportion, for planning and plots",
		Source:  "Wilson, JASA 22 (1927) 209",
		Params:  params,
		Example: "--x 4 --n 20",
		Run: func(a Args) (r Result, err error) {
			i, err := stats.Wilson(a.Count("x"), a.Count("n"), a.Number("conf"))
			r.set("lower", i.Lower)
			r.set("upper", i.Upper)
			return r, err
		},
	}, {
		Name: "success-run", Subject: "detection probability", Also: []string{"reliability", "sample-size", "zero-failure"},
		About:  "trials needed to show a reliability, with some misses allowed",
		Source: "smallest n with BinomCDF(misses; n, 1-reliability) <= 1-conf; n = ln(1-conf)/ln(reliability) without misses",
		Params: []Param{
			{Name: "reliability", Kind: Probability, About: "share of trials that must be detected"},
			confParam,
			{Name: "misses", Kind: Count, Default: "0", About: "misses that are allowed"},
		},
		Example: "--reliability 0.95 --conf 0.95 --misses 1",
		Run: func(a Args) (r Result, err error) {
			n, err := stats.SuccessRunSize(a.Number("reliability"), a.Number("conf"), a.Count("misses"))
			r.set("trials", n)
			return r, err
		},
	}}
}

// rates are about events over an exposure.
func rates() []Entry {
	return []Entry{{
		Name: "poisson-rate", Subject: "false-alarm rate", Also: []string{"garwood", "poisson.test", "false-alarms"},
		About:  "exact confidence interval or bound for a rate of events",
		Source: "Garwood, Biometrika 28 (1936) 437",
		Params: []Param{
			{Name: "x", Kind: Count, About: "events seen"},
			{Name: "exposure", Kind: Number, About: "time watched; the rate is per unit of it"},
			confParam, sideParam,
		},
		Example: "--x 0 --exposure 720 --side upper",
		Run: func(a Args) (r Result, err error) {
			x, exposure, conf := a.Count("x"), a.Number("exposure"), a.Number("conf")
			err = r.bounds(a.Choice("side"),
				func() (stats.Interval, error) { return stats.Garwood(x, exposure, conf) },
				func() (float64, error) { return stats.GarwoodLower(x, exposure, conf) },
				func() (float64, error) { return stats.GarwoodUpper(x, exposure, conf) })
			return r, err
		},
	}, {
		Name: "compare-rates", Subject: "false-alarm rate", Also: []string{"rate-ratio"},
		About:  "ratio of two rates with an exact test and interval",
		Source: "Przyborowski and Wilenski, Biometrika 31 (1940) 313",
		Params: []Param{
			{Name: "x1", Kind: Count, About: "events in the first exposure"},
			{Name: "exposure1", Kind: Number, About: "first exposure"},
			{Name: "x2", Kind: Count, About: "events in the second exposure"},
			{Name: "exposure2", Kind: Number, About: "second exposure, same unit"},
			confParam,
		},
		Example: "--x1 11 --exposure1 800 --x2 23 --exposure2 3011",
		Run: func(a Args) (r Result, err error) {
			c, err := stats.CompareRates(a.Count("x1"), a.Number("exposure1"), a.Count("x2"), a.Number("exposure2"), a.Number("conf"))
			r.limit("ratio", c.Ratio, c.HasRatio, "no event was seen in the second exposure")
			r.set("lower", c.Interval.Lower)
			r.limit("upper", c.Interval.Upper, c.HasUpper, "the data put no upper limit on the ratio")
			r.set("p", c.P)
			return r, err
		},
	}}
}
