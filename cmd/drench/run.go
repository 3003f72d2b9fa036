package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"drench/results/limits"
	"drench/results/report"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig/calibration"
	"drench/rig/config"
	"drench/scenarios"

	"github.com/spf13/cobra"
)

type runFlags struct {
	trials int
	seed   uint64
	dut    string
	limits string
	out    string
	fault  string
	tags   []string
	set    []string // settings of the profile, key=value
	json   bool
}

func newRun() *cobra.Command {
	var f runFlags
	cmd := &cobra.Command{
		Use:   "run SCENARIO...",
		Short: "Run scenarios here and now, store and judge them",
		Long: "Run scenarios here and now, store and judge them. A scenario is one of " + strings.Join(scenarios.Stock(), ", ") +
			", or the path of a script.\nExit status: 0 pass, 1 fail, 2 wrong use or bad input, 3 inconc, 4 error.",
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("seed") {
				f.seed = anySeed()
			}
			jobs, err := prepare(cmd, args, f)
			if err != nil {
				return err
			}
			if err := probe(f.out, jobs); err != nil {
				return err
			}
			return runAll(cmd, jobs, f)
		},
	}
	fl := cmd.Flags()
	fl.IntVar(&f.trials, "trials", 0, "trials of the scenario's main kind; the others in proportion")
	fl.Uint64Var(&f.seed, "seed", 0, "seed of all that is random (default: a new one, shown)")
	fl.StringVar(&f.dut, "dut", "", "what to call the device under test (default: its profile's name)")
	fl.StringVar(&f.limits, "limits", "", "limits file (default: the scenario's own)")
	fl.StringVar(&f.out, "out", "", "folder for report.html, junit.xml, trials.csv and timeline.vcd; with several scenarios, a folder in it for each")
	fl.StringVar(&f.fault, "fault", "", "a fault to put into the virtual bench (drench check --faults lists them)")
	fl.StringArrayVar(&f.tags, "tag", nil, "a tag to find the run by, such as firmware=1.4; may be given again")
	fl.StringArrayVar(&f.set, "set", nil, "another value for a key of the DUT's profile, such as \"sampling.period=1 s\"; may be given again")
	fl.BoolVar(&f.json, "json", false, "print the outcome as JSON")
	return cmd
}

// anySeed draws a seed that is short enough to be typed again.
func anySeed() uint64 {
	var b [8]byte
	_, _ = rand.Read(b[:]) // never fails, says its documentation
	return binary.LittleEndian.Uint64(b[:]) % 1_000_000_000
}

// prepare reads and checks all that the runs need, before anything is written
// or moved.
func prepare(cmd *cobra.Command, names []string, f runFlags) ([]*job, error) {
	if f.trials < 0 {
		return nil, fmt.Errorf("--trials %d; expected a whole number from 1", f.trials)
	}
	b, err := loadBench(cmd, f.fault)
	if err != nil {
		return nil, err
	}
	if err := b.set(f.set); err != nil {
		return nil, err
	}
	var jobs []*job
	for _, name := range names {
		script, err := scenarios.Load(name)
		if err != nil {
			return nil, err
		}
		j, err := b.job(script, f)
		if err != nil {
			return nil, err
		}
		jobs = append(jobs, j)
	}
	return jobs, nil
}

// job is a script on this bench, with its limits, read and checked.
func (b *bench) job(script *scenarios.Script, f runFlags) (*job, error) {
	j := &job{bench: b, script: script, seed: f.seed, dut: cmp.Or(f.dut, b.device.Name), tags: f.tags}
	table, err := b.channels(f.seed)
	if err != nil {
		return nil, err
	}
	if err := script.Check(table); err != nil {
		return nil, err
	}
	j.counts = script.Scale(f.trials)
	return j, j.readLimits(f.limits)
}

func (j *job) readLimits(path string) (err error) {
	name := path
	if path != "" {
		src, err := config.ReadFile(path)
		if err != nil {
			return fmt.Errorf("read limits: %w", err)
		}
		j.limitsText = src.Text
	} else {
		var ok bool
		if name, j.limitsText, ok, err = j.script.DefaultLimits(); err != nil {
			return fmt.Errorf("read limits: %w", err)
		} else if !ok {
			return fmt.Errorf("%s has no limits: expected %s.limits beside it, or --limits FILE", j.script.File, j.script.Name)
		}
	}
	j.limits, err = limits.Parse(name, j.limitsText)
	return err
}

func runAll(cmd *cobra.Command, jobs []*job, f runFlags) error {
	st, err := openStore(cmd)
	if err != nil {
		return err
	}
	defer st.Close()
	mine, err := jobs[0].bench.claim(cmd.Context(), st)
	if err != nil {
		return &benchError{err}
	}
	defer mine.release()
	if err := warnClock(cmd, st); err != nil {
		return &benchError{err}
	}
	for _, w := range calibration.Warnings(time.Now(), jobs[0].bench.records...) {
		fmt.Fprintln(cmd.ErrOrStderr(), "warning:", w)
	}
	worst := verdict.None
	var done []summary
	for i, j := range jobs {
		j.claim = mine
		in, err := j.runOne(cmd.Context(), st, cmd.ErrOrStderr())
		if err != nil {
			return &benchError{err}
		}
		dir := outDir(f.out, jobs, i)
		if dir != "" {
			if err := report.WriteAll(dir, in); err != nil {
				return &benchError{fmt.Errorf("run %d is stored, but its report could not be written: %w", in.Run.ID, err)}
			}
		}
		s := summarize(in, dir)
		if !f.json {
			s.print(cmd.OutOrStdout())
		}
		done = append(done, s)
		worst = worst.Overwrite(in.Judgement.Verdict)
		if cmd.Context().Err() != nil {
			break // stopped: the rest is not run
		}
		if rest := len(jobs) - i - 1; rest > 0 && len(in.Set.Trips) > 0 {
			fmt.Fprintf(cmd.ErrOrStderr(), "scenarios not run after the trip: %d; look at the bench first\n", rest)
			break // a trip is latched until a person clears it
		}
	}
	if f.json {
		if err := printJSON(cmd.OutOrStdout(), done); err != nil {
			return err
		}
	}
	if worst != verdict.Pass {
		return &statusError{worst}
	}
	return nil
}

