package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"drench/results/measure"
	"drench/results/sketch"
	"drench/rig/timeline"
	"drench/scenarios"

	"github.com/spf13/cobra"
)

func newPreview() *cobra.Command {
	var f runFlags
	var columns int
	cmd := &cobra.Command{
		Use:   "preview SCENARIO",
		Short: "Run a scenario on the virtual bench and draw the timeline to expect; nothing is stored",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if columns < 20 || columns > 1000 {
				return fmt.Errorf("--columns %d; expected 20 to 1000", columns)
			}
			jobs, err := prepare(cmd, args, f)
			if err != nil {
				return err
			}
			return jobs[0].preview(cmd.Context(), cmd.OutOrStdout(), columns)
		},
	}
	fl := cmd.Flags()
	fl.IntVar(&f.trials, "trials", 2, "trials of the scenario's main kind; the others in proportion")
	fl.Uint64Var(&f.seed, "seed", 1, "seed of all that is random")
	fl.StringVar(&f.limits, "limits", "", "limits file (default: the scenario's own)")
	fl.StringVar(&f.fault, "fault", "", "a fault to put into the virtual bench (drench check --faults lists them)")
	fl.IntVar(&columns, "columns", 100, "width of the drawing")
	return cmd
}

// preview draws what a rehearsal shows.
func (j *job) preview(ctx context.Context, w io.Writer, columns int) error {
	var kept timeline.Memory
	_, cut, err := j.rehearse(ctx, &kept, nil)
	if err != nil {
		return err
	}
	tl, err := kept.Reader()
	if err != nil {
		return err
	}
	set, err := measure.Extract(tl.Header, tl.All())
	if err != nil {
		return fmt.Errorf("measure the preview: %w", err)
	}
	for _, win := range windows(j.script, set) {
		if tl, err = kept.Reader(); err != nil {
			return err
		}
		if err := sketch.Draw(w, tl.Header.Channels, tl.All(), win, columns); err != nil {
			return err
		}
		fmt.Fprintln(w)
	}
	return cut
}

// windows are the whole run, and the first trial of each kind and label.
func windows(s *scenarios.Script, set *measure.Set) []sketch.Window {
	wins := []sketch.Window{{Title: s.Name + ": the whole run", From: set.Begin, To: set.End}}
	seen := map[string]bool{}
	for _, t := range set.Trials {
		title := strings.TrimSpace(fmt.Sprintf("%s %s", t.Spec.Kind, t.Spec.Label))
		if d := t.Spec.Dip; d != nil {
			title = fmt.Sprintf("%s to %.2f V, %v %s", d.Shape, float64(d.Level)/1000, d.Width, d.Source)
		}
		if seen[title] || t.End <= t.Begin {
			continue
		}
		seen[title] = true
		margin := (t.End - t.Begin) / 20
		wins = append(wins, sketch.Window{Title: fmt.Sprintf("trial %d: %s, %s", t.N, title, t.Verdict), From: max(t.Begin-margin, 0), To: t.End + margin})
	}
	return wins
}
