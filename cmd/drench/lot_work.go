package main

import (
	"errors"
	"fmt"
	"strconv"

	"drench/results/inspection"
	"drench/results/lot"
	"drench/results/verdict"

	"github.com/spf13/cobra"
)

func lotShow(f *lotFlags) *cobra.Command {
	return &cobra.Command{
		Use:   "show [LOT]",
		Short: "Show a lot: its plan, risks, sample and results (default: the open or last one)",
		Args:  cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			_, l, err := f.find(cmd, args)
			if err != nil {
				return err
			}
			v, err := viewOf(l.product, l.Lot)
			if err != nil {
				return err
			}
			if f.json {
				return printJSON(cmd.OutOrStdout(), v)
			}
			return v.print(cmd.OutOrStdout())
		},
	}
}

// found is a lot of a product.
type found struct {
	*lot.Lot
	product string
}

// find returns the lot that is named, or the open or last one.
func (f *lotFlags) find(cmd *cobra.Command, args []string) (*lot.Series, found, error) {
	c, err := f.atCounter(cmd)
	if err != nil {
		return nil, found{}, err
	}
	defer c.st.Close()
	s, err := c.series(cmd)
	if err != nil {
		return nil, found{}, err
	}
	l := lastLot(s)
	if len(args) > 0 {
		l = s.Lot(args[0])
	}
	if l == nil {
		return s, found{}, fmt.Errorf("there is no such lot of %s; drench lot history %s lists them", s.Product, shellWord(s.Product))
	}
	return s, found{l, s.Product}, nil
}

func lotNext(f *lotFlags) *cobra.Command {
	return &cobra.Command{
		Use:   "next",
		Short: "Say the one thing to do next",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, l, err := f.find(cmd, nil)
			if err != nil {
				return err
			}
			st, err := stateOf(l.Lot)
			if err != nil {
				return err
			}
			if f.json {
				return printJSON(cmd.OutOrStdout(), st)
			}
			st.print(cmd.OutOrStdout())
			return nil
		},
	}
}

func wholeNumber(what, text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		return 0, fmt.Errorf("%s %q; expected a whole number from 1", what, text)
	}
	return n, nil
}

func lotAssign(f *lotFlags) *cobra.Command {
	return f.signed(&cobra.Command{
		Use:   "assign SAMPLE SERIAL",
		Short: "Say which device is a unit of the sample",
		Args:  cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			n, err := wholeNumber("sample", args[0])
			if err != nil {
				return err
			}
			return f.act(cmd, func(c *counter, a lot.Act) error { return c.Assign(cmd.Context(), a, c.product, n, args[1]) })
		},
	})
}

func lotResult(f *lotFlags) *cobra.Command {
	return f.signed(&cobra.Command{
		Use:   "result SERIAL RUN",
		Short: "Enter a stored run on a device of the sample",
		Args:  cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			id, err := runID(args[1])
			if err != nil {
				return err
			}
			return f.act(cmd, func(c *counter, a lot.Act) error { return c.EnterRun(cmd.Context(), a, c.product, args[0], id) })
		},
	})
}

func lotVoid(f *lotFlags) *cobra.Command {
	return f.reasoned(&cobra.Command{
		Use:   "void ENTRY --why TEXT",
		Short: "Take a wrong assignment or result out of the count; the entry stays",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			n, err := wholeNumber("entry", args[0])
			if err != nil {
				return err
			}
			return f.act(cmd, func(c *counter, a lot.Act) error { return c.Void(cmd.Context(), a, c.product, n) })
		},
	})
}

func lotRetest(f *lotFlags) *cobra.Command {
	return f.reasoned(&cobra.Command{
		Use:   "retest SERIAL --why TEXT",
		Short: "Let a device be tested again whose run told nothing",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return f.act(cmd, func(c *counter, a lot.Act) error { return c.Retest(cmd.Context(), a, c.product, args[0]) })
		},
	})
}

func lotWithdraw(f *lotFlags) *cobra.Command {
	return f.reasoned(&cobra.Command{
		Use:   "withdraw --why TEXT",
		Short: "Take back the open lot, of which nothing was tested",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return f.act(cmd, func(c *counter, a lot.Act) error { return c.Withdraw(cmd.Context(), a, c.product) })
		},
	})
}

func lotResume(f *lotFlags) *cobra.Command {
	return f.reasoned(&cobra.Command{
		Use:   "resume --why TEXT",
		Short: "Go on after inspection was discontinued; the reason is what the supplier did",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return f.act(cmd, func(c *counter, a lot.Act) error {
				return c.Change(cmd.Context(), c.product, func(g *lot.Ledger) error { return g.Resume(cmd.Context(), a) })
			})
		},
	})
}

func lotDecide(f *lotFlags) *cobra.Command {
	return f.signed(&cobra.Command{
		Use:   "decide",
		Short: "Accept or reject the open lot, as its plan says",
		Long:  "Accept or reject the open lot, as its plan says.\nExit status: 0 accepted, 1 rejected, 3 more is to be inspected first.",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var decision lot.Decision
			err := f.act(cmd, func(c *counter, a lot.Act) (err error) {
				decision, err = c.Decide(cmd.Context(), a, c.product)
				return err
			})
			var undecided *inspection.UndecidedError
			if errors.As(err, &undecided) {
				fmt.Fprintln(cmd.ErrOrStderr(), "drench:", undecided)
				return &statusError{verdict.Inconc}
			}
			if err != nil {
				return err
			}
			return decided(decision)
		},
	})
}

