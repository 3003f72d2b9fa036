package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"drench/results/compare"
	"drench/results/limits"
	"drench/results/store"
	"drench/results/verdict"

	"github.com/spf13/cobra"
)

type compareFlags struct {
	margins []string
	only    []string
	q       float64
	json    bool
}

func newCompare() *cobra.Command {
	var f compareFlags
	cmd := &cobra.Command{
		Use:   "compare RUN|TAG RUN|TAG",
		Short: "Compare runs with a baseline: what got worse, and by how much",
		Long: "Compare the second with the first, which is the baseline. A number is a run, anything else a tag, which stands for\n" +
			"all runs that have it; each scenario is compared with itself. docs/comparing.md says what the words mean.\n" +
			"Exit status: 0 no regression, 1 something is worse, 2 wrong use, 3 can't tell, 4 error.",
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			o, err := f.options()
			if err != nil {
				return err
			}
			return compareAll(cmd, args[0], args[1], o, f.json)
		},
	}
	fl := cmd.Flags()
	fl.StringArrayVar(&f.margins, "margin", nil, "a difference that does not matter, such as \"latency=80 ms\"; may be given again")
	fl.StringArrayVar(&f.only, "only", nil, "a measure to compare; may be given again (default: all)")
	fl.Float64Var(&f.q, "q", 0.05, "accepted share of false discoveries among the differences shown")
	fl.BoolVar(&f.json, "json", false, "print JSON")
	return cmd
}

func (f compareFlags) options() (compare.Options, error) {
	o := compare.Options{Q: f.q, Only: f.only, Margins: map[string]float64{}}
	if !(f.q > 0 && f.q < 1) {
		return o, fmt.Errorf("--q %v; expected a share above 0 and below 1, such as 0.05", f.q)
	}
	for _, name := range f.only {
		if !slices.Contains(compare.MeasureNames(), name) {
			return o, fmt.Errorf("--only %q: there is no such measure; expected one of %s", name, strings.Join(compare.MeasureNames(), ", "))
		}
	}
	for _, text := range f.margins {
		name, v, err := compare.ParseMargin(text)
		if err != nil {
			return o, fmt.Errorf("--margin: %w", err)
		}
		o.Margins[name] = v
	}
	return o, nil
}

func compareAll(cmd *cobra.Command, base, now string, o compare.Options, asJSON bool) error {
	st, err := openStore(cmd)
	if err != nil {
		return err
	}
	defer st.Close()
	left, err := runsFor(cmd, st, base)
	if err != nil {
		return err
	}
	right, err := runsFor(cmd, st, now)
	if err != nil {
		return err
	}
	c := compare.Runs(left, right, o)
	if asJSON {
		err = printJSON(cmd.OutOrStdout(), c)
	} else {
		err = printComparison(cmd.OutOrStdout(), c)
	}
	if err != nil {
		return err
	}
	if c.Verdict != verdict.Pass {
		return &statusError{c.Verdict}
	}
	return nil
}

// runsFor reads and measures the run with a number, or all that have a tag.
func runsFor(cmd *cobra.Command, st *store.Store, arg string) ([]compare.Run, error) {
	ids, err := idsFor(cmd.Context(), st, arg)
	if err != nil {
		return nil, err
	}
	var runs []compare.Run
	for _, id := range ids {
		in, err := reopen(cmd, st, id, nil)
		if err != nil {
			return nil, err
		}
		r, err := st.Get(cmd.Context(), id)
		if err != nil {
			return nil, &benchError{err}
		}
		f, err := limits.Parse(r.LimitsName, []byte(r.LimitsText))
		if err != nil {
			return nil, fmt.Errorf("limits of run %d: %w", id, err)
		}
		runs = append(runs, compare.Run{
			ID: id, Scenario: in.Header.Scenario, Setting: setting(r.Tags), DUT: in.Run.DUT, Script: in.Header.Hashes["script"],
			Started: in.Run.Started, Verdict: in.Judgement.Verdict, Reason: in.Judgement.Reason,
			Limits: f.Resolve(in.Header.Device).Limits, Measures: in.Set.Measures,
		})
	}
	return runs, nil
}

// setting is what a run's tag setting=… says.
func setting(tags []string) string {
	for _, t := range tags {
		if s, ok := strings.CutPrefix(t, "setting="); ok {
			return s
		}
	}
	return ""
}

func idsFor(ctx context.Context, st *store.Store, arg string) ([]int64, error) {
	if id, err := strconv.ParseInt(arg, 10, 64); err == nil {
		return []int64{id}, nil
	}
	found, err := st.Runs(ctx, store.Filter{Tag: arg, State: store.Done})
	if err != nil {
		return nil, &benchError{err}
	}
	if len(found) == 0 {
		return nil, fmt.Errorf("no finished run has the tag %q; drench runs --json shows the tags, drench run --tag gives one", arg)
	}
	var ids []int64
	for _, r := range slices.Backward(found) { // oldest first
		ids = append(ids, r.ID)
	}
	return ids, nil
}

func printComparison(w io.Writer, c compare.Comparison) error {
	fmt.Fprintf(w, "%s: %s\n", strings.ToUpper(c.Verdict.String()), c.Reason)
	if len(c.Differences) > 0 {
		fmt.Fprintf(w, "intervals with %.3g %% confidence\n", c.Confidence*100)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, d := range c.Differences {
		place := d.Scenario
		if d.Setting != "" {
			place += ", " + d.Setting
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", d.Word, place, d.Measure, d.Reason)
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("print the comparison: %w", err)
	}
	for _, d := range c.Differences {
		for _, n := range d.Notes {
			fmt.Fprintf(w, "  note: %s, %s: %s\n", d.Scenario, d.Measure, n)
		}
	}
	for _, n := range c.Notes {
		fmt.Fprintf(w, "  note: %s\n", n)
	}
	return nil
}
