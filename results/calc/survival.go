package calc

import (
	"fmt"
	"slices"

	"drench/results/stats"
)

var (
	timeParam     = Param{Name: "time", Kind: Column, About: "how long it took, or was watched"}
	censoredParam = Param{Name: "censored", Kind: FlagColumn, Default: None,
		About: "1 where the event had not come by then; 0 everywhere if left out"}
	shareParam = Param{Name: "p", Kind: Probability, Default: "0.5", About: "which quantile; 0.5 is the median"}
)

// durations pairs times and flags.
func durations(a Args) []stats.Duration {
	censored := a.Flags("censored")
	d := make([]stats.Duration, len(a.Column("time")))
	for i, t := range a.Column("time") {
		d[i] = stats.Duration{T: t, Censored: len(censored) > 0 && censored[i]}
	}
	return d
}

// survival is about times of which some are only known to be longer.
func survival() []Entry {
	const subject = "censored latencies"
	const sixMP = "--time 6,6,6,6,7,9,10,10,11,13,16,17,19,20,22,23,25,32,32,34,35 --censored 0,0,0,1,0,1,0,1,1,0,0,1,1,1,0,0,1,1,1,1,1"
	times := []Param{timeParam, censoredParam}
	return []Entry{{
		Name: "kaplan-meier", Subject: subject, Also: []string{"survival", "survfit", "product-limit"},
		About:   "survival curve with Greenwood's standard errors and log-log limits",
		Source:  "Kaplan and Meier, JASA 53 (1958) 457; Kalbfleisch and Prentice (2002), section 1.4 (from memory)",
		Params:  with(times, confParam),
		Example: sixMP,
		Run:     kaplanMeier,
	}, {
		Name: "survival-quantile", Subject: subject, Also: []string{"median-survival", "brookmeyer-crowley"},
		About:   "quantile of censored times, with its interval or bound",
		Source:  "Brookmeyer and Crowley, Biometrics 38 (1982) 29, log-log",
		Params:  with(times, shareParam, confParam, sideParam),
		Example: sixMP,
		Run:     survivalQuantile,
	}, {
		Name: "survival-at", Subject: subject,
		About:   "share still without event at a time",
		Source:  "Kaplan and Meier, JASA 53 (1958) 457",
		Params:  with(times, Param{Name: "at", Kind: Number, About: "the time"}),
		Example: sixMP + " --at 10",
		Run: func(a Args) (r Result, err error) {
			c, err := stats.KaplanMeier(durations(a))
			r.set("S", c.At(a.Number("at")))
			if at := a.Number("at"); at > c.Last {
				r.note("the data end at %v; the curve says nothing beyond", c.Last)
			}
			return r, err
		},
	}, {
		Name: "restricted-mean", Subject: subject, Also: []string{"rmst", "mean-survival"},
		About:   "mean time without event up to a time, with its standard error",
		Source:  "Kaplan and Meier, JASA 53 (1958) 457, section 2.2 (from memory)",
		Params:  with(times, Param{Name: "upto", Kind: Number, About: "longer waits count as this"}),
		Example: sixMP + " --upto 35",
		Run: func(a Args) (r Result, err error) {
			c, err := stats.KaplanMeier(durations(a))
			if err != nil {
				return r, err
			}
			mean, se, err := c.RestrictedMean(a.Number("upto"))
			r.set("mean", mean)
			r.set("se", se)
			return r, err
		},
	}, {
		Name: "latency-bound", Subject: subject, Also: []string{"censored-quantile-upper"},
		About:   "upper confidence bound of a quantile, by ranks if only time-outs are censored, else by the curve",
		Source:  "Hahn and Meeker, Statistical Intervals (1991), section 5.2 (from memory); else Brookmeyer and Crowley, Biometrics 38 (1982) 29",
		Params:  with(times, shareParam, confParam),
		Example: "--time 3,1,4,2,5,9,7,8,6,10 --p 0.5",
		Run: func(a Args) (r Result, err error) {
			b, err := stats.CensoredQuantileUpper(durations(a), a.Number("p"), a.Number("conf"))
			r.limit("upper", b.T, b.Exists, "there are too few values, or too many are censored")
			r.set("exact", b.Exact)
			return r, err
		},
	}, {
		Name: "log-rank", Subject: subject, Also: []string{"logrank", "survdiff", "mantel"},
		About:   "whether two groups of times, censored or not, are alike",
		Source:  "Mantel, Cancer Chemotherapy Reports 50 (1966) 163",
		Params:  with(times, Param{Name: "group", Kind: LabelColumn, About: "which of two groups a time belongs to"}),
		Example: "--time 6,7,10,13,16,1,2,3,4,8 --censored 0,0,1,0,1,0,0,0,0,0 --group new,new,new,new,new,old,old,old,old,old",
		Run:     logRank,
	}}
}

func kaplanMeier(a Args) (r Result, err error) {
	c, err := stats.KaplanMeier(durations(a))
	if err != nil {
		return r, err
	}
	r.set("n", c.N)
	r.set("events", c.Events)
	r.set("last", c.Last)
	g := Grid{Columns: []string{"time", "at risk", "events", "S", "se", "lower", "upper"}}
	for _, s := range c.Steps {
		row := []any{s.T, s.AtRisk, s.Events, s.S, s.SE, nil, nil}
		limits, ok, err := s.Limits(a.Number("conf"))
		if err != nil {
			return r, err
		}
		if ok {
			row[5], row[6] = limits.Lower, limits.Upper
		} else {
			row[4] = nil // undefined where S is 0
		}
		g.Rows = append(g.Rows, row)
	}
	r.set("steps", g)
	return r, nil
}

func survivalQuantile(a Args) (r Result, err error) {
	c, err := stats.KaplanMeier(durations(a))
	if err != nil {
		return r, err
	}
	p, conf := a.Number("p"), a.Number("conf")
	q, ok := c.Quantile(p)
	r.limit("quantile", q, ok, "the curve does not come down so far")
	const why = "the band does not come down so far"
	switch a.Choice("side") {
	case "lower":
		v, ok, err := c.QuantileLower(p, conf)
		r.limit("lower", v, ok, why)
		return r, err
	case "upper":
		v, ok, err := c.QuantileUpper(p, conf)
		r.limit("upper", v, ok, why)
		return r, err
	}
	lower, upper, hasLower, hasUpper, err := c.QuantileBounds(p, conf)
	r.limit("lower", lower, hasLower, why)
	r.limit("upper", upper, hasUpper, why)
	return r, err
}

func logRank(a Args) (r Result, err error) {
	names := distinct(a.Labels("group"))
	if len(names) != 2 {
		return r, fmt.Errorf("group has %d different labels; expected 2", len(names))
	}
	var groups [2][]stats.Duration
	for i, d := range durations(a) {
		g := slices.Index(names, a.Labels("group")[i])
		groups[g] = append(groups[g], d)
	}
	l, err := stats.LogRank(groups[0], groups[1])
	if err != nil {
		return r, err
	}
	g := Grid{Columns: []string{"group", "n", "observed", "expected"}}
	for i, name := range names {
		g.Rows = append(g.Rows, []any{name, len(groups[i]), l.Observed[i], l.Expected[i]})
	}
	r.set("groups", g)
	r.set("variance", l.Variance)
	r.set("chi-square", l.ChiSq)
	r.set("p", l.P)
	return r, nil
}
