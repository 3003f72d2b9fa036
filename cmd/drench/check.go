package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"drench/drivers/virtual"
	"drench/results/limits"
	"drench/results/sweep"
	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/config"
	"drench/rig/timeline"
	"drench/scenarios"

	"github.com/spf13/cobra"
)

func newCheck() *cobra.Command {
	var verbs, faults bool
	cmd := &cobra.Command{
		Use:   "check FILE...",
		Short: "Check scripts, limits, rig files and profiles without touching hardware",
		Long: "Check scripts (.star), limits (.limits), rig files, DUT profiles, calibration records and sweeps (.yaml) without touching hardware.\n" +
			"Scripts are rehearsed on the virtual bench with few trials. Errors read file:line:col: what; what was expected.",
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case verbs:
				listVerbs(cmd.OutOrStdout())
				return nil
			case faults:
				listFaults(cmd.OutOrStdout())
				return nil
			case len(args) == 0:
				return errors.New("check what? expected FILE... (.star, .limits, .yaml)")
			}
			var errs []error
			for _, path := range args {
				if err := checkFile(cmd, path); err != nil {
					errs = append(errs, err)
					continue
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%s: in order\n", path)
			}
			return errors.Join(errs...)
		},
	}
	cmd.Flags().BoolVar(&verbs, "verbs", false, "list the verbs that scripts may use")
	cmd.Flags().BoolVar(&faults, "faults", false, "list the faults of the virtual bench")
	return cmd
}

func checkFile(cmd *cobra.Command, path string) error {
	switch filepath.Ext(path) {
	case ".limits":
		src, err := config.ReadFile(path)
		if err != nil {
			return fmt.Errorf("read limits: %w", err)
		}
		_, err = limits.Parse(path, src.Text)
		return err
	case ".yaml", ".yml":
		return checkYAML(path)
	case ".star", "":
		return rehearse(cmd, path)
	}
	return fmt.Errorf("%s: nothing is known of such files; expected .star, .limits or .yaml", path)
}

// checkYAML reads a rig file, a DUT profile, a calibration record or a sweep.
func checkYAML(path string) error {
	src, err := config.ReadFile(path)
	if err != nil {
		return fmt.Errorf("read file: %w", err)
	}
	switch config.KindOf(src.Text) {
	case config.Profile:
		var model virtual.Model
		_, _, err = config.LoadProfile(path, "", &model)
	case config.Calibration:
		_, err = calibration.Read(src)
	case config.Sweep:
		_, err = sweep.ReadSpec(src)
	default:
		_, err = readBench(path)
	}
	return err
}

// rehearse runs a script with few trials on the virtual bench, keeping
// nothing.
func rehearse(cmd *cobra.Command, path string) error {
	b, err := loadBench(cmd, "")
	if err != nil {
		return err
	}
	s, err := scenarios.Load(path)
	if err != nil {
		return err
	}
	j := &job{bench: b, script: s, counts: s.Scale(1), dut: "rehearsal", seed: 1}
	table, err := b.channels(j.seed)
	if err != nil {
		return err
	}
	if err := s.Check(table); err != nil {
		return err
	}
	_, cut, err := j.rehearse(cmd.Context(), timeline.Discard{}, nil)
	return errors.Join(cut, err)
}

func listVerbs(w io.Writer) {
	for _, v := range scenarios.Verbs() {
		fmt.Fprintf(w, "%s\n    %s", v.Signature, v.About)
		if v.Needs != "" {
			fmt.Fprintf(w, " (needs %s)", v.Needs)
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintf(w, "dut.…\n    what the profile says: name, supply, sampling, readings, heartbeat, start_up, drop_out, recovery, latching, drop\n")
	fmt.Fprintf(w, "trial kinds: %s\n", strings.Trim(fmt.Sprint(rig.TrialKinds), "[]"))
}

func listFaults(w io.Writer) {
	for _, f := range virtual.Faults() {
		fmt.Fprintf(w, "%-16s %s\n", f.Name, f.About)
	}
}
