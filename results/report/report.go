// Package report writes a run for people and for machines: a page (HTML), a
// test result (JUnit-style XML), a table of trials (CSV), waveforms (VCD) and
// everything at once (JSON). Each is a function of its Input alone: the same
// run under the same limits gives the same bytes.
package report

import (
	"errors"
	"fmt"
	"io"
	"time"

	"drench/results/limits"
	"drench/results/measure"
	"drench/rig"
	"drench/rig/timeline"
)

// Input is a judged run.
type Input struct {
	Run       Run
	Header    timeline.Header
	Set       *measure.Set
	Judgement limits.Judgement
	// Open starts to read the run's timeline anew; VCD and the trace of the
	// worst trial need it. nil leaves that trace out.
	Open func() (*timeline.Reader, error)
}

// Run is what the timeline does not know of itself.
type Run struct {
	ID         int64     `json:"id"`
	Started    time.Time `json:"started"` // wall time
	Ended      time.Time `json:"ended"`   // zero: unknown
	DUT        string    `json:"dut"`
	LimitsName string    `json:"limits_name"`
	LimitsText string    `json:"limits_text"`
	Sum        string    `json:"sum"` // SHA-256 of the timeline in hexadecimal
}

// Judge reads a stored run's timeline, measures it and judges it by limits. open
// opens the timeline, as often as it is called.
func Judge(run Run, f *limits.File, open func() (*timeline.Reader, error)) (Input, error) {
	tl, err := open()
	if err != nil {
		return Input{}, fmt.Errorf("read run %d: %w", run.ID, err)
	}
	set, err := measure.Extract(tl.Header, tl.All())
	if err != nil {
		return Input{}, fmt.Errorf("measure run %d: %w", run.ID, err)
	}
	return Input{Run: run, Header: tl.Header, Set: set, Judgement: limits.Judge(set, f, tl.Header), Open: open}, nil
}

var errNoTimeline = errors.New("no timeline to read")

// events reads the whole timeline again. A damaged tail ends it like its
// end, and is returned beside it, since all before was good.
func (in Input) events(each func(rig.Event) error) (*timeline.TailError, error) {
	if in.Open == nil {
		return nil, errNoTimeline
	}
	r, err := in.Open()
	if err != nil {
		return nil, fmt.Errorf("open the timeline: %w", err)
	}
	for {
		ev, err := r.Next()
		var tail *timeline.TailError
		switch {
		case err == io.EOF:
			return nil, nil
		case errors.As(err, &tail):
			return tail, nil
		case err != nil:
			return nil, fmt.Errorf("read the timeline: %w", err)
		}
		if err := each(ev); err != nil {
			return nil, err
		}
	}
}

// errEnough stops events early.
var errEnough = errors.New("enough")
