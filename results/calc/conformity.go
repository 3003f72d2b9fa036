package calc

import (
	"errors"
	"math"

	"drench/results/stats/uncertainty"
)

// toleranceParams are the limits of what is permitted.
var toleranceParams = []Param{
	{Name: "lower", Kind: Number, Default: None, About: "lower limit, if there is one"},
	{Name: "upper", Kind: Number, Default: None, About: "upper limit, if there is one"},
}

var uParam = Param{Name: "u", Kind: Number, About: "standard uncertainty"}

// tolerance reads a tolerance of which one limit may be missing.
func tolerance(a Args, lower, upper string) uncertainty.Tolerance {
	switch {
	case a.Has(lower) && a.Has(upper):
		return uncertainty.Tolerance{Lower: a.Number(lower), Upper: a.Number(upper)}
	case a.Has(lower):
		return uncertainty.AtLeast(a.Number(lower))
	case a.Has(upper):
		return uncertainty.AtMost(a.Number(upper))
	}
	return uncertainty.Tolerance{Lower: math.Inf(-1), Upper: math.Inf(1)}
}

var errNoLimit = errors.New("there is no limit; expected --lower, --upper or both")

// conformity is about verdicts on an uncertain value.
func conformity() []Entry {
	const subject = "verdict under uncertainty"
	y := Param{Name: "y", Kind: Number, About: "measured value"}
	proof := Param{Name: "p", Kind: Probability, Default: "0.95", About: "probability that proves"}
	return []Entry{{
		Name: "conformance", Subject: subject, Also: []string{"conformance-probability", "jcgm106", "decide"},
		About:   "probability that a value conforms, and what that proves",
		Source:  "JCGM 106:2012 7.3 and 7.4; ISO 14253-1:2017 (rule from memory)",
		Params:  with([]Param{y, uParam}, with(toleranceParams, proof)...),
		Example: "--y -5.40 --u 0.05 --lower -5.47",
		Run: func(a Args) (r Result, err error) {
			if !a.Has("lower") && !a.Has("upper") {
				return r, errNoLimit
			}
			t := tolerance(a, "lower", "upper")
			p, err := uncertainty.ConformanceProbability(a.Number("y"), a.Number("u"), t)
			if err != nil {
				return r, err
			}
			d, err := uncertainty.Decide(a.Number("y"), a.Number("u"), t, a.Number("p"))
			r.set("probability", p)
			r.set("decision", d.String())
			return r, err
		},
	}, {
		Name: "guard-band", Subject: subject, Also: []string{"acceptance", "iso14253"},
		About:   "which measured values prove conformity",
		Source:  "JCGM 106:2012 8.3.2; ISO 14253-1:2017 (rules from memory)",
		Params:  with([]Param{uParam}, with(toleranceParams, proof)...),
		Example: "--u 0.05 --upper 3",
		Run: func(a Args) (r Result, err error) {
			if !a.Has("lower") && !a.Has("upper") {
				return r, errNoLimit
			}
			t, err := uncertainty.Acceptance(a.Number("u"), tolerance(a, "lower", "upper"), a.Number("p"))
			r.set("accept from", t.Lower)
			r.set("accept to", t.Upper)
			return r, err
		},
	}, {
		Name: "global-risk", Subject: subject, Also: []string{"consumer-risk", "producer-risk"},
		About:  "risks of wrong decisions on items drawn at random",
		Source: "JCGM 106:2012 9.5.2 (from memory)",
		Params: with([]Param{
			{Name: "mean", Kind: Number, About: "mean of the items"},
			{Name: "sd", Kind: Number, About: "standard deviation of the items"}, uParam},
			with(toleranceParams,
				Param{Name: "accept-lower", Kind: Number, Default: None, About: "lowest measured value accepted"},
				Param{Name: "accept-upper", Kind: Number, Default: None, About: "highest measured value accepted"})...),
		Example: "--mean 0 --sd 1 --u 0.25 --lower -2 --upper 2 --accept-lower -1.6 --accept-upper 1.6",
		Run: func(a Args) (r Result, err error) {
			if !a.Has("lower") && !a.Has("upper") {
				return r, errNoLimit
			}
			t := tolerance(a, "lower", "upper")
			accept := t
			if a.Has("accept-lower") || a.Has("accept-upper") {
				accept = tolerance(a, "accept-lower", "accept-upper")
			}
			items := uncertainty.Process{Mean: a.Number("mean"), SD: a.Number("sd")}
			risk, err := uncertainty.GlobalRisk(items, a.Number("u"), t, accept)
			r.set("consumer", risk.Consumer)
			r.set("producer", risk.Producer)
			return r, err
		},
	}}
}
