package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"drench/results/limits"
	"drench/results/store"
	"drench/results/study"
	"drench/results/verdict"
	"drench/rig"

	"github.com/spf13/cobra"
)

// Tags by which a study's runs are found again.
const (
	studyTag = "study="
	byTag    = "by="
)

func newStudy() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "study",
		Short: "How much of what the numbers vary by is the rig, and is it good enough",
		Long: "A crossed study of repeatability and reproducibility: each of several rigs or operators tests each of\n" +
			"several DUTs several times. `drench study plan` prints the runs in random order, `drench study report`\n" +
			"analyses what was run of them.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(studyPlan(), studyReport(), studyBudget(), studyChart())
	return cmd
}

func studyPlan() *cobra.Command {
	var duts, by, rigs []string
	var repeats int
	var seed uint64
	var more []string
	cmd := &cobra.Command{
		Use:     "plan NAME SCENARIO",
		Short:   "Print the runs of a study, in random order",
		Example: "  drench study plan spring drip --duts s1,s2,s3,s4,s5 --by ann,bob,eve --repeats 3",
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if (len(by) == 0) == (len(rigs) == 0) {
				return errors.New("expected either --by, the operators, or --rigs, the rig files")
			}
			who := slices.Concat(by, rigs)
			order, err := study.Order(duts, who, repeats, seed)
			if err != nil {
				return err
			}
			for i, p := range order {
				fmt.Fprintln(cmd.OutOrStdout(), studyRun(args[0], args[1], p, len(rigs) > 0, seed+uint64(i), more))
			}
			return nil
		},
	}
	fl := cmd.Flags()
	fl.StringSliceVar(&duts, "duts", nil, "what the DUTs are called, such as their serial numbers")
	fl.StringSliceVar(&by, "by", nil, "operators")
	fl.StringSliceVar(&rigs, "rigs", nil, "rig files, in place of operators")
	fl.IntVar(&repeats, "repeats", 3, "runs of each DUT by each")
	fl.Uint64Var(&seed, "seed", 1, "seed of the order")
	fl.StringArrayVar(&more, "run-flag", nil, "a flag that each run gets, such as --run-flag=--trials=30; may be given again")
	return cmd
}

// studyRun is the command of one run.
func studyRun(name, scenario string, p study.Place, isRig bool, seed uint64, more []string) string {
	words := []string{"drench", "run", scenario, "--dut", p.DUT, "--seed", fmt.Sprint(seed), "--tag", studyTag + name}
	who := p.By
	if isRig {
		who = strings.TrimSuffix(filepath.Base(p.By), filepath.Ext(p.By))
		words = append(words, "--rig", p.By)
	}
	words = append(words, "--tag", byTag+who)
	words = append(words, more...)
	for i, w := range words {
		words[i] = shellWord(w)
	}
	return strings.Join(words, " ")
}

// shellWord quotes a word for a POSIX shell if it needs it.
func shellWord(w string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_./=,:+@%", r)
	}
	if w != "" && strings.IndexFunc(w, func(r rune) bool { return !plain(r) }) < 0 {
		return w
	}
	return "'" + strings.ReplaceAll(w, "'", `'\''`) + "'"
}

func studyReport() *cobra.Command {
	var line string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "report NAME",
		Short: "Analyse the runs of a study",
		Long: "Analyse the runs of a study by analysis of variance: what part of their scatter is repeatability, rigs or\n" +
			"operators, and DUTs, and whether the rig is good enough for the limit.\n" +
			"Exit status: 0 good enough, 1 not, 3 the study is not complete.",
		Example: "  drench study report spring --limit 'latency mean < 2.5 s'",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			f, err := oneLimit(line)
			if err != nil {
				return err
			}
			return reportStudy(cmd, args[0], f, asJSON)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&line, "limit", "", "the limit whose statistic is studied, as a limits file has it")
	fl.BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

// oneLimit reads a limit from the command line.
func oneLimit(line string) (*limits.File, error) {
	if line == "" {
		return nil, errors.New("--limit is missing; expected the limit whose statistic is studied, such as --limit 'latency mean < 2.5 s'")
	}
	f, err := limits.Parse("--limit", []byte(line))
	if err != nil {
		return nil, err
	}
	if len(f.Limits) != 1 {
		return nil, fmt.Errorf("--limit holds %d limits; expected one, such as 'latency mean < 2.5 s'", len(f.Limits))
	}
	return f, nil
}

