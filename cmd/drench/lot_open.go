package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"drench/results/limits"
	"drench/results/lot"
	"drench/results/sampling"

	"github.com/spf13/cobra"
)

// openFlags say how a lot is to be inspected.
type openFlags struct {
	terms      lot.Terms
	level      string
	sequential string
	curtailed  bool
	test       lot.Test
	rules      string
	plan       bool
}

func lotOpen(f *lotFlags) *cobra.Command {
	var o openFlags
	cmd := &cobra.Command{
		Use:   "open",
		Short: "Put a lot to inspection: look up its plan and draw its sample",
		Long: "Put a lot to inspection: look up its plan at the severity that the switching rules have come to, draw its\n" +
			"sample, and enter both. Shown are the plan, the sample and the plan's risks. --plan shows the plan alone.",
		Example: "  drench lot open --product sensor-b --size 90 --aql 4 --level II --test drip --by ann\n" +
			"  drench lot open --product sensor-b --size 500 --sequential p0=1%,p1=8%,alpha=5%,beta=10%,limit=200",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return o.open(cmd, f) },
	}
	fl := cmd.Flags()
	fl.StringVar(&o.terms.Lot, "lot", "", "name of the lot (default: its number in the ledger)")
	fl.IntVar(&o.terms.Size, "size", 0, "units in the lot")
	fl.Float64Var(&o.terms.AQL, "aql", 0, "acceptance quality limit, in percent nonconforming: 0.065 to 10, as the standard has them")
	fl.StringVar(&o.level, "level", "II", "inspection level: S-1 to S-4, I, II, III")
	fl.BoolVar(&o.curtailed, "curtailed", false, "reject as soon as the rejection number is reached; to be agreed beforehand")
	fl.StringVar(&o.sequential, "sequential", "", "a sequential plan in place of AQL and level: p0=1%,p1=8%,alpha=5%,beta=10%,limit=200")
	fl.StringVar(&o.test.Scenario, "test", "", "scenario that each unit is tested by (default: what whoever tests it names)")
	fl.IntVar(&o.test.Trials, "trials", 0, "trials of that scenario")
	fl.StringVar(&o.test.Limits, "limits", "", "limits of that scenario (default: its own)")
	fl.StringVar(&o.terms.Resubmits, "resubmits", "", "name of the rejected lot that this is, without its bad units")
	fl.BoolVar(&o.terms.Steady, "steady", false, "production is at a steady rate, which reduced inspection needs")
	fl.BoolVar(&o.terms.Agreed, "agreed", false, "the responsible authority agrees to reduced inspection")
	fl.BoolVar(&o.terms.WithinLimit, "within-limit", false, "under mil105e: the last ten lots are within its table VIII")
	fl.StringVar(&o.rules, "rules", "iso2859", "switching rules of a new product: iso2859 or mil105e")
	fl.BoolVar(&o.plan, "plan", false, "show the plan and open nothing")
	return f.signed(cmd)
}

// ready fills in the terms from what was typed.
func (o *openFlags) ready() (sampling.Rules, error) {
	rules, err := sampling.ParseRules(o.rules)
	if err != nil {
		return rules, fmt.Errorf("--rules: %w", err)
	}
	o.terms.Mode, o.terms.Level = lot.Whole, sampling.Level(o.level)
	switch {
	case o.sequential != "" && (o.terms.AQL != 0 || o.curtailed):
		return rules, fmt.Errorf("--sequential stands with --aql or --curtailed; expected one of them")
	case o.sequential != "":
		w, err := parseWald(o.sequential, o.terms.Size)
		if err != nil {
			return rules, err
		}
		o.terms.Mode, o.terms.Level, o.terms.Sequential = lot.Sequential, "", w
	case o.terms.AQL == 0:
		return rules, fmt.Errorf("--aql is missing; expected the acceptance quality limit in percent, or --sequential")
	case o.curtailed:
		o.terms.Mode = lot.Curtailed
	}
	if o.test.Scenario == "" {
		if o.test != (lot.Test{}) {
			return rules, fmt.Errorf("--trials or --limits stands without --test; expected the scenario that each unit is tested by")
		}
		return rules, nil
	}
	o.terms.Test = &o.test
	return rules, nil
}

