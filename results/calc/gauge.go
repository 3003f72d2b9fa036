package calc

import (
	"fmt"
	"slices"

	"drench/results/stats/uncertainty"
)

// gauges is about how much of what varies is the rig.
func gauges() []Entry {
	const study = "--part 1,1,2,2,3,3,1,1,2,2,3,3 --appraiser A,A,A,A,A,A,B,B,B,B,B,B " +
		"--value 0.29,0.41,-0.56,-0.68,1.34,1.17,0.08,0.25,-0.47,-1.22,1.19,0.94"
	params := []Param{
		{Name: "part", Kind: LabelColumn, About: "which part was read"},
		{Name: "appraiser", Kind: LabelColumn, About: "by whom, or by which rig"},
		{Name: "value", Kind: Column, About: "the reading"},
		{Name: "tolerance", Kind: Number, Default: None, About: "width of the tolerance, if there is one"},
	}
	return []Entry{{
		Name: "gauge-rr", Subject: "gauge study", Also: []string{"grr", "msa", "gage-rr", "repeatability"},
		About:   "repeatability and reproducibility of a crossed study, by analysis of variance",
		Source:  "AIAG, Measurement Systems Analysis, 4th ed., appendix A",
		Params:  with(params, Param{Name: "alpha", Kind: Probability, Default: "0.05", About: "the interaction is pooled unless its p is below"}),
		Example: study,
		Run:     gaugeANOVA,
	}, {
		Name: "gauge-range", Subject: "gauge study", Also: []string{"grr-range"},
		About:   "repeatability and reproducibility of a small crossed study, by averages and ranges",
		Source:  "AIAG, Measurement Systems Analysis, 4th ed.",
		Params:  params,
		Example: study,
		Run: func(a Args) (r Result, err error) {
			readings, err := crossed(a)
			if err != nil {
				return r, err
			}
			g, err := uncertainty.GaugeRange(readings)
			if err != nil {
				return r, err
			}
			return r, r.gauge(g, a)
		},
	}}
}

func gaugeANOVA(a Args) (r Result, err error) {
	readings, err := crossed(a)
	if err != nil {
		return r, err
	}
	s, err := uncertainty.GaugeANOVA(readings, a.Number("alpha"))
	if err != nil {
		return r, err
	}
	if err := r.gauge(s.Gauge, a); err != nil {
		return r, err
	}
	g := Grid{Columns: []string{"effect", "SS", "df", "MS"}}
	for _, e := range []struct {
		name string
		uncertainty.Effect
	}{{"parts", s.Parts}, {"appraisers", s.Appraisers}, {"interaction", s.Interactions}, {"repeatability", s.Repeatability}} {
		g.Rows = append(g.Rows, []any{e.name, e.SS, e.DF, e.MS})
	}
	r.set("analysis of variance", g)
	r.set("F interaction", s.F)
	r.set("p interaction", s.P)
	r.set("pooled", s.Pooled)
	return r, nil
}

func (r *Result) gauge(g uncertainty.Gauge, a Args) error {
	total := g.PercentOfTotal()
	table := Grid{Columns: []string{"source", "sd", "% of TV"}}
	table.Rows = [][]any{
		{"EV", g.EV, total.EV}, {"AV", g.AV, total.AV}, {"GRR", g.GRR, total.GRR}, {"PV", g.PV, total.PV},
		{"interaction", g.Interaction, nil}, {"TV", g.TV, 100.0},
	}
	if a.Has("tolerance") {
		share, err := g.PercentOfTolerance(a.Number("tolerance"))
		if err != nil {
			return err
		}
		table.Columns = append(table.Columns, "% of tolerance")
		for i, v := range []any{share.EV, share.AV, share.GRR, share.PV, nil, nil} {
			table.Rows[i] = append(table.Rows[i], v)
		}
	}
	r.set("gauge", table)
	r.set("categories", g.Categories())
	return nil
}

// crossed arranges readings by part and appraiser, each in order of first
// appearance.
func crossed(a Args) (uncertainty.Readings, error) {
	parts, appraisers := distinct(a.Labels("part")), distinct(a.Labels("appraiser"))
	if int64(len(parts))*int64(len(appraisers)) > int64(len(a.Column("value"))) {
		return nil, fmt.Errorf("%d values are too few for %d parts and %d appraisers; expected each part read by each appraiser",
			len(a.Column("value")), len(parts), len(appraisers))
	}
	table := make(uncertainty.Readings, len(parts))
	for i := range table {
		table[i] = make([][]float64, len(appraisers))
	}
	place := func(list []string) map[string]int {
		m := map[string]int{}
		for i, name := range list {
			m[name] = i
		}
		return m
	}
	atPart, atAppraiser := place(parts), place(appraisers)
	for i, v := range a.Column("value") {
		cell := &table[atPart[a.Labels("part")[i]]][atAppraiser[a.Labels("appraiser")[i]]]
		*cell = append(*cell, v)
	}
	return table, nil
}

// distinct returns the labels without repetition, in order of first appearance.
func distinct(labels []string) []string {
	seen := map[string]bool{}
	return slices.DeleteFunc(slices.Clone(labels), func(s string) bool {
		again := seen[s]
		seen[s] = true
		return again
	})
}
