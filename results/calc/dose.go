package calc

import (
	"errors"
	"math"

	"drench/results/stats/dose"
)

var (
	doseParams = []Param{
		{Name: "dose", Kind: Column, About: "dose, or its logarithm"},
		{Name: "n", Kind: CountColumn, Default: None, About: "trials at the dose; 1 everywhere if left out"},
		{Name: "hits", Kind: CountColumn, About: "trials that detected"},
	}
	methodParam = Param{Name: "method", Kind: Choice, Default: "auto", Choices: []string{"auto", "ml", "firth"},
		About: "maximum likelihood, Firth's penalty, or the second where the first has no answer"}
	linkParam = Param{Name: "link", Kind: Choice, Default: "logit",
		Choices: []string{dose.Logit.String(), dose.Probit.String(), dose.CLogLog.String()}, About: "shape of the curve"}
)

const bliss = "--dose 1.6907,1.7242,1.7552,1.7842,1.8113,1.8369,1.8610,1.8839 --n 59,60,62,56,63,59,62,60 --hits 6,13,18,28,52,53,61,60"

// doseResponse is about how detection rises with the dose.
func doseResponse() []Entry {
	const subject = "dose-response"
	return []Entry{
		doseFit(dose.Logit, "glm", "hit-miss", "pod-curve", "a90"),
		doseFit(dose.Probit),
		doseFit(dose.CLogLog),
		{
			Name: "dose-limits", Subject: subject, Also: []string{"fieller", "delta", "a9095"},
			About:  "dose with a wanted POD, with its limits by three methods",
			Source: "MIL-HDBK-1823A (2009); Finney, Probit Analysis, 3rd ed. (1971) 4.6; Cox and Hinkley, Theoretical Statistics, 9.3 (all from memory)",
			Params: with(doseParams, linkParam, methodParam,
				Param{Name: "q", Kind: Probability, Default: "0.9", About: "the POD"}, confParam, sideParam),
			Example: bliss + " --q 0.9 --side upper",
			Run:     doseLimits,
		}, {
			Name: "dose-pod", Subject: subject, Also: []string{"pod"},
			About:   "probability of detection at a dose",
			Source:  "MIL-HDBK-1823A (2009, from memory)",
			Params:  with(doseParams, linkParam, methodParam, Param{Name: "at", Kind: Number, About: "the dose"}),
			Example: bliss + " --at 1.8113",
			Run: func(a Args) (r Result, err error) {
				f, err := fitDose(a, a.Choice("link"))
				if err != nil {
					return r, err
				}
				p, err := f.POD(a.Number("at"))
				r.set("POD", p)
				return r, err
			},
		}, {
			Name: "staircase", Subject: subject, Also: []string{"dixon-mood", "up-and-down"},
			About:  "a50 from an up-and-down series",
			Source: "Dixon and Mood, JASA 43 (1948) 109 (formulas from memory)",
			Params: []Param{
				{Name: "dose", Kind: Column, About: "dose of each trial, in order"},
				{Name: "hit", Kind: FlagColumn, About: "1 where the trial detected"},
				{Name: "step", Kind: Number, About: "step between doses"}},
			Example: "--dose 1.4,1.1,1.4,1.1,1.4,1.7,1.4,1.1 --hit 1,0,1,0,0,1,1,0 --step 0.3",
			Run:     staircase,
		}}
}

func doseFit(link dose.Link, also ...string) Entry {
	return Entry{
		Name: "dose-" + link.String(), Subject: "dose-response", Also: also,
		About:   link.String() + " curve through hits and misses: coefficients, a50, a90, a90/95, fit",
		Source:  "MIL-HDBK-1823A (2009, from memory); Firth, Biometrika 80 (1993) 27; McCullagh and Nelder, Generalized Linear Models, 4.4",
		Params:  with(doseParams, methodParam, confParam),
		Example: bliss,
		Run: func(a Args) (r Result, err error) {
			f, err := fitDose(a, link.String())
			if err != nil {
				return r, err
			}
			r.fit(f)
			return r, errors.Join(r.fitQuality(f), r.doses(f, a.Number("conf")))
		},
	}
}

