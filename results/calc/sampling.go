package calc

import (
	"errors"
	"fmt"

	"drench/results/sampling"
)

// mostUnits keeps sums over units short.
const mostUnits = 10_000_000

// Parameters of sampling plans.
var (
	lotParam   = Param{Name: "lot", Kind: Count, Most: mostUnits, About: "units in the lot"}
	levelNames = []string{string(sampling.LevelS1), string(sampling.LevelS2), string(sampling.LevelS3), string(sampling.LevelS4),
		string(sampling.LevelI), string(sampling.LevelII), string(sampling.LevelIII)}
	inspection = Param{Name: "level", Kind: Choice, Default: string(sampling.LevelII), Choices: levelNames, About: "inspection level"}
	planParams = []Param{
		{Name: "n", Kind: Count, Most: mostUnits, About: "units inspected"},
		{Name: "ac", Kind: Count, About: "accept with so many nonconforming or fewer"},
		{Name: "re", Kind: Count, Default: None, About: "reject with so many or more; ac + 1 if left out"}}
	modelParam = Param{Name: "model", Kind: Choice, Default: "binomial", Choices: []string{"binomial", "poisson"},
		About: "nonconforming units, or nonconformities of which a unit may have several"}
	qualityParam = Param{Name: "quality", Kind: Number, About: "share of units that are nonconforming, or nonconformities per unit"}
)

const ocSource = "MIL-STD-105E (1989) 4.11"

func plan(a Args) sampling.Plan {
	p := sampling.Plan{N: a.Count("n"), Ac: a.Count("ac"), Re: a.Count("ac") + 1}
	if a.Has("re") {
		p.Re = a.Count("re")
	}
	return p
}

func model(a Args) sampling.Model {
	return map[string]sampling.Model{"binomial": sampling.Binomial, "poisson": sampling.Poisson}[a.Choice("model")]
}

