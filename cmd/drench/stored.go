package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"drench/results/limits"
	"drench/results/report"
	"drench/results/safety"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig/config"

	"github.com/spf13/cobra"
)

func newRuns() *cobra.Command {
	var f store.Filter
	var asJSON, tags bool
	var words []string
	cmd := &cobra.Command{
		Use:   "runs",
		Short: "List the runs that are stored, the newest first",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			for _, word := range words {
				v, err := verdict.Parse(word)
				if err != nil {
					return fmt.Errorf("--verdict: %w", err)
				}
				f.Verdicts = append(f.Verdicts, v)
			}
			st, err := openStore(cmd)
			if err != nil {
				return err
			}
			defer st.Close()
			if tags {
				return printTags(cmd, st, asJSON)
			}
			runs, err := st.Runs(cmd.Context(), f)
			if err != nil {
				return &benchError{err}
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), listed(runs))
			}
			return printRuns(cmd.OutOrStdout(), runs)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&f.Scenario, "scenario", "", "only this scenario")
	fl.StringVar(&f.DUT, "dut", "", "only this device")
	fl.StringArrayVar(&f.Tags, "tag", nil, "only runs with this tag; given again, with all of them")
	fl.StringSliceVar(&words, "verdict", nil, "only runs with this verdict, or one of several: fail,error")
	fl.StringVar(&f.Text, "text", "", "only runs with this text in scenario, device, bench, reason or a tag")
	fl.BoolVar(&tags, "tags", false, "list the tags in use instead")
	fl.IntVar(&f.Limit, "last", 20, "at most so many; 0 for all")
	fl.BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func printTags(cmd *cobra.Command, st *store.Store, asJSON bool) error {
	list, err := st.Tags(cmd.Context())
	if err != nil {
		return &benchError{err}
	}
	if asJSON {
		counts := map[string]int{}
		for _, t := range list {
			counts[t.Tag] = t.Runs
		}
		return printJSON(cmd.OutOrStdout(), counts)
	}
	w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "tag\truns")
	for _, t := range list {
		fmt.Fprintf(w, "%s\t%d\n", t.Tag, t.Runs)
	}
	return w.Flush()
}

// row is a stored run as JSON shows it.
type row struct {
	Run      int64           `json:"run"`
	State    store.State     `json:"state"`
	Started  time.Time       `json:"started"`
	Ended    *time.Time      `json:"ended,omitempty"`
	Scenario string          `json:"scenario"`
	DUT      string          `json:"dut"`
	Bench    string          `json:"bench"`
	Seed     uint64          `json:"seed"`
	Verdict  verdict.Verdict `json:"verdict"`
	Reason   string          `json:"reason"`
	Sum      string          `json:"timeline_sha256"`
	Tags     []string        `json:"tags"`
}

func listed(runs []store.Run) []row {
	rows := make([]row, len(runs))
	for i, r := range runs {
		rows[i] = row{Run: r.ID, State: r.State, Started: r.Started, Scenario: r.Scenario, DUT: r.DUT, Bench: r.Bench, Seed: r.Seed,
			Verdict: r.Verdict, Reason: r.Reason, Sum: r.Sum, Tags: append([]string{}, r.Tags...)}
		if !r.Ended.IsZero() {
			rows[i].Ended = &r.Ended
		}
	}
	return rows
}

func printRuns(w io.Writer, runs []store.Run) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "run\tstarted (UTC)\tscenario\tDUT\tbench\tverdict\treason")
	for _, r := range runs {
		word := r.Verdict.String()
		if r.State == store.Running {
			word = string(r.State)
		}
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%s\n", r.ID, r.Started.Format("2006-01-02 15:04:05"), r.Scenario, r.DUT, r.Bench, word, clip(r.Reason, 80))
	}
	return t.Flush()
}

func clip(s string, n int) string {
	s, _, _ = strings.Cut(s, "\n")
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}

func runID(s string) (int64, error) {
	id, err := strconv.ParseInt(s, 10, 64)
	if err != nil || id < 1 {
		return 0, fmt.Errorf("run %q; expected a number that drench runs lists", s)
	}
	return id, nil
}