// fitDose fits by the method asked for.
func fitDose(a Args, name string) (*dose.Fit, error) {
	link, err := dose.ParseLink(name)
	if err != nil {
		return nil, err
	}
	n, hits := a.Counts("n"), a.Counts("hits")
	groups := make([]dose.Group, len(hits))
	for i, d := range a.Column("dose") {
		groups[i] = dose.Group{Dose: d, N: 1, Hits: hits[i]}
		if len(n) > 0 {
			groups[i].N = n[i]
		}
	}
	fit := map[string]func([]dose.Group, dose.Link) (*dose.Fit, error){
		"auto": dose.Regress, "ml": dose.MaxLikelihood, "firth": dose.Firth,
	}[a.Choice("method")]
	return fit(groups, link)
}

func (r *Result) fit(f *dose.Fit) {
	r.set("method", map[bool]string{false: "maximum likelihood", true: "Firth's penalty"}[f.Penalised])
	if f.Penalised && f.Separation != dose.Overlap {
		r.note("hits and misses are separated by dose (%s), so maximum likelihood has no finite answer", f.Separation)
	}
	r.set("intercept", f.Intercept)
	r.set("slope", f.Slope)
	r.set("se intercept", math.Sqrt(f.Cov[0][0]))
	r.set("se slope", math.Sqrt(f.Cov[1][1]))
	r.set("covariance", f.Cov[0][1])
}

// fitQuality sets likelihoods and tests of the fit.
func (r *Result) fitQuality(f *dose.Fit) error {
	r.set("log-likelihood", f.LogLik)
	r.set("log-likelihood, binomial", f.LogLikBinomial)
	if f.Penalised {
		r.set("log-likelihood, penalised", f.PenalisedLogLik)
	}
	r.set("null deviance", f.NullDeviance)
	r.set("deviance", f.Deviance)
	r.set("Pearson", f.Pearson)
	r.set("df", f.DF)
	if f.DF == 0 {
		r.note("two doses leave no degree of freedom to test the fit")
		return nil
	}
	g, err := f.GoodnessOfFit()
	r.set("p deviance", g.Deviance)
	r.set("p Pearson", g.Pearson)
	return err
}

// doses sets slope interval, a50, a90 and a90/95.
func (r *Result) doses(f *dose.Fit, conf float64) error {
	s, err := f.ProfileSlope(conf, dose.TwoSided)
	if err != nil {
		return err
	}
	r.set("slope lower", s.Lower)
	r.set("slope upper", s.Upper)
	a50, err := f.Quantile(0.5)
	if errors.Is(err, dose.ErrSlope) {
		r.note("%v, so there is no a50 or a90", err)
		return nil
	}
	a90, err90 := f.Quantile(0.9)
	a9095, err9095 := f.A9095()
	r.set("a50", a50.Value)
	r.set("se a50", a50.SE)
	r.set("a90", a90.Value)
	r.set("se a90", a90.SE)
	r.set("a90/95", a9095)
	return errors.Join(err, err90, err9095)
}

func doseLimits(a Args) (r Result, err error) {
	f, err := fitDose(a, a.Choice("link"))
	if err != nil {
		return r, err
	}
	q := a.Number("q")
	e, err := f.Quantile(q)
	if err != nil {
		return r, err
	}
	r.set("dose", e.Value)
	r.set("se", e.SE)
	side := map[string]dose.Side{"two": dose.TwoSided, "lower": dose.Lower, "upper": dose.Upper}[a.Choice("side")]
	g := Grid{Columns: []string{"method", "lower", "upper"}}
	for _, m := range []struct {
		name   string
		limits func(q, level float64, side dose.Side) (dose.Interval, error)
	}{{"delta", f.Delta}, {"Fieller", f.Fieller}, {"likelihood ratio", f.LikelihoodRatio}} {
		i, err := m.limits(q, a.Number("conf"), side)
		if err != nil {
			return r, err
		}
		g.Rows = append(g.Rows, []any{m.name, i.Lower, i.Upper})
	}
	r.set("limits", g)
	return r, nil
}

func staircase(a Args) (r Result, err error) {
	hits := a.Flags("hit")
	trials := make([]dose.Trial, len(hits))
	for i, d := range a.Column("dose") {
		trials[i] = dose.Trial{Dose: d, Hit: hits[i]}
	}
	s, err := dose.DixonMood(trials, a.Number("step"))
	if err != nil {
		return r, err
	}
	r.set("a50", s.Mean)
	sd, err := s.SD()
	r.limit("sd", sd, err == nil, "the formula holds for a spread above 0.3 only")
	r.set("spread", s.Spread)
	r.set("counted", map[bool]string{true: "hits", false: "misses"}[s.Hits])
	r.set("lowest", s.Lowest)
	r.set("counts", s.Counts)
	return r, nil
}
