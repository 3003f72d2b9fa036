// Package safety reads a run's timeline and says whether safety held. It is a
// second opinion on the interlock supervisor and shares no code with it but
// the shape of its configuration: it knows only what was recorded, the table of
// channels, and what was allowed.
//
// What it can't know is what an output did with a command; that is for the
// hardware (docs/safety.md).
package safety

import (
	"errors"
	"fmt"
	"iter"
	"time"

	"drench/rig"
	"drench/rig/interlock"
	"drench/rig/timeline"
)

// Reaction is the longest that an output may stay on after a trip, or after
// an interlock line has opened. A pump may pass the end of its budget by as
// much: that is when the supervisor trips, not when the pump has stopped.
const Reaction = 50 * time.Millisecond

// Limits are what a run was allowed: the interlock section of its rig file.
type Limits struct {
	Inputs []string // interlock lines; each reads 1 while all is well
	// Tests are the outputs that open interlock lines before a run, by line. All
	// such lines must be seen to open and to close before anything is energised.
	Tests  map[string]string
	PumpOn time.Duration // the longest that a pump may run in one go
	// PumpRest is how long a pump must be off for its next run to be another
	// go; 0, as in the timelines of older runs, is any time.
	PumpRest time.Duration
	Volume   rig.Volume // all pumps together in a run, by the flow asked for
}

// Allowed is what a run was allowed by the interlock section that its header
// holds.
func Allowed(c interlock.Config) Limits {
	return Limits{Inputs: c.Inputs, Tests: c.Tests, PumpOn: c.PumpOn, PumpRest: c.PumpRest, Volume: c.Volume}
}

// Rule names what a finding breaks.
type Rule string

// The rules. "Energised" means an output of hazard pump, valve, heat or
// supply; an idle one (a reset line) may move after a trip.
const (
	Opened    Rule = "opened"    // energised after an interlock line opened
	Latched   Rule = "latched"   // energised after a trip
	Late      Rule = "late"      // on for longer than Reaction after either
	Order     Rule = "order"     // a trip makes safe pumps, valves, heat, supply, the rest
	OnTime    Rule = "on-time"   // a pump ran for longer than its budget
	Water     Rule = "water"     // the pumps delivered more than the run's budget
	AtEnd     Rule = "at end"    // an output is not at 0 when the run ends
	Untripped Rule = "untripped" // an interlock line opened and no trip followed
	Deadman   Rule = "dead-man"  // the run commanded the dead-man line
	Unproved  Rule = "unproved"  // energised before a test line had proved its interlock lines
	Tested    Rule = "tested"    // a test line was set while something was energised
)

// Finding is one breach of a rule.
type Finding struct {
	At      rig.Instant `json:"at"` // of the event that shows it
	Channel string      `json:"channel,omitempty"`
	Rule    Rule        `json:"rule"`
	Found   string      `json:"found"`
}

func (f Finding) String() string {
	where := f.Channel
	if where != "" {
		where += ": "
	}
	return fmt.Sprintf("%v: %s%s (rule %q)", f.At, where, f.Found, f.Rule)
}

// Unreached is an output that could not be turned off.
type Unreached struct {
	Channel string `json:"channel"`
	Value   int64  `json:"value"` // that it may still have, in its channel's nano unit
	Why     string `json:"why"`
	// CutBy is the output that cut it off instead, after its last command at At.
	CutBy string      `json:"cut_by"`
	At    rig.Instant `json:"at"`
}

// Proof says whether an interlock line was seen to work.
type Proof struct {
	Input string `json:"input"`
	// By is the test line that opened it, "" if there is none; Proved tells
	// whether the line opened and closed with it, after these times.
	By     string        `json:"by,omitempty"`
	Proved bool          `json:"proved"`
	Opens  time.Duration `json:"opens,omitempty"`
	Closes time.Duration `json:"closes,omitempty"`
	// Opened tells whether it also opened by itself in the run.
	Opened bool `json:"opened"`
}

// MaxFindings is how many findings of one rule a report holds.
const MaxFindings = 20

// Report says whether safety held.
type Report struct {
	Events   int       `json:"events"`
	Findings []Finding `json:"findings"` // of each rule the first MaxFindings
	Breaches int       `json:"breaches"` // how many there were of all rules
	// Cut says why the timeline has no end, "" if it has one. That is no
	// breach: the process may have died. On lists what its last commands left
	// on, which was then for the dead-man to stop.
	Cut string   `json:"cut,omitempty"`
	On  []string `json:"on,omitempty"`
	// Unreached are outputs that were told to go off, did not, and were cut off
	// by another: they may be on still, with nothing behind them.
	Unreached []Unreached `json:"unreached,omitempty"`
	// Trip is the reason of the first trip, "" without one.
	Trip string `json:"trip,omitempty"`
	// Inputs says of each interlock line what the run has proved.
	Inputs []Proof `json:"inputs"`
	// Longest is the longest that a pump ran in one go, the sum of its times on
	// between two rests; Delivered is the volume of all pumps, by the flow asked
	// for.
	Longest   time.Duration `json:"longest"`
	Delivered rig.Volume    `json:"delivered"`
}

// Held tells whether no rule was broken as far as the timeline goes.
func (r Report) Held() bool { return r.Breaches == 0 }

// Check reads a run's events once, in the order in which they were recorded,
// and keeps memory for channels and findings, not for events.
//
// A *timeline.TailError ends the run early. Any other error of events, one
// that fits no run of the header's bench, and limits that leave a pump
// unwatched are returned as an error: then nothing is known of safety.
func Check(h timeline.Header, l Limits, events iter.Seq2[rig.Event, error]) (Report, error) {
	c, err := newChecker(h.Channels, l)
	if err != nil {
		return Report{}, err
	}
	for ev, err := range events {
		if err != nil {
			var tail *timeline.TailError
			if !errors.As(err, &tail) {
				return Report{}, fmt.Errorf("read event %d: %w", c.report.Events+1, err)
			}
			c.report.Cut = tail.Error()
			break
		}
		if err := c.event(ev); err != nil {
			return Report{}, fmt.Errorf("event %d at %v: %w", c.report.Events, ev.At, err)
		}
	}
	return c.close(), nil
}