func reportStudy(cmd *cobra.Command, name string, f *limits.File, asJSON bool) error {
	st, err := openStore(cmd)
	if err != nil {
		return err
	}
	defer st.Close()
	list, limit, err := readings(cmd.Context(), st, studyTag+name, f, cmd.ErrOrStderr())
	if err != nil {
		return err
	}
	r, err := study.Analyse(list, limit)
	if err != nil {
		fmt.Fprintf(cmd.ErrOrStderr(), "study %s: %v; drench study plan prints the runs that belong to one\n", name, err)
		return &statusError{verdict.Inconc}
	}
	if asJSON {
		err = printJSON(cmd.OutOrStdout(), r)
	} else {
		err = printStudy(cmd.OutOrStdout(), name, r)
	}
	if err == nil && r.Grade == study.Poor {
		err = &statusError{verdict.Fail}
	}
	return err
}

// readings judges each run that has a tag by the one limit of f, the oldest
// first. A run that has no value on it is named and left out.
func readings(ctx context.Context, st *store.Store, tag string, f *limits.File, notes io.Writer) ([]study.Reading, limits.Limit, error) {
	limit := f.Limits[0]
	runs, err := st.Runs(ctx, store.Filter{Tag: tag, State: store.Done})
	if err != nil {
		return nil, limit, &benchError{err}
	}
	var list []study.Reading
	for _, r := range slices.Backward(runs) {
		in, err := judge(ctx, st, r.ID, f)
		if err != nil {
			return nil, limit, &benchError{err}
		}
		result := in.Judgement.Results[0]
		switch {
		case r.Verdict == verdict.Error || !result.HasValue:
			fmt.Fprintf(notes, "run %d of %s is left out: %s\n", r.ID, r.DUT, result.Reason)
			continue
		case len(list) > 0 && result.Limit.Value != limit.Value:
			return nil, limit, fmt.Errorf("run %d: the limit is %v for %s and %v for those before; give it in a unit of time, not in periods, when DUTs differ",
				r.ID, rig.Quantity{N: result.Limit.Value, Unit: limit.Unit}, r.DUT, rig.Quantity{N: limit.Value, Unit: limit.Unit})
		}
		limit = result.Limit
		list = append(list, study.Reading{DUT: r.DUT, By: studyBy(r.Tags), Run: r.ID, Value: result.Value, Started: r.Started})
	}
	return list, limit, nil
}

// studyBy is who made a run, by its tags.
func studyBy(tags []string) string {
	for _, t := range tags {
		if who, ok := strings.CutPrefix(t, byTag); ok {
			return who
		}
	}
	return "unknown"
}

func printStudy(w io.Writer, name string, r study.Result) error {
	show := func(v float64) string { return rig.Quantity{N: int64(math.Round(v)), Unit: r.Unit}.String() }
	fmt.Fprintf(w, "study %s of %s: %d DUTs, by %s, %d runs of each by each\n", name, r.Limit.Text, len(r.DUTs), strings.Join(r.By, ", "), r.Repeats)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	share := r.PercentOfTotal()
	fmt.Fprintln(t, "standard deviation of\t\tof the total")
	for _, row := range []struct {
		what      string
		sd, share float64
	}{
		{"repeatability (EV)", r.EV, share.EV}, {"rigs or operators (AV)", r.AV, share.AV}, {"both with each other", r.Interaction, 100 * r.Interaction / r.TV},
		{"the rig as a whole (GRR)", r.GRR, share.GRR}, {"DUTs (PV)", r.PV, share.PV},
	} {
		fmt.Fprintf(t, "  %s\t%s\t%.1f %%\n", row.what, show(row.sd), row.share)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, "GRR lies in %s … %s (95 %%); with %d rigs or operators the upper end is soft\n", show(r.GRRBand.Lower), show(r.GRRBand.Upper), len(r.By))
	fmt.Fprintf(w, "classes of DUTs told apart (ndc): %d\n", r.NDC)
	if r.Guard > 0 {
		fmt.Fprintf(w, "a verdict by one run of the next DUT: wrong accept %.2g %%, wrong reject %.2g %%; with a guard band of %s: %.2g %%, %.2g %%\n",
			100*r.Plain.Consumer, 100*r.Plain.Producer, show(r.Guard), 100*r.Guarded.Consumer, 100*r.Guarded.Producer)
	}
	_, err := fmt.Fprintf(w, "%s: %s\n", r.Grade, r.Because)
	return err
}