// warnClock says so if the clock stands before the newest run.
func warnClock(cmd *cobra.Command, st *store.Store) error {
	newest, err := st.Runs(cmd.Context(), store.Filter{Limit: 1})
	if err != nil || len(newest) == 0 {
		return err
	}
	if now := time.Now(); newest[0].Started.After(now) {
		const form = "2006-01-02 15:04:05"
		fmt.Fprintf(cmd.ErrOrStderr(), "warning: the clock says %s UTC, and run %d began at %s: it was set back, or was wrong then; runs keep the order of their numbers\n",
			now.UTC().Format(form), newest[0].ID, newest[0].Started.Format(form))
	}
	return nil
}

// probe makes the folders of artefacts and writes a file into each, so that what
// can't be written is known before anything moves.
func probe(out string, jobs []*job) error {
	for i := range jobs {
		dir := outDir(out, jobs, i)
		if dir == "" {
			continue
		}
		err := os.MkdirAll(dir, 0o777)
		if err == nil {
			err = tryFile(dir)
		}
		if err != nil {
			return fmt.Errorf("--out %s: %w; expected a folder that this user can write to", out, err)
		}
	}
	return nil
}

func tryFile(dir string) error {
	f, err := os.CreateTemp(dir, ".drench-*")
	if err != nil {
		return err
	}
	_, err = f.WriteString("a word\n") // a full disk takes an empty file
	return errors.Join(err, f.Close(), os.Remove(f.Name()))
}

// outDir is the folder of a run's artefacts: the one given, or with several
// scenarios a folder in it, by name.
func outDir(out string, jobs []*job, i int) string {
	if out == "" || len(jobs) == 1 {
		return out
	}
	name, before := jobs[i].script.Name, 0
	for _, j := range jobs[:i] {
		if j.script.Name == name {
			before++
		}
	}
	if before > 0 {
		name = fmt.Sprintf("%s-%d", name, before+1)
	}
	return filepath.Join(out, name)
}

func (j *job) runOne(ctx context.Context, st *store.Store, w io.Writer) (report.Input, error) {
	fmt.Fprintf(w, "%s on %s, %s bench, seed %d\n", j.script.Name, j.dut, j.bench.rig.Name, j.seed)
	for _, n := range limits.Needs(j.limits, j.counts) {
		switch {
		case n.Short():
			fmt.Fprintf(w, "  too few: %s\n", n.Text)
		case n.Needed > 1 || n.Exposure > 0:
			fmt.Fprintf(w, "  %s\n", n.Text)
		}
	}
	total := 0
	for _, n := range j.counts {
		total += n
	}
	p := newProgress(w, j.script.Name, total)
	in, err := j.execute(ctx, st, p.trial)
	p.end()
	return in, err
}

func openStore(cmd *cobra.Command) (*store.Store, error) {
	set, err := config.LoadSettings(cmd.Flags())
	if err != nil {
		return nil, err
	}
	st, err := openStoreIn(cmd.Context(), set.Data)
	if err != nil {
		return nil, &benchError{err}
	}
	return st, nil
}

func openStoreIn(ctx context.Context, folder string) (*store.Store, error) {
	return store.Open(ctx, filepath.Join(folder, "drench.db"))
}

// summary is what a finished run prints.
type summary struct {
	Run      int64           `json:"run"`
	Scenario string          `json:"scenario"`
	DUT      string          `json:"dut"`
	Seed     uint64          `json:"seed"`
	Verdict  verdict.Verdict `json:"verdict"`
	Reason   string          `json:"reason"`
	Limits   []limits.Result `json:"limits"`
	Timeline string          `json:"timeline_sha256"`
	Out      string          `json:"out,omitempty"`
}

func summarize(in report.Input, dir string) summary {
	return summary{in.Run.ID, in.Header.Scenario, in.Header.DUT, in.Header.Seed, in.Judgement.Verdict, in.Judgement.Reason,
		in.Judgement.Results, in.Run.Sum, dir}
}

func (s summary) print(w io.Writer) {
	fmt.Fprintf(w, "run %d  %s  %s: %s\n", s.Run, s.Scenario, strings.ToUpper(s.Verdict.String()), s.Reason)
	for _, r := range s.Limits {
		fmt.Fprintf(w, "  %-6s  %s: %s\n", r.Verdict, r.Limit.Text, r.Reason)
	}
	if s.Out != "" {
		fmt.Fprintf(w, "  report  %s\n", filepath.Join(s.Out, "report.html"))
	}
	fmt.Fprintf(w, "  timeline sha256 %s\n", s.Timeline)
}

func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("print JSON: %w", err)
	}
	return nil
}
