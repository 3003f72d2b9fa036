// Command drench runs scenarios on a bench and judges what came of them.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"drench/results/verdict"
	"drench/rig/mistake"

	"github.com/spf13/cobra"
)

// version is what reports and timelines call this build.
const version = "drench 0.1"

func main() { os.Exit(execute(os.Args[1:])) }

// wrongUse is the exit status of a wrong command line or a bad input file.
const wrongUse = 2

// statusError carries the exit status of a command that did what it was told
// and found something.
type statusError struct {
	v verdict.Verdict
}

func (e *statusError) Error() string { return "verdict " + e.v.String() }

// benchError is a fault of the rig or of its surroundings (disk, store), not
// of what the user wrote.
type benchError struct{ err error }

func (e *benchError) Error() string { return e.err.Error() }
func (e *benchError) Unwrap() error { return e.err }

// execute runs one command line and returns the exit status: 0 pass, 1 fail,
// 2 wrong use or bad input, 3 inconc, 4 error.
func execute(args []string) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	root := newRoot()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	var status *statusError
	var bench *benchError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &status):
		return status.v.ExitStatus()
	case ctx.Err() != nil && errors.Is(err, context.Canceled):
		fmt.Fprintln(os.Stderr, "drench: error: interrupted:", err)
		return verdict.Error.ExitStatus()
	}
	if mistake.Found(err) && !errors.As(err, &bench) {
		fmt.Fprintln(os.Stderr, err) // file:line:col first, as editors want it
		return wrongUse
	}
	fmt.Fprintln(os.Stderr, "drench:", err)
	if errors.As(err, &bench) {
		return verdict.Error.ExitStatus()
	}
	return wrongUse
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:           "drench",
		Short:         "Test liquid detectors: dose water, dip the supply, time the answer, judge",
		Version:       version,
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.SetVersionTemplate("{{.Version}}\n")
	root.CompletionOptions.HiddenDefaultCmd = true
	root.PersistentFlags().String("rig", "", "rig file; without one, the virtual bench")
	root.PersistentFlags().String("data", "", "folder of the store (default: drench in the user's data folder)")
	root.AddCommand(newRun(), newServe(), newSafe(), newCheck(), newPreview(), newRuns(), newShow(), newReport(), newRejudge(), newClear(), newCalc(), newPlan(), newCalibrate(), newDoctor(), newCompare(), newLot(), newStudy(), newSweep())
	return root
}