// opened is a stored run, judged by the limits it was run with.
func opened(cmd *cobra.Command, arg string) (*store.Store, report.Input, error) {
	id, err := runID(arg)
	if err != nil {
		return nil, report.Input{}, err
	}
	st, err := openStore(cmd)
	if err != nil {
		return nil, report.Input{}, err
	}
	in, err := reopen(cmd, st, id, nil)
	if err != nil {
		st.Close()
	}
	return st, in, err
}

// reopen judges a stored run again, by other limits or by its own.
func reopen(cmd *cobra.Command, st *store.Store, id int64, f *limits.File) (report.Input, error) {
	r, err := st.Get(cmd.Context(), id)
	if err != nil {
		return report.Input{}, &benchError{err}
	}
	if f == nil {
		if f, err = limits.Parse(r.LimitsName, []byte(r.LimitsText)); err != nil {
			return report.Input{}, fmt.Errorf("limits of run %d: %w", id, err)
		}
	}
	if err := wantTimeline(cmd.Context(), st, r); err != nil {
		return report.Input{}, &benchError{err}
	}
	in, err := judge(cmd.Context(), st, id, f)
	if err == nil {
		in, err = stored(cmd.Context(), st, id, in)
	}
	if err != nil {
		return in, &benchError{err}
	}
	return in, nil
}

// wantTimeline returns an error about a run of which no chunk is kept.
func wantTimeline(ctx context.Context, st *store.Store, r store.Run) error {
	src := st.Timeline(ctx, r.ID)
	defer src.Close()
	_, err := src.Read(make([]byte, 1))
	switch {
	case !errors.Is(err, io.EOF):
		return err
	case r.State == store.Running:
		return fmt.Errorf("run %d has just begun and nothing of its timeline is kept yet; try again", r.ID)
	}
	return fmt.Errorf("run %d has no timeline, so there is nothing to measure: %s; what it was to be is kept: %s on %s, seed %d, and the texts of its script, rig, profile and limits",
		r.ID, r.Reason, r.Scenario, r.DUT, r.Seed)
}

func newShow() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "show RUN",
		Short: "Show a stored run: its verdict, limits and trials",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			st, in, err := opened(cmd, args[0])
			if err != nil {
				return err
			}
			defer st.Close()
			if asJSON {
				return report.JSON(cmd.OutOrStdout(), in)
			}
			summarize(in, "").print(cmd.OutOrStdout())
			if err := printSafety(cmd.OutOrStdout(), in); err != nil {
				return &benchError{err}
			}
			return printTrials(cmd.OutOrStdout(), in)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print everything as JSON")
	return cmd
}

// printProofs prints which interlock inputs the run has seen to work.
func printProofs(w io.Writer, inputs []safety.Proof) {
	for _, p := range inputs {
		says := "not proved; it read healthy"
		switch {
		case p.Proved:
			says = fmt.Sprintf("proved by %s, opened after %v, closed after %v", p.By, p.Opens.Round(time.Microsecond), p.Closes.Round(time.Microsecond))
		case p.By != "":
			says = fmt.Sprintf("not proved, though %s was to open it", p.By)
		}
		if p.Opened {
			says += "; it opened in the run"
		}
		fmt.Fprintf(w, "    interlock input %s: %s\n", p.Input, says)
	}
}