// parseWald reads a sequential plan; without a limit it may take the whole lot.
func parseWald(text string, size int) (*lot.Wald, error) {
	w := &lot.Wald{Limit: size}
	shares := map[string]*float64{"p0": &w.P0, "p1": &w.P1, "alpha": &w.Alpha, "beta": &w.Beta}
	for part := range strings.SplitSeq(text, ",") {
		key, value, _ := strings.Cut(strings.TrimSpace(part), "=")
		at, ok := shares[key]
		number, percent := strings.CutSuffix(value, "%")
		v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		switch {
		case err != nil || !ok && key != "limit":
			return nil, fmt.Errorf("--sequential: %q; expected p0, p1, alpha, beta and limit, such as p0=1%%,p1=8%%,alpha=5%%,beta=10%%,limit=200", part)
		case key == "limit":
			if w.Limit, err = strconv.Atoi(value); err != nil {
				return nil, fmt.Errorf("--sequential: limit %q; expected a number of units", value)
			}
		case percent:
			*at = v / 100
		default:
			*at = v
		}
	}
	return w, nil
}

func (o *openFlags) open(cmd *cobra.Command, f *lotFlags) error {
	rules, err := o.ready()
	if err != nil {
		return err
	}
	name, err := f.name()
	if err != nil {
		return err
	}
	if err := o.warn(cmd); err != nil {
		return err
	}
	c, err := f.atCounter(cmd)
	if err != nil {
		return err
	}
	defer c.st.Close()
	var l *lot.Lot
	if o.plan {
		l, err = c.Plan(cmd.Context(), c.product, rules, o.terms)
	} else {
		l, err = c.Open(cmd.Context(), c.Act(name, ""), c.product, rules, o.terms)
	}
	if err != nil {
		return lotError(err)
	}
	v, err := viewOf(c.product, l)
	if err != nil {
		return err
	}
	if o.plan {
		v.Seal, v.By = "", "" // of a draw that nobody made
	} else {
		v.By = name
	}
	if f.json {
		return printJSON(cmd.OutOrStdout(), v)
	}
	return v.print(cmd.OutOrStdout())
}

// warn reads all that the test needs, and says which limits have too few
// trials: then no unit could be shown to conform.
func (o *openFlags) warn(cmd *cobra.Command) error {
	t := o.terms.Test
	if t == nil {
		return nil
	}
	jobs, err := prepare(cmd, []string{t.Scenario}, runFlags{trials: t.Trials, limits: t.Limits})
	if err != nil {
		return err
	}
	for _, n := range limits.Needs(jobs[0].limits, jobs[0].counts) {
		if n.Short() {
			fmt.Fprintf(cmd.ErrOrStderr(), "warning: no unit can be conforming: %s\n", n.Text)
		}
	}
	return nil
}

// lotView is a lot as it is shown.
type lotView struct {
	Product    string            `json:"product"`
	Size       int               `json:"size"`
	Severity   sampling.Severity `json:"severity"`
	Why        string            `json:"why,omitempty"`
	Mode       lot.Mode          `json:"mode"`
	AQL        float64           `json:"aql,omitempty"`
	Level      sampling.Level    `json:"level,omitempty"`
	Letter     sampling.Letter   `json:"letter,omitempty"`
	Sequential *lot.Wald         `json:"sequential,omitempty"`
	Test       *lot.Test         `json:"test,omitempty"`
	Risks      []lot.Risk        `json:"risks"`
	Curve      []lot.Risk        `json:"curve"`
	Seal       string            `json:"seal,omitempty"`
	By         string            `json:"by,omitempty"`
	Head       string            `json:"head,omitempty"`
	Units      []lot.Unit        `json:"units"`
	State      lotState          `json:"state"`

	plan sampling.Plan
}

const curveRows = 9

func viewOf(product string, l *lot.Lot) (lotView, error) {
	v := lotView{Product: product, Size: l.Size, Severity: l.Severity, Why: l.Before.Because, Mode: l.Mode, AQL: l.AQL, Level: l.Level,
		Sequential: l.Sequential, Test: l.Test, Seal: l.Seal, Head: l.Head, Units: l.Units, By: l.Opened.By, plan: l.Plan}
	var err error
	if v.State, err = stateOf(l); err != nil {
		return v, err
	}
	if v.Risks, err = l.Risks(); err != nil {
		return v, err
	}
	if v.Curve, err = l.Curve(curveRows); err != nil {
		return v, err
	}
	if l.Mode != lot.Sequential {
		v.Letter, err = sampling.CodeLetter(l.Size, l.Level)
	}
	return v, err
}