func lotTest(f *lotFlags) *cobra.Command {
	var r runFlags
	cmd := &cobra.Command{
		Use:   "test SERIAL [SCENARIO]",
		Short: "Test a device of the sample: run the lot's scenario on it and enter the result",
		Long: "Test a device of the sample, by the way of drench run, and enter the result. A serial number that is new is\n" +
			"assigned to the unit that is due. A device that was tested is refused, or needs a retest with a reason.\n" +
			"Exit status: 0 conforming, 1 nonconforming, 2 refused, 3 neither, 4 error.",
		Args: cobra.RangeArgs(1, 2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("seed") {
				r.seed = anySeed()
			}
			name, err := f.name()
			if err != nil {
				return err
			}
			return f.test(cmd, r, name, args[0], args[1:])
		},
	}
	fl := cmd.Flags()
	fl.Uint64Var(&r.seed, "seed", 0, "seed of all that is random (default: a new one, shown)")
	fl.IntVar(&r.trials, "trials", 0, "trials of the scenario, of a lot that was opened without a test")
	fl.StringVar(&r.limits, "limits", "", "limits file, of a lot that was opened without a test")
	fl.StringVar(&r.out, "out", "", "folder for report.html, junit.xml, trials.csv and timeline.vcd")
	fl.StringVar(&r.fault, "fault", "", "a fault to put into the virtual bench (drench check --faults lists them)")
	fl.StringArrayVar(&r.tags, "tag", nil, "a tag to find the run by; may be given again")
	return f.signed(cmd)
}

// test reads and checks all that the run needs before the device is assigned.
func (f *lotFlags) test(cmd *cobra.Command, r runFlags, by, serial string, more []string) error {
	c, err := f.atCounter(cmd)
	if err != nil {
		return err
	}
	defer c.st.Close()
	if _, err := c.Enter(cmd.Context(), c.product); err != nil { // what a process left that ended before it did
		return lotError(err)
	}
	s, err := c.series(cmd)
	if err != nil {
		return err
	}
	l := s.Current()
	if l == nil {
		return fmt.Errorf("no lot of %s is open; expected drench lot open first", c.product)
	}
	scenario, err := testOf(l, more, &r)
	if err != nil {
		return err
	}
	r.dut, r.tags = serial, append(r.tags, inspection.Tags(c.product, l.Lot, by)...)
	jobs, err := prepare(cmd, []string{scenario}, r)
	if err == nil {
		err = probe(r.out, jobs)
	}
	if err != nil {
		return err
	}
	step, err := c.Scan(cmd.Context(), c.Act(by, ""), c.product, serial)
	if err != nil {
		return lotError(err)
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "sample %d of lot %s, unit %d of it: %s, by %s\n", step.Sample, l.Lot, step.Unit, step.Serial, by)
	return f.runAndEnter(cmd, c, jobs, r, by, step.Sample)
}

// testOf is the scenario that a unit is tested by; what the lot says goes.
func testOf(l *lot.Lot, named []string, r *runFlags) (string, error) {
	switch {
	case l.Test == nil && len(named) == 0:
		return "", fmt.Errorf("lot %s was opened without a test; expected a SCENARIO", l.Lot)
	case l.Test == nil:
		return named[0], nil
	case len(named) > 0 && !inspection.SameTest(l.Test, named[0]):
		return "", fmt.Errorf("lot %s is tested by %s, not by %s; expected that, or no scenario", l.Lot, l.Test.Scenario, named[0])
	}
	if r.trials != 0 || r.limits != "" {
		return "", fmt.Errorf("lot %s is tested by %s; expected neither --trials nor --limits", l.Lot, l.Test.Words())
	}
	r.trials, r.limits = l.Test.Trials, l.Test.Limits
	return l.Test.Scenario, nil
}

// runAndEnter runs the job and enters what came of it, even if that is an
// error.
func (f *lotFlags) runAndEnter(cmd *cobra.Command, c *counter, jobs []*job, r runFlags, by string, sample int) error {
	out := cmd.OutOrStdout()
	cmd.SetOut(cmd.ErrOrStderr()) // the result is the lot's
	ran := runAll(cmd, jobs, r)
	cmd.SetOut(out)
	var status *statusError
	if ran != nil && !errors.As(ran, &status) {
		return ran
	}
	if _, err := c.Enter(cmd.Context(), c.product); err != nil {
		return lotError(err)
	}
	s, err := c.series(cmd)
	if err != nil {
		return err
	}
	if err := f.printEntered(cmd, s, by); err != nil {
		return err
	}
	class := lastLot(s).Units[sample-1].Class()
	if ran != nil && class != lot.Conforming && class != lot.Nonconforming {
		return ran // inconc and error have a status each
	}
	return classStatus(class)
}

// classStatus turns what a unit is into an exit status.
func classStatus(c lot.Class) error {
	switch c {
	case lot.Conforming:
		return nil
	case lot.Nonconforming:
		return &statusError{verdict.Fail}
	}
	return &statusError{verdict.Inconc}
}