// printSafety prints what an independent reading of the timeline says of the
// interlocks.
func printSafety(w io.Writer, in report.Input) error {
	tl, err := in.Open()
	if err != nil {
		return fmt.Errorf("read the timeline again: %w", err)
	}
	allowed := tl.Header.Interlock
	r, err := safety.Check(tl.Header, safety.Allowed(allowed), tl.All())
	if err != nil {
		return fmt.Errorf("check the timeline for safety: %w", err)
	}
	word := "held"
	if !r.Held() {
		word = fmt.Sprintf("BROKEN %d times", r.Breaches)
	}
	fmt.Fprintf(w, "  safety %s: longest pump run %v of %v, water %v of %v\n", word,
		r.Longest.Round(time.Millisecond), allowed.PumpOn, r.Delivered, allowed.Volume)
	for _, f := range r.Findings {
		fmt.Fprintf(w, "    %v\n", f)
	}
	for _, u := range r.Unreached {
		fmt.Fprintf(w, "    %s could not be turned off (%s) and may still be on; %s cut it off from the device at %v\n", u.Channel, u.Why, u.CutBy, u.At)
	}
	printProofs(w, r.Inputs)
	if r.Cut != "" {
		on := "nothing"
		if len(r.On) > 0 {
			on = strings.Join(r.On, ", ")
		}
		fmt.Fprintf(w, "    the timeline has no end (%s); left on by its last commands: %s\n", r.Cut, on)
	}
	return nil
}

func printTrials(w io.Writer, in report.Input) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "trial\tkind\tlabel\tverdict\tlatency\treason")
	for _, tr := range in.Set.Trials {
		latency := ""
		if tr.Detected {
			latency = tr.Latency.Round(time.Millisecond).String()
		}
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\n", tr.N, tr.Spec.Kind, tr.Spec.Label, tr.Verdict, latency, tr.Reason)
	}
	return t.Flush()
}

// formats writes a report in each format.
var formats = map[string]func(io.Writer, report.Input) error{
	"html": report.HTML, "junit": report.JUnit, "csv": report.CSV, "vcd": report.VCD, "json": report.JSON,
}

func newReport() *cobra.Command {
	var format string
	cmd := &cobra.Command{
		Use:   "report RUN",
		Short: "Write the report of a stored run to standard output",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			write, ok := formats[format]
			if !ok {
				return fmt.Errorf("format %q; expected html, junit, csv, vcd or json", format)
			}
			st, in, err := opened(cmd, args[0])
			if err != nil {
				return err
			}
			defer st.Close()
			if err := write(cmd.OutOrStdout(), in); err != nil {
				return &benchError{fmt.Errorf("write report of run %s: %w", args[0], err)}
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&format, "format", "html", "html, junit, csv, vcd or json")
	return cmd
}

func newRejudge() *cobra.Command {
	var path string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "rejudge RUN --limits FILE",
		Short: "Judge a stored run again, by other limits; the judgement is added to it",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			id, err := runID(args[0])
			if err != nil {
				return err
			}
			src, err := config.ReadFile(path)
			if err != nil {
				return fmt.Errorf("read limits: %w", err)
			}
			f, err := limits.Parse(path, src.Text)
			if err != nil {
				return err
			}
			st, err := openStore(cmd)
			if err != nil {
				return err
			}
			defer st.Close()
			in, err := reopen(cmd, st, id, f)
			if err != nil {
				return err
			}
			if err := addJudgement(cmd, st, id, in, src); err != nil {
				return &benchError{err}
			}
			return printJudged(cmd, in, asJSON)
		},
	}
	cmd.Flags().StringVar(&path, "limits", "", "limits file")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	_ = cmd.MarkFlagRequired("limits") // it exists
	return cmd
}

func addJudgement(cmd *cobra.Command, st *store.Store, id int64, in report.Input, src config.Source) error {
	body, err := json.Marshal(in.Judgement)
	if err != nil {
		return fmt.Errorf("keep the judgement: %w", err)
	}
	_, err = st.AddJudgement(cmd.Context(), store.Judgement{Run: id, At: time.Now().UTC(), LimitsName: src.Name, LimitsText: string(src.Text),
		Verdict: in.Judgement.Verdict, Reason: in.Judgement.Reason, Body: body})
	return err
}

// printJudged prints a judgement and turns it into the exit status.
func printJudged(cmd *cobra.Command, in report.Input, asJSON bool) error {
	s := summarize(in, "")
	if asJSON {
		if err := printJSON(cmd.OutOrStdout(), s); err != nil {
			return err
		}
	} else {
		s.print(cmd.OutOrStdout())
	}
	if s.Verdict != verdict.Pass {
		return &statusError{s.Verdict}
	}
	return nil
}
