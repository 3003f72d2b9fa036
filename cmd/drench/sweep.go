package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/report"
	"drench/results/store"
	"drench/results/sweep"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/config"
	"drench/scenarios"

	"github.com/spf13/cobra"
	"periph.io/x/conn/v3/physic"
)

func newSweep() *cobra.Command {
	var f runFlags
	cmd := &cobra.Command{
		Use:   "sweep FILE",
		Short: "Run a scenario at every combination of settings, and name those worth choosing from",
		Long: "Run a scenario at every combination of the settings that a sweep file lists, and compare what each costs in\n" +
			"latency, missed doses, false alarms and power. With --out the comparison is drawn in DIR/sweep.html.\n" +
			"Exit status: 0 if a setting meets every limit, 1 if none does, 3 if none was shown to, 4 error.",
		Example: "  drench sweep docs/sweep.yaml --out OUT",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("seed") {
				f.seed = anySeed()
			}
			s, err := prepareSweep(cmd, args[0], f)
			if err != nil {
				return err
			}
			return s.run(cmd, f)
		},
	}
	fl := cmd.Flags()
	fl.Uint64Var(&f.seed, "seed", 0, "seed of the first repeat; the next have those that follow (default: a new one)")
	fl.StringVar(&f.dut, "dut", "", "what to call the device under test (default: its profile's name)")
	fl.StringVar(&f.limits, "limits", "", "limits file (default: the scenario's own)")
	fl.StringVar(&f.out, "out", "", "folder for sweep.html")
	fl.BoolVar(&f.json, "json", false, "print the outcome as JSON")
	return cmd
}

// swept is a sweep with all its jobs, read and checked.
type swept struct {
	spec     sweep.Spec
	settings []sweep.Setting
	jobs     [][]*job // by setting, by repeat
}

// prepareSweep reads and checks all that the runs need, before anything moves.
func prepareSweep(cmd *cobra.Command, path string, f runFlags) (*swept, error) {
	src, err := config.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read sweep: %w", err)
	}
	s := &swept{}
	if s.spec, err = sweep.ReadSpec(src); err != nil {
		return nil, err
	}
	if s.settings, err = s.spec.Settings(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	script, err := scenarios.Load(s.spec.Scenario)
	if err != nil {
		return nil, err
	}
	f.tags, f.trials = []string{"sweep=" + s.spec.Name}, s.spec.Trials
	for _, at := range s.settings {
		jobs, err := s.prepare(cmd, script, at, filepath.Dir(path), f)
		if err != nil {
			return nil, fmt.Errorf("setting %s: %w", sweep.Point{Setting: at.Levels}.Name(), err)
		}
		s.jobs = append(s.jobs, jobs)
	}
	return s, nil
}

// prepare makes the jobs of one setting.
func (s *swept) prepare(cmd *cobra.Command, script *scenarios.Script, at sweep.Setting, dir string, f runFlags) ([]*job, error) {
	b, err := s.bench(cmd, at, dir)
	if err != nil {
		return nil, err
	}
	for _, l := range at.Levels {
		f.tags = append(slices.Clone(f.tags), l.Factor+"="+l.Name)
	}
	var jobs []*job
	for n := range s.spec.Repeats {
		f.seed += uint64(min(n, 1))
		j, err := b.job(script, f)
		if err != nil {
			return nil, err
		}
		jobs = append(jobs, j)
	}
	return jobs, nil
}

// bench is the bench of a setting.
func (s *swept) bench(cmd *cobra.Command, at sweep.Setting, dir string) (b *bench, err error) {
	if at.Rig == "" {
		b, err = loadBench(cmd, "")
	} else {
		path := at.Rig
		if !filepath.IsAbs(path) {
			path = filepath.Join(dir, path)
		}
		b, err = readBench(path)
	}
	if err != nil {
		return nil, err
	}
	var words []string
	for k, v := range at.Set {
		words = append(words, k+"="+v)
	}
	slices.Sort(words)
	return b, b.set(words)
}

func (s *swept) run(cmd *cobra.Command, f runFlags) error {
	if f.out != "" {
		if err := probe(f.out, s.jobs[0][:1]); err != nil {
			return err
		}
	}
	st, err := openStore(cmd)
	if err != nil {
		return err
	}
	defer st.Close()
	begun, person := time.Now(), newTerminal(cmd)
	var points []sweep.Point
	for i, at := range s.settings {
		p, err := s.point(cmd, st, person, at, s.jobs[i])
		if err != nil {
			return err
		}
		points = append(points, p)
	}
	sweep.Front(points)
	return s.tell(cmd, points, begun, f)
}

