package calc

import (
	"errors"

	"drench/results/sampling"
)

// sequential is about lots that are inspected unit by unit.
func sequential() []Entry {
	const subject = "acceptance sampling"
	params := []Param{
		{Name: "p0", Kind: Probability, About: "quality to accept, share nonconforming"},
		{Name: "p1", Kind: Probability, About: "quality to reject"},
		{Name: "alpha", Kind: Probability, Default: "0.05", About: "chance of rejecting at p0"},
		{Name: "beta", Kind: Probability, Default: "0.1", About: "chance of accepting at p1"},
		{Name: "largest", Kind: Count, Default: None, About: "largest sample, at which the lot is decided"}}
	return []Entry{{
		Name: "sprt", Subject: subject, Also: []string{"wald", "sequential"},
		About:  "Wald's sequential plan, and what it says after some units",
		Source: "Wald, Sequential Analysis (1947) 5.3; NIST e-Handbook 6.2.6 (both from memory)",
		Params: with(params,
			Param{Name: "n", Kind: Count, Default: None, About: "units inspected"},
			Param{Name: "bad", Kind: Count, Default: None, About: "nonconforming among them"}),
		Example: "--p0 0.01 --p1 0.10 --n 24",
		Run:     sprt,
	}, {
		Name: "sprt-performance", Subject: subject, Also: []string{"sprt-oc"},
		About:   "what a sequential plan does at a quality: exactly, and by Wald's approximation",
		Source:  "Wald, Sequential Analysis (1947) 3.4, 3.5 and 5.3 (from memory); exact by recursion over units",
		Params:  with(params, qualityParam),
		Example: "--p0 0.01 --p1 0.10 --quality 0.01",
		Run:     sprtPerformance,
	}}
}

func wald(a Args) (sampling.Sequential, error) {
	s, err := sampling.Wald(a.Number("p0"), a.Number("p1"), a.Number("alpha"), a.Number("beta"))
	if err == nil && a.Has("largest") {
		return s.Truncate(a.Count("largest"))
	}
	return s, err
}

func sprt(a Args) (r Result, err error) {
	s, err := wald(a)
	if err != nil {
		return r, err
	}
	r.set("h_a", s.HAccept)
	r.set("h_r", s.HReject)
	r.set("s", s.Slope)
	if !a.Has("n") {
		return r, nil
	}
	n := a.Count("n")
	b, err := s.At(n)
	if err != nil {
		return r, err
	}
	const early = "it is too early"
	r.reach("accept with", b.Accept, b.Accept >= 0, early)
	r.reach("reject with", b.Reject, b.Reject <= n, early)
	if a.Has("bad") {
		o, err := s.Judge(n, a.Count("bad"))
		if err != nil {
			return r, err
		}
		r.set("outcome", o.String())
	}
	return r, nil
}

func sprtPerformance(a Args) (r Result, err error) {
	s, err := wald(a)
	if err != nil {
		return r, err
	}
	exact, err1 := s.Exact(a.Number("quality"))
	rough, err2 := s.Approximate(a.Number("quality"))
	r.set("performance", Grid{
		Columns: []string{"method", "accept", "reject", "undecided", "mean sample"},
		Rows: [][]any{
			{"exact", exact.Accept, exact.Reject, exact.Undecided, exact.ASN},
			{"Wald", rough.Accept, rough.Reject, rough.Undecided, rough.ASN}},
	})
	return r, errors.Join(err1, err2)
}
