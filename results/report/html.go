package report

import (
	"bufio"
	_ "embed" // the page's template and style
	"fmt"
	"html/template"
	"io"
	"strconv"

	"drench/results/verdict"
	"drench/rig"
)

//go:embed page.tmpl
var pageText string

//go:embed style.css
var styleText string

// page is all that the template shows.
type page struct {
	Style    template.CSS
	Title    string
	Kind     string // of page
	Skip     string // what the first link leads to
	Footer   string
	Verdict  string
	Word     string // in place of the verdict's; "": that
	Meaning  string
	Reason   string
	Facts    []fact
	Sections []section
}

type fact struct{ Name, Text, More string }

// meanings say what each verdict is about.
var meanings = map[verdict.Verdict]string{
	verdict.Pass:   "The device did what the limits ask.",
	verdict.Fail:   "The device did not do what the limits ask.",
	verdict.Inconc: "The rig can’t stand behind a pass or a fail.",
	verdict.Error:  "The rig or an interlock failed; nothing is said of the device.",
	verdict.None:   "Nothing was judged.",
}

// HTML writes the run as one page that needs no other file and no network.
func HTML(w io.Writer, in Input) error {
	p, err := newPage(in)
	if err != nil {
		return fmt.Errorf("write the page: %w", err)
	}
	return p.write(w)
}

func (p *page) write(w io.Writer) error {
	t, err := template.New("page").Funcs(template.FuncMap{"num": num}).Parse(pageText)
	if err != nil {
		return fmt.Errorf("read the page's template: %w", err)
	}
	b := bufio.NewWriter(w)
	if err := t.Execute(b, p); err != nil {
		return fmt.Errorf("write the page: %w", err)
	}
	return b.Flush()
}

func newPage(in Input) (*page, error) {
	v := in.Judgement.Verdict
	p := &page{
		Style:   template.CSS(styleText),
		Title:   fmt.Sprintf("%v: %s on %s, run %d", v, printable(in.Header.Scenario), printable(in.Run.DUT), in.Run.ID),
		Kind:    "report of a run",
		Skip:    "Skip to the limits",
		Footer:  "Written by drench from the run’s timeline. The same folder holds trials.csv, timeline.vcd and junit.xml of this run.",
		Verdict: v.String(),
		Meaning: meanings[v],
		Reason:  printable(in.Judgement.Reason),
		Facts:   facts(in),
	}
	p.Sections = append(p.Sections, limitsSection(in))
	for _, f := range []func(Input) (section, bool){thresholdSection, immunitySection, assuranceSection} {
		if s, ok := f(in); ok {
			p.Sections = append(p.Sections, s)
		}
	}
	p.Sections = append(p.Sections, distributionSections(in)...)
	for _, f := range []func(Input) (section, bool){trialsSection, heartbeatSection, supplySection, filmSection, dipSection} {
		if s, ok := f(in); ok {
			p.Sections = append(p.Sections, s)
		}
	}
	s, ok, err := worstSection(in)
	if err != nil {
		return nil, err
	}
	if ok {
		p.Sections = append(p.Sections, s)
	}
	p.Sections = append(p.Sections, provenanceSection(in))
	return p, nil
}

// facts say on the first screen what was run.
func facts(in Input) []fact {
	h := in.Header
	bench := h.Bench
	if bench == "virtual" {
		bench = "virtual: no hardware took part"
	}
	trials := strconv.Itoa(len(in.Set.Trials))
	kinds := ""
	for _, k := range rig.TrialKinds {
		n := 0
		for _, t := range in.Set.Trials {
			if t.Spec.Kind == k {
				n++
			}
		}
		if n > 0 {
			if kinds != "" {
				kinds += ", "
			}
			kinds += fmt.Sprintf("%d %s", n, k)
		}
	}
	list := []fact{
		{"scenario", h.Scenario, "seed " + strconv.FormatUint(h.Seed, 10)},
		{"device", in.Run.DUT, h.Device.Name},
		{"bench", bench, tool(h.Tool)},
		{"begun", wall(in.Run.Started), "took " + long(into(in, in.Set.End)) + " on the bench"},
		{"trials", trials, kinds},
		{"limits", in.Run.LimitsName, plural(len(in.Judgement.Results), "limit", "limits")},
	}
	for i := range list {
		list[i].Text, list[i].More = printable(list[i].Text), printable(list[i].More)
	}
	return list
}