// acceptance is about lots of devices.
func acceptance() []Entry {
	const subject = "acceptance sampling"
	return []Entry{{
		Name: "code-letter", Subject: subject, Also: []string{"sample-size-letter"},
		About:   "code letter of a lot",
		Source:  "MIL-STD-105E (1989) table I",
		Params:  []Param{lotParam, inspection},
		Example: "--lot 1000",
		Run: func(a Args) (r Result, err error) {
			l, err := sampling.CodeLetter(a.Count("lot"), sampling.Level(a.Choice("level")))
			r.set("letter", string(l))
			return r, err
		},
	}, {
		Name: "plan-single", Subject: subject, Also: []string{"aql", "iso2859", "z1.4", "105e"},
		About:  "single sampling plan of the standard for a lot and an AQL",
		Source: "MIL-STD-105E (1989) tables I and II-A to II-C, as ANSI/ASQ Z1.4; ISO 2859-1 where stated",
		Params: []Param{lotParam, inspection,
			{Name: "aql", Kind: Number, About: "acceptable quality level in percent, one of those that aqls lists"},
			{Name: "severity", Kind: Choice, Default: "normal", Choices: []string{"normal", "tightened", "reduced"}, About: "how strictly"}},
		Example: "--lot 1000 --aql 1",
		Run:     planSingle,
	}, {
		Name: "aqls", Subject: subject,
		About:  "AQLs that the tables have, in percent",
		Source: "MIL-STD-105E (1989) table II-A",
		Run: func(Args) (r Result, err error) {
			list, err := sampling.AQLs()
			r.set("aqls", list)
			return r, err
		},
	}, {
		Name: "oc", Subject: subject, Also: []string{"operating-characteristic"},
		About:   "probability that a plan accepts from a process",
		Source:  ocSource,
		Params:  with(planParams, qualityParam, modelParam),
		Example: "--n 80 --ac 3 --quality 0.02",
		Run: func(a Args) (r Result, err error) {
			p, err := plan(a).OC(model(a), a.Number("quality"))
			r.set("accept", p)
			return r, err
		},
	}, {
		Name: "oc-lot", Subject: subject, Also: []string{"hypergeometric"},
		About:   "probability that a plan accepts a lot with so many nonconforming units",
		Source:  "hypergeometric distribution; " + ocSource,
		Params:  with(planParams, lotParam, Param{Name: "bad", Kind: Count, About: "nonconforming units in the lot"}),
		Example: "--n 80 --ac 1 --lot 1000 --bad 10",
		Run: func(a Args) (r Result, err error) {
			p, err := plan(a).OCLot(a.Count("lot"), a.Count("bad"))
			r.set("accept", p)
			return r, err
		},
	}, {
		Name: "oc-quality", Subject: subject, Also: []string{"quality-at", "lq", "rql"},
		About:  "quality that a plan accepts with a given probability",
		Source: "beta or chi-square quantile; " + ocSource,
		Params: with(planParams, Param{Name: "accept", Kind: Probability, Default: "0.1", About: "probability of accepting"}, modelParam),
		// The limiting quality at a consumer's risk of 10 %.
		Example: "--n 80 --ac 3 --accept 0.1",
		Run: func(a Args) (r Result, err error) {
			q, err := plan(a).QualityAt(model(a), a.Number("accept"))
			r.set("quality", q)
			return r, err
		},
	}, {
		Name: "outgoing", Subject: subject, Also: []string{"aoq", "aoql", "ati", "asn"},
		About:  "outgoing quality and inspection effort when rejected lots are sorted",
		Source: "MIL-STD-105E (1989) 4.11.4 and table V (from memory)",
		Params: with(planParams, qualityParam, modelParam,
			Param{Name: "lot", Kind: Count, Default: "0", Most: mostUnits, About: "units in the lot; 0 for a large one"}),
		Example: "--n 80 --ac 3 --quality 0.02 --lot 1000",
		Run:     outgoing,
	}, {
		Name: "zero-acceptance", Subject: subject, Also: []string{"c=0"},
		About:  "smallest plan without a nonconforming unit",
		Source: "least n with (1-quality)^n <= beta; for a lot hypergeometric",
		Params: []Param{
			{Name: "quality", Kind: Probability, Default: None, About: "share nonconforming that must not pass, of a process"},
			{Name: "lot", Kind: Count, Default: None, Most: mostUnits, About: "or: units in the lot"},
			{Name: "bad", Kind: Count, Default: None, About: "with so many nonconforming that must not pass"},
			{Name: "beta", Kind: Probability, Default: "0.1", About: "chance that they pass all the same"}},
		Example: "--quality 0.05 --beta 0.05",
		Run:     zeroAcceptance,
	}, {
		Name: "switching", Subject: subject, Also: []string{"switching-rules"},
		About:  "normal, tightened and reduced inspection over a series of lots",
		Source: "ISO 2859-1:1999 clause 9; MIL-STD-105E (1989) 4.7 (both from memory)",
		Params: []Param{
			{Name: "n", Kind: CountColumn, About: "units inspected of each lot, in order"},
			{Name: "ac", Kind: CountColumn, About: "its acceptance number"},
			{Name: "re", Kind: CountColumn, Default: None, About: "its rejection number; ac + 1 if left out"},
			{Name: "bad", Kind: CountColumn, About: "nonconforming units found"},
			{Name: "resubmitted", Kind: FlagColumn, Default: None, About: "1: not its original inspection"},
			{Name: "steady", Kind: FlagColumn, Default: None, About: "0: production is not steady"},
			{Name: "agreed", Kind: FlagColumn, Default: None, About: "1: the authority agrees to reduced inspection"},
			{Name: "within", Kind: FlagColumn, Default: None, About: "1: the last ten are within the limit table (mil105e)"},
			{Name: "resumed", Kind: FlagColumn, Default: None, About: "1: the supplier has acted, inspection was resumed before"},
			{Name: "rules", Kind: Choice, Default: "iso2859", Choices: []string{"iso2859", "mil105e"}, About: "whose rules"}},
		Example: "--n 80,80,80,80 --ac 2,2,1,1 --bad 3,4,0,1",
		Run:     switching,
	}}
}

