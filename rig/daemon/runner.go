package daemon

import (
	"context"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// Runner is the bench that a daemon keeps.
type Runner interface {
	// Run runs a job to its end and keeps the run. The outcome counts even with
	// an error, as far as it is known. When ctx ends, the outputs are safe
	// before Run returns, and the run's reason is the cause.
	Run(ctx context.Context, j Job, o Observer) (Outcome, error)
	// Watch holds the idle bench safe and shows its levels until ctx ends,
	// which is no error. It returns early if the bench is lost, or with an
	// error that wraps an *interlock.TripError when an interlock trips.
	Watch(ctx context.Context, o Observer) error
}

// Observer is told what happens on the bench. Its methods return at once.
type Observer interface {
	// Began says which run is being recorded, or 0 of an idle bench, which
	// channels the bench has, and how many trials are planned.
	Began(run int64, channels []rig.Channel, trials int)
	Saw(rig.Event)
	// Passed is called when the supervisor has finished a pass.
	Passed(rig.Instant)
}

// Outcome is how a run ended.
type Outcome struct {
	Run     int64
	Verdict verdict.Verdict
	Reason  string
	Lost    string          // why the bench could not be reached; "": it was
	Trip    string          // why an interlock tripped; "": none did
	Latency []time.Duration // of the wet trials that were detected
	Gap     time.Duration   // the longest between two heartbeats; 0: none was seen
}

// Workshop knows what a Request may name, and what to make of files. Problems
// read as `drench check` prints them.
type Workshop interface {
	Check(context.Context, Request) (problems []string)
	// CheckFile reads a text as the kind of file that its name says.
	CheckFile(ctx context.Context, name, text string) (problems []string)
	// Stock are the files that come with drench.
	Stock() []File
	// Preview rehearses a script on the virtual bench.
	Preview(ctx context.Context, name string) (Preview, error)
	Calibrations(context.Context) ([]Calibration, error)
	// Rejudge judges a stored run by limits, and keeps the judgement.
	Rejudge(ctx context.Context, run int64, limits string) (judgement int64, err error)
}