// point runs all jobs of a setting.
func (s *swept) point(cmd *cobra.Command, st *store.Store, person *terminal, at sweep.Setting, jobs []*job) (sweep.Point, error) {
	if jobs[0].bench.isReal() { // a person sets a real device, drench can't
		if err := person.ready(cmd.Context(), fmt.Sprintf("Set the DUT to %s.", sweep.Point{Setting: at.Levels}.Name())); err != nil {
			return sweep.Point{}, err
		}
	}
	mine, err := jobs[0].bench.claim(cmd.Context(), st)
	if err != nil {
		return sweep.Point{}, &benchError{err}
	}
	defer mine.release()
	var runs []sweep.Run
	for _, j := range jobs {
		j.claim = mine
		in, err := j.runOne(cmd.Context(), st, cmd.ErrOrStderr())
		if err != nil {
			return sweep.Point{}, &benchError{err}
		}
		if v := in.Judgement.Verdict; v == verdict.Error { // an interlock, or somebody stopped it: no setting after it is run
			return sweep.Point{}, &benchError{fmt.Errorf("run %d: %s; runs of the settings before it are kept", in.Run.ID, in.Judgement.Reason)}
		}
		runs = append(runs, sweep.Run{ID: in.Run.ID, Verdict: in.Judgement.Verdict, Broken: unmet(in.Judgement), Set: in.Set})
	}
	p, err := sweep.NewPoint(at.Levels, runs)
	if err != nil {
		return p, err
	}
	if s.spec.Battery > 0 && p.Standby.Known && p.Standby.Value > 0 {
		p.Battery, err = sweep.Battery{Energy: s.spec.Battery, Usable: s.spec.Usable}.Life(physic.Power(p.Standby.Value))
	}
	return p, err
}

// unmet are the limits that were not met.
func unmet(j limits.Judgement) (list []string) {
	for _, r := range j.Results {
		if r.Verdict != verdict.Pass {
			list = append(list, r.Verdict.String()+": "+r.Limit.Text)
		}
	}
	return list
}

// tell prints the comparison, draws it, and turns it into an exit status.
func (s *swept) tell(cmd *cobra.Command, points []sweep.Point, begun time.Time, f runFlags) error {
	if f.out != "" {
		page := report.Sweep{Name: s.spec.Name, Scenario: s.jobs[0][0].script.Name, Begun: begun.UTC(), LatencyLimit: latencyLimit(s.jobs[0][0]), Points: points}
		if s.spec.Battery > 0 {
			page.Battery = fmt.Sprintf("%v, %v of it usable", rig.Of(s.spec.Battery), rig.Of(s.spec.Usable))
		}
		var html bytes.Buffer
		if err := report.SweepHTML(&html, page); err != nil {
			return &benchError{err}
		}
		if err := os.WriteFile(filepath.Join(f.out, "sweep.html"), html.Bytes(), 0o666); err != nil {
			return &benchError{fmt.Errorf("the runs are stored, but the comparison could not be written: %w", err)}
		}
	}
	if f.json {
		if err := printJSON(cmd.OutOrStdout(), points); err != nil {
			return err
		}
	} else if err := printSweep(cmd.OutOrStdout(), points); err != nil {
		return err
	}
	best := verdict.Fail
	for _, p := range points {
		switch {
		case p.Meets():
			return nil
		case p.Verdict == verdict.Inconc:
			best = verdict.Inconc
		}
	}
	return &statusError{best}
}

// latencyLimit is the limit on latency's 95 % quantile, if there is one.
func latencyLimit(j *job) float64 {
	for _, l := range j.limits.Resolve(j.bench.device).Limits {
		if l.Measure == measure.Latency && l.Statistic == "p95" {
			return float64(l.Value)
		}
	}
	return 0
}

func printSweep(w io.Writer, points []sweep.Point) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "no.\tsetting\tverdict\tlatency p95\tmissed\tfalse alarms\tmean power\tworth it")
	for i, p := range points {
		worth := "yes"
		switch {
		case !p.Front:
			worth = fmt.Sprintf("no, %d beats it", p.BeatBy)
		case !p.Meets():
			worth = "no, " + strings.Join(p.Broken, "; ")
		}
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", i+1, p.Name(), p.Verdict, shownCost(p, sweep.Latency), shownCost(p, sweep.Missed),
			shownCost(p, sweep.FalseAlarms), shownCost(p, sweep.Power), worth)
	}
	return t.Flush()
}

func shownCost(p sweep.Point, k int) string {
	v := p.Values[k]
	switch {
	case !v.Known:
		return "not shown"
	case k == sweep.Missed:
		return rig.Significant(100*v.Value, 3) + " %"
	case k == sweep.FalseAlarms:
		return rig.Significant(v.Value, 3) + " per h"
	}
	return rig.Quantity{N: int64(v.Value), Unit: sweep.Costs[k].Unit}.String()
}
