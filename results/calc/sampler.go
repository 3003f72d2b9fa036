package calc

import (
	"errors"
	"math"

	"drench/results/stats"

	"gonum.org/v1/gonum/stat/distuv"
)

// sampler is about the law of a detector that looks once a period.
func sampler() []Entry {
	const subject = "law of a sampling detector"
	const twelve = "--values .03,.21,.38,.55,.71,.92,1.08,1.27,1.49,1.60,1.77,1.99"
	latencies := Param{Name: "values", Kind: Column, About: "latencies"}
	period := Param{Name: "period", Kind: Number, About: "sampling period"}
	return []Entry{{
		Name: "sampler-latency", Subject: subject, Also: []string{"sampling-law"},
		About:  "law of the latency of a detector that looks once a period",
		Source: "derived: the wait for a sample is uniform on (0, T], further readings and the conversion add a constant",
		Params: []Param{period,
			{Name: "conversion", Kind: Number, Default: "0", About: "time from sample to answer"},
			{Name: "readings", Kind: Count, Default: "1", About: "readings in a row that it waits for"},
			{Name: "p", Kind: Probability, Default: "0.95", About: "which quantile"}},
		Example: "--period 2 --conversion 0.01",
		Run: func(a Args) (r Result, err error) {
			l, err := stats.SamplerLatency(a.Number("period"), a.Number("conversion"), a.Count("readings"))
			if err != nil {
				return r, err
			}
			q, err := l.Quantile(a.Number("p"))
			r.set("from", l.From)
			r.set("to", l.To)
			r.set("mean", l.Mean)
			r.set("sd", l.SD)
			r.set("quantile", q)
			return r, err
		},
	}, {
		Name: "sampler-period", Subject: subject, Also: []string{"fit-period"},
		About:   "sampling period from latencies, with its exact interval",
		Source:  "David and Nagaraja, Order Statistics, 3rd ed. (2003), section 2.3 (from memory)",
		Params:  []Param{latencies, confParam},
		Example: twelve,
		Run: func(a Args) (r Result, err error) {
			f, err := stats.FitPeriod(a.Column("values"), a.Number("conf"))
			r.set("period", f.Period)
			r.set("lower", f.Interval.Lower)
			r.set("upper", f.Interval.Upper)
			return r, err
		},
	}, {
		Name: "sampler-fit", Subject: subject, Also: []string{"fit-law"},
		About:   "whether latencies follow the law of a detector with a known period",
		Source:  "Kolmogorov-Smirnov distance with the p-value by simulation: Barnard, JRSS B 25 (1963) 294 (from memory)",
		Params:  []Param{latencies, period},
		Example: twelve + " --period 2",
		Run: func(a Args) (r Result, err error) {
			f, err := stats.FitSamplerLaw(a.Column("values"), a.Number("period"))
			r.set("from", f.From)
			r.set("to", f.To)
			r.set("D", f.D)
			r.set("p", f.P)
			return r, err
		},
	}, {
		Name: "ks-uniform", Subject: subject, Also: []string{"kolmogorov", "uniform"},
		About:  "whether values are uniform between two ends known beforehand",
		Source: "Marsaglia, Tsang and Wang, J. Statistical Software 8 (2003) issue 18",
		Params: []Param{valuesParam,
			{Name: "from", Kind: Number, About: "lower end"},
			{Name: "to", Kind: Number, About: "upper end"}},
		Example: twelve + " --from 0 --to 2",
		Run: func(a Args) (r Result, err error) {
			k, err := stats.UniformLaw(a.Column("values"), a.Number("from"), a.Number("to"))
			r.set("D", k.D)
			r.set("p", k.P)
			return r, err
		},
	}, {
		Name: "ks", Subject: subject, Also: []string{"kolmogorov-smirnov"},
		About:  "whether values follow a normal or exponential law known beforehand",
		Source: "Marsaglia, Tsang and Wang, J. Statistical Software 8 (2003) issue 18",
		Params: []Param{valuesParam,
			{Name: "law", Kind: Choice, Default: "normal", Choices: []string{"normal", "exponential"}, About: "the law"},
			{Name: "mean", Kind: Number, About: "its mean"},
			{Name: "sd", Kind: Number, Default: None, About: "its standard deviation, if normal"}},
		Example: "--values -1.2,-0.3,0.1,0.4,1.9 --mean 0 --sd 1",
		Run:     kolmogorov,
	}}
}

func kolmogorov(a Args) (r Result, err error) {
	mean, sd := a.Number("mean"), a.Number("sd")
	var law func(float64) float64
	switch {
	case a.Choice("law") == "exponential" && a.Has("sd"):
		return r, errors.New("sd is given; expected none with --law exponential, whose sd is its mean")
	case a.Choice("law") == "exponential" && mean > 0:
		law = distuv.Exponential{Rate: 1 / mean}.CDF
	case a.Choice("law") == "exponential":
		return r, errors.New("mean is not above 0; expected one that is, with --law exponential")
	case !(sd > 0) || math.IsInf(sd, 0):
		return r, errors.New("sd is missing or not above 0; expected --sd with --law normal")
	default:
		law = distuv.Normal{Mu: mean, Sigma: sd}.CDF
	}
	k, err := stats.KS(a.Column("values"), law)
	r.set("D", k.D)
	r.set("p", k.P)
	return r, err
}
