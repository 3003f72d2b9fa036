// Package compare tells what got worse, and by how much: runs against a
// baseline, and nights against the nights before them.
//
// Runs compares two groups of runs measure by measure. Nights follows each
// measure over many nights, and tells a shift, a drift, a burst and a flaky
// trial from each other. Summarize puts one night on one page. All three are
// pure functions of plain data.
//
// A higher value is worse, but where a Margin says that a lower one is. Numbers are in the
// unit of their measure (nanoseconds, billionths of a share, nanohertz), as in
// package measure; Format prints them.
package compare

import (
	"time"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// Run is what a comparison needs to know of one run.
type Run struct {
	ID       int64     `json:"id"`
	Scenario string    `json:"scenario"`
	Setting  string    `json:"setting,omitempty"` // what the scenario ran with, such as a sensitivity or a supply voltage; may be empty
	DUT      string    `json:"dut"`
	Script   string    `json:"script,omitempty"` // hash of the script: other scripts are other scenarios of the same name
	Started  time.Time `json:"started"`

	Verdict  verdict.Verdict    `json:"verdict"`
	Reason   string             `json:"reason"`
	Limits   []limits.Limit     `json:"limits"` // resolved; margins are shares of them
	Measures []*measure.Measure `json:"measures"`
}

// Night is a scheduled set of runs.
type Night struct {
	Name string `json:"name"` // such as "2026-03-09"
	Runs []Run  `json:"runs"`
}

// Options say how to compare. The zero value stands for the defaults.
type Options struct {
	// Q is the share of false discoveries that is accepted among the
	// differences shown; 0 stands for 5 %.
	Q float64 `json:"q"`
	// Confidence is that of the intervals; 0 stands for 90 %, which makes an
	// interval inside the margins a pair of one-sided tests at 5 %.
	Confidence float64 `json:"confidence"`
	// Margins replace those of the table, by measure; each is in its measure's unit.
	Margins map[string]float64 `json:"margins,omitempty"`
	// Only names the measures to look at; none stands for all.
	Only []string `json:"only,omitempty"`

	// Baseline is how many nights of Nights are known to be in order, the first
	// ones; 0 stands for 7, and 3 is the least.
	Baseline int `json:"baseline"`
	// Horizon is the number of nights, baseline included, over which FalseAlarm
	// is held; 0 stands for 14.
	Horizon int `json:"horizon"`
	// FalseAlarm is the chance of any false alarm at all within the horizon,
	// over all series together; 0 stands for 5 %.
	FalseAlarm float64 `json:"false_alarm"`
}

// Word is what can be said of one measure.
type Word string

// Words. No difference shown is never called same.
const (
	Worse    Word = "worse"
	Better   Word = "better"
	Same     Word = "same"       // the interval lies within the margins
	CantTell Word = "can't tell" // neither a difference nor sameness is shown
)

// Interval is a two-sided confidence interval.
type Interval struct {
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// Side is what one group of runs has on a measure.
type Side struct {
	Runs     int           `json:"runs"`
	N        int           `json:"n"`                  // samples, trials or intervals it rests on
	Count    int           `json:"count"`              // of proportions and events, how many went wrong; of samples, how many are censored
	Exposure time.Duration `json:"exposure,omitempty"` // of events
	Value    float64       `json:"value"`              // median, mean, share, rate or value
	Text     string        `json:"text"`               // the same for a person to read
}

// Difference is one measure on both sides: now less base.
type Difference struct {
	Scenario string       `json:"scenario"`
	Setting  string       `json:"setting,omitempty"`
	Measure  string       `json:"measure"`
	Kind     measure.Kind `json:"kind"`
	Unit     rig.Unit     `json:"unit"`
	// LowerWorse says that a lower value is worse; else a higher one is.
	LowerWorse bool `json:"lower_is_worse,omitempty"`
	Base       Side `json:"base"`
	Now        Side `json:"now"`

	Diff     float64   `json:"diff"`
	HasDiff  bool      `json:"has_diff"`
	Interval *Interval `json:"interval,omitempty"` // of Diff; none if the data bound it nowhere
	P        *float64  `json:"p,omitempty"`        // two-sided, of no difference
	Q        *float64  `json:"q,omitempty"`        // P adjusted for all measures compared at once
	Method   string    `json:"method,omitempty"`

	Margin    float64 `json:"margin"`     // differences up to it do not matter
	MarginWhy string  `json:"margin_why"` // where the margin comes from

	Word   Word   `json:"word"`
	Reason string `json:"reason"` // a sentence with the numbers; in brackets the interval
	// Needed is about how many trials (or intervals, or runs) a side it takes to
	// show sameness if there is no difference, NeededTime how long to watch; 0
	// where it is not known.
	Needed     int           `json:"needed,omitempty"`
	NeededTime time.Duration `json:"needed_time,omitempty"`
	Notes      []string      `json:"notes,omitempty"`
}

// Comparison is two groups of runs compared.
type Comparison struct {
	// Verdict is fail if a measure is worse, else inconc if one can't be told or
	// nothing could be compared, else pass.
	Verdict     verdict.Verdict `json:"verdict"`
	Reason      string          `json:"reason"`
	Q           float64         `json:"q"`
	Confidence  float64         `json:"confidence"`
	Differences []Difference    `json:"differences"`
	Notes       []string        `json:"notes,omitempty"` // what was left out, and why
}