func planSingle(a Args) (r Result, err error) {
	severity, err := sampling.ParseSeverity(a.Choice("severity"))
	if err != nil {
		return r, err
	}
	s, err := sampling.Select(a.Count("lot"), sampling.Level(a.Choice("level")), a.Number("aql"), severity)
	r.set("letter", string(s.Letter))
	r.set("n", s.N)
	r.set("Ac", s.Ac)
	r.set("Re", s.Re)
	r.set("whole lot", s.Whole)
	return r, err
}

func outgoing(a Args) (r Result, err error) {
	p, m, q, lot := plan(a), model(a), a.Number("quality"), a.Count("lot")
	aoq, err := p.AOQ(m, q, lot)
	if err != nil {
		return r, err
	}
	limit, incoming, err := p.AOQL(m, lot)
	if err != nil {
		return r, err
	}
	r.set("AOQ", aoq)
	r.set("AOQL", limit)
	r.set("at incoming", incoming)
	if lot > 0 {
		ati, err := p.ATI(m, q, lot)
		if err != nil {
			return r, err
		}
		r.set("ATI", ati)
	}
	if m == sampling.Binomial {
		asn, err := p.ASN(q)
		if err != nil {
			return r, err
		}
		r.set("ASN, stopping at rejection", asn)
	}
	return r, nil
}

func zeroAcceptance(a Args) (r Result, err error) {
	var p sampling.Plan
	switch {
	case a.Has("quality") && !a.Has("lot") && !a.Has("bad"):
		p, err = sampling.ZeroAcceptance(a.Number("quality"), a.Number("beta"))
	case !a.Has("quality") && a.Has("lot") && a.Has("bad"):
		p, err = sampling.ZeroAcceptanceLot(a.Count("lot"), a.Count("bad"), a.Number("beta"))
	default:
		return r, errors.New("it is not clear what must not pass; expected --quality, or --lot with --bad")
	}
	r.set("n", p.N)
	return r, err
}

func switching(a Args) (r Result, err error) {
	rules, err := sampling.ParseRules(a.Choice("rules"))
	if err != nil {
		return r, err
	}
	s, err := sampling.Start(rules)
	if err != nil {
		return r, err
	}
	g := Grid{Columns: []string{"lot", "inspection", "outcome", "next", "because"}}
	for i, lot := range lots(a) {
		if a.flagAt("resumed", i, false) {
			if s, err = s.Resume(); err != nil {
				return r, fmt.Errorf("lot %d: %w", i+1, err)
			}
		}
		before := s.Severity
		if s, err = s.Next(lot); err != nil {
			return r, fmt.Errorf("lot %d: %w", i+1, err)
		}
		outcome := map[bool]string{true: "accepted", false: "rejected"}[lot.Plan.Accepts(lot.Bad)]
		g.Rows = append(g.Rows, []any{i + 1, before.String(), outcome, s.Severity.String(), s.Because})
	}
	r.set("inspection", s.Severity.String())
	r.set("score", s.Score)
	r.set("lots", g)
	return r, nil
}

func lots(a Args) []sampling.Lot {
	n, ac, re, bad := a.Counts("n"), a.Counts("ac"), a.Counts("re"), a.Counts("bad")
	list := make([]sampling.Lot, len(n))
	for i := range n {
		p := sampling.Plan{N: n[i], Ac: ac[i], Re: ac[i] + 1}
		if len(re) > 0 {
			p.Re = re[i]
		}
		list[i] = sampling.Lot{Plan: p, Bad: bad[i],
			Resubmitted: a.flagAt("resubmitted", i, false), Steady: a.flagAt("steady", i, true),
			Agreed: a.flagAt("agreed", i, false), WithinLimit: a.flagAt("within", i, false)}
	}
	return list
}

// flagAt returns a flag of a column that may be left out.
func (a Args) flagAt(name string, i int, missing bool) bool {
	if !a.Has(name) {
		return missing
	}
	return a.Column(name)[i] != 0
}