func (v lotView) print(w io.Writer) error {
	fmt.Fprintf(w, "lot %s of %s, %d units, %s inspection", v.State.Lot, v.Product, v.Size, v.Severity)
	if v.By != "" {
		fmt.Fprintf(w, ", opened by %s", v.By)
	}
	fmt.Fprintln(w)
	if v.Sequential != nil {
		fmt.Fprintf(w, "sequential plan: accept %s, reject %s nonconforming; up to %d units\n", share(v.Sequential.P0), share(v.Sequential.P1), v.plan.N)
	} else {
		fmt.Fprintf(w, "AQL %g %%, level %s, code letter %s: test %d units, accept with %d nonconforming or fewer, reject with %d or more (%s)\n",
			v.AQL, v.Level, v.Letter, v.plan.N, v.plan.Ac, v.plan.Re, v.Mode)
	}
	if v.Test != nil {
		fmt.Fprintf(w, "each unit is tested by %s\n", v.Test.Words())
	}
	if err := v.printCurve(w); err != nil {
		return err
	}
	if v.Seal == "" {
		return nil
	}
	fmt.Fprintf(w, "seal of the draw %s\n", v.Seal)
	if err := printUnits(w, v.Units); err != nil {
		return err
	}
	v.State.print(w)
	return nil
}

// barWidth is how long a chance of 1 is drawn.
const barWidth = 30

// printCurve draws the operating characteristic with both risks.
func (v lotView) printCurve(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "nonconforming in the process\tchance of acceptance\t")
	row := func(r lot.Risk, note string) {
		fmt.Fprintf(t, "%s\t%s\t%-*s\t%s\n", share(r.Quality), share(r.Accept), barWidth, strings.Repeat("#", int(math.Round(barWidth*r.Accept))), note)
	}
	notes := riskNotes(v)
	for i, next := 0, 0; i < len(v.Curve) || next < len(v.Risks); {
		if next == len(v.Risks) || i < len(v.Curve) && v.Curve[i].Quality < v.Risks[next].Quality*(1-1e-9) {
			row(v.Curve[i], "")
			i++
			continue
		}
		if i < len(v.Curve) && v.Curve[i].Quality < v.Risks[next].Quality*(1+1e-9) {
			i++ // the same
		}
		row(v.Risks[next], notes[next])
		next++
	}
	return t.Flush()
}

// riskNotes say what each risk is.
func riskNotes(v lotView) []string {
	at, limiting := "at the AQL", "at the limiting quality"
	if v.Sequential != nil {
		at, limiting = "at p0", "at p1"
	}
	var notes []string
	for i, r := range v.Risks {
		if i == 0 {
			notes = append(notes, fmt.Sprintf("<- %s: rejected all the same %s (producer's risk)", at, share(1-r.Accept)))
		} else {
			notes = append(notes, fmt.Sprintf("<- %s: accepted all the same %s (consumer's risk)", limiting, share(r.Accept)))
		}
	}
	return notes
}

// share prints a fraction in percent.
func share(v float64) string {
	return strconv.FormatFloat(100*v, 'g', 3, 64) + " %"
}

func printUnits(w io.Writer, units []lot.Unit) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "sample\tunit of the lot\tserial number\tis\truns")
	for i := range units {
		u := &units[i]
		var runs []string
		for _, r := range u.Results {
			text := fmt.Sprintf("%d %s (entry %d)", r.Run, r.Verdict, r.Entry)
			switch {
			case r.Voided != "":
				text += ", voided: " + r.Voided
			case r.Retest != "":
				text += ", tested again: " + r.Retest
			}
			runs = append(runs, text)
		}
		fmt.Fprintf(t, "%d\t%d\t%s\t%s\t%s\n", u.Sample, u.Unit, orDash(u.Serial), orDash(string(u.Class())), orDash(strings.Join(runs, "; ")))
	}
	return t.Flush()
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
