// Package daemon keeps one bench busy and watched: a queue of jobs that run in
// order, nights that a schedule puts into it, what the bench does now for
// whoever looks on, and a stop that always works. It knows no driver, no SQL
// and no page: the bench is a Runner, what is kept goes through a Ledger.
package daemon

import (
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// Request says what to run.
type Request struct {
	Scenario string            `json:"scenario"`           // a stock scenario, or a script kept by the daemon
	DUT      string            `json:"dut,omitempty"`      // what the operator calls the device; "": the profile's name
	Profile  string            `json:"profile,omitempty"`  // a profile kept by the daemon; "": the rig file's
	Settings map[string]string `json:"settings,omitempty"` // keys of the profile with other values, such as "sampling.period": "1 s"
	Trials   int               `json:"trials,omitempty"`   // of the scenario's main kind; 0: as many as the script says
	Seed     *uint64           `json:"seed,omitempty"`     // nil: a new one
	Limits   string            `json:"limits,omitempty"`   // limits kept by the daemon; "": the scenario's own
	Fault    string            `json:"fault,omitempty"`    // of the virtual bench
	Tags     []string          `json:"tags,omitempty"`     // such as "firmware=1.4"
}

// State is how far a job is.
type State string

// States of a job. A job that the daemon's end cut short is Interrupted: its
// run is closed as error, and it is not run again by itself.
const (
	Queued      State = "queued"
	Running     State = "running"
	Finished    State = "finished"
	Cancelled   State = "cancelled"
	Interrupted State = "interrupted"
)

// Job is a request in the queue, or one that was.
type Job struct {
	ID int64 `json:"id"`
	Request
	State   State           `json:"state"`
	Place   int             `json:"place,omitempty"` // in the queue, 1 is next; 0 when not queued
	By      string          `json:"by"`              // who asked: a token's name, or "schedule"
	Night   int64           `json:"night,omitempty"` // NightRun it is part of
	Added   time.Time       `json:"added"`
	Started time.Time       `json:"started,omitzero"`
	Ended   time.Time       `json:"ended,omitzero"`
	Run     int64           `json:"run,omitempty"` // in the store, once it runs
	Verdict verdict.Verdict `json:"verdict"`
	Reason  string          `json:"reason,omitempty"` // why it ended as it did
}

// Night is a named set of runs that a schedule starts: scenarios × profiles ×
// settings, in that order of nesting.
type Night struct {
	Name      string              `json:"name"`
	Cron      string              `json:"cron"`           // five fields or @daily…, as robfig/cron reads it; "": only by hand
	Zone      string              `json:"zone,omitempty"` // IANA time zone of Cron; "": UTC
	Scenarios []string            `json:"scenarios"`
	Profiles  []string            `json:"profiles,omitempty"` // none: the rig file's
	Settings  []map[string]string `json:"settings,omitempty"` // none: as the profile has them
	DUT       string              `json:"dut,omitempty"`
	Trials    int                 `json:"trials,omitempty"`
	Limits    map[string]string   `json:"limits,omitempty"` // by scenario
	Tags      []string            `json:"tags,omitempty"`
	Baseline  string              `json:"baseline,omitempty"` // tag of the runs to compare with; "": the first nights
	Hooks     []Hook              `json:"hooks,omitempty"`
	Off       bool                `json:"off,omitempty"` // kept, but not started by the clock
}

// NightRun is one execution of a night.
type NightRun struct {
	ID      int64           `json:"id"`
	Night   string          `json:"night"`
	Spec    Night           `json:"spec"` // as it was then
	By      string          `json:"by"`
	Started time.Time       `json:"started"`
	Ended   time.Time       `json:"ended,omitzero"`
	Jobs    []Job           `json:"jobs"`
	Verdict verdict.Verdict `json:"verdict"` // its jobs', by the overwriting rule
}

// Hook is told a verdict: a command (a path from the daemon's configuration,
// never from a page) or a webhook. It gets JSON, has a time limit, and cannot
// hold up the bench.
type Hook struct {
	On      []verdict.Verdict `json:"on,omitempty"` // none: all
	Command string            `json:"command,omitempty"`
	URL     string            `json:"url,omitempty"`
}

// Live is what the bench does now.
type Live struct {
	Bench    string        `json:"bench"`
	Virtual  bool          `json:"virtual"`
	Job      *Job          `json:"job,omitempty"` // nil: idle
	Paused   bool          `json:"paused"`        // no further job is started
	At       rig.Instant   `json:"at"`            // on the bench's clock
	Alive    time.Time     `json:"alive"`         // when the supervisor last finished a pass, wall time
	Trial    int           `json:"trial"`
	Trials   int           `json:"trials"` // planned
	Kind     rig.TrialKind `json:"kind,omitempty"`
	Channels []Reading     `json:"channels"`
	Trip     string        `json:"trip,omitempty"` // why the bench is tripped
	Seq      uint64        `json:"seq"`            // grows with every change
}

// Reading is the last that was seen of a channel.
type Reading struct {
	rig.Channel
	Value     int64       `json:"value"` // in the channel's nano unit; 0 or 1 for a level
	Text      string      `json:"text,omitempty"`
	Shown     string      `json:"shown"` // with its unit
	At        rig.Instant `json:"at"`
	Seen      bool        `json:"seen"`
	Interlock bool        `json:"interlock,omitempty"`
}

// Update is a change of Live, for whoever follows: an event on the timeline
// (thinned to what a page can show) or that the state as a whole changed.
type Update struct {
	Seq   uint64     `json:"seq"`
	Event *rig.Event `json:"event,omitempty"`
	Shown string     `json:"shown,omitempty"` // the event in words
	Live  *Live      `json:"live,omitempty"`
}

// File is a script, limits file or profile that the daemon keeps.
type File struct {
	Name     string    `json:"name"` // "splash.star", "splash.limits", "sensor-b.yaml": no path
	Text     string    `json:"text,omitempty"`
	Stock    bool      `json:"stock,omitempty"` // embedded, read-only
	By       string    `json:"by,omitempty"`
	At       time.Time `json:"at,omitzero"`
	Problems []string  `json:"problems"` // file:line:col: what; what was expected. Empty: it is good
	Hash     string    `json:"hash"`     // SHA-256 of Text
}

// JobFilter says which jobs to list; a zero field lets all pass. The queue is
// in its order, what is over comes the newest first.
type JobFilter struct {
	States []State
	Night  int64 // NightRun
	Before int64 // ID below this one: the next page of a list
	Limit  int   // at most so many
}

// Preview is what a script does on the virtual bench, drawn in lines of text.
type Preview struct {
	Name     string   `json:"name"`
	About    string   `json:"about"`
	Lines    []string `json:"lines"`
	Problems []string `json:"problems"` // what cut the rehearsal short
}

// Calibration is a record of calibration that the rig file names.
type Calibration struct {
	What    string       `json:"what"` // is calibrated, such as "pump_drip"
	File    string       `json:"file"`
	By      string       `json:"by"`
	At      time.Time    `json:"at"`
	Expires time.Time    `json:"expires"`
	State   rig.Standing `json:"state"` // now
}
