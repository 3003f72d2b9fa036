package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"drench/results/verdict"
	"drench/rig/config"

	"github.com/spf13/cobra"
)

// grade is how a finding is meant.
type grade string

const (
	fine     grade = "ok"
	doubtful grade = "warn" // it works, but not as well as it could
	broken   grade = "bad"  // the rig can't run like that
)

// marks stand beside the words, for those who skim.
var marks = map[grade]string{fine: "✓", doubtful: "!", broken: "✗"}

// finding is what a check found.
type finding struct {
	Check string `json:"check"`
	Grade grade  `json:"grade"`
	Found string `json:"found"`
	Mend  string `json:"mend,omitempty"` // what to do about it
}

// check looks at one part of the machine or of the bench.
type check struct {
	name string
	// needs tells whether the bench has that part; nil: every bench does.
	needs func(*patient) bool
	look  func(*patient, context.Context) []finding
}

// checks are all that the doctor knows, in the order of the report.
var checks = []check{
	{"board", nil, (*patient).board},
	{"kernel", nil, (*patient).kernel},
	{"user", nil, (*patient).user},
	{"memory", nil, (*patient).memory},
	{"clock", nil, (*patient).clock},
	{"time of day", nil, (*patient).timeOfDay},
	{"data folder", nil, (*patient).dataFolder},
	{"store", nil, (*patient).store},
	{"backup", nil, (*patient).backupFile},
	{"calibration", (*patient).hasRecords, (*patient).calibrations},
	{"virtual bench", (*patient).isVirtual, (*patient).virtualBench},
	{"GPIO chips", (*patient).hasLines, (*patient).gpioChips},
	{"GPIO lines", (*patient).hasLines, (*patient).gpioLines},
	{"I2C buses", (*patient).hasBuses, (*patient).buses},
	{"serial ports", (*patient).hasPorts, (*patient).ports},
	{"supply", (*patient).hasInstruments, (*patient).instruments},
	{"loop-back wire", (*patient).hasLoop, (*patient).loopBackWire},
}

// diagnosis is all that was found.
type diagnosis struct {
	Rig      string    `json:"rig"`
	Worst    grade     `json:"worst"`
	Findings []finding `json:"findings"`
	LeftOut  []string  `json:"left_out"` // checks of parts that this bench does not have
}

// examine makes every check that the bench has a part for.
func examine(ctx context.Context, p *patient) diagnosis {
	d := diagnosis{Rig: p.bench.rig.Source.Name, Worst: fine, LeftOut: []string{}}
	for _, c := range checks {
		if c.needs != nil && !c.needs(p) {
			d.LeftOut = append(d.LeftOut, c.name)
			continue
		}
		for _, f := range c.look(p, ctx) {
			if f.Check == "" {
				f.Check = c.name
			}
			if f.Grade == broken || f.Grade == doubtful && d.Worst == fine {
				d.Worst = f.Grade
			}
			d.Findings = append(d.Findings, f)
		}
	}
	return d
}

func newDoctor() *cobra.Command {
	var loop loopWire
	var backup string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "doctor",
		Short: "Look at this machine and the bench that a rig file describes, and say how to mend what is wrong",
		Long: "Look at this machine and the bench that a rig file describes, and say how to mend what is wrong.\n" +
			"Nothing is set or energised, but for the output of a loop-back wire if --out and --in name one.\n" +
			"Exit status: 0 all well or warnings only, 4 if something is bad, 2 wrong use or a bad rig file.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			p, err := newPatient(cmd, loop)
			if err != nil {
				return err
			}
			p.backup = backup
			d := examine(cmd.Context(), p)
			if asJSON {
				err = printJSON(cmd.OutOrStdout(), d)
			} else {
				err = d.print(cmd.OutOrStdout())
			}
			if err == nil && d.Worst == broken {
				err = &statusError{verdict.Error}
			}
			return err
		},
	}
	loop.flags(cmd)
	cmd.Flags().StringVar(&backup, "backup", "", "a backup of the store, a `file` to look at as well")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

// newPatient reads the rig file and looks at the real machine.
func newPatient(cmd *cobra.Command, loop loopWire) (*patient, error) {
	set, err := config.LoadSettings(cmd.Flags())
	if err != nil {
		return nil, err
	}
	b, err := loadBench(cmd, "")
	if err != nil {
		return nil, err
	}
	if err := loop.check(b); err != nil {
		return nil, err
	}
	p := thisMachine()
	p.bench, p.data, p.loop = b, set.Data, loop
	return p, nil
}

var conclusions = map[grade]string{
	fine:     "All is well.",
	doubtful: "The rig can run; the warnings say what would make it better.",
	broken:   "The rig can't run like that; mend what is marked bad first.",
}

func (d diagnosis) print(w io.Writer) error {
	fmt.Fprintf(w, "%s Rig: %s.\n\n", conclusions[d.Worst], d.Rig)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, f := range d.Findings {
		fmt.Fprintf(t, "%s %s\t%s\t%s\n", marks[f.Grade], f.Grade, f.Check, f.Found)
		if f.Mend != "" {
			fmt.Fprintf(t, "\t\tmend: %s\n", f.Mend)
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if len(d.LeftOut) > 0 {
		fmt.Fprintf(w, "\nLeft out, as this bench has no such part: %s.\n", strings.Join(d.LeftOut, ", "))
	}
	return nil
}
