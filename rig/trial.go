package rig

import "time"

// TrialKind is what a trial must show.
type TrialKind string

// Kinds of trial.
const (
	Wet     TrialKind = "wet"     // must detect
	Dry     TrialKind = "dry"     // must stay quiet
	Decoy   TrialKind = "decoy"   // less water, or only humidity: must stay quiet
	Release TrialKind = "release" // must clear after drying
	Dip     TrialKind = "dip"     // supply disturbance
	Probe   TrialKind = "probe"   // water that may be detected or not: the answer is a datum, neither is wrong
)

// TrialKinds lists them all.
var TrialKinds = []TrialKind{Wet, Dry, Decoy, Release, Dip, Probe}

// Trial is what a script promises about a trial when it begins; it travels in
// the timeline as the Text of a TrialBegin event.
type Trial struct {
	Kind   TrialKind     `json:"kind"`
	Label  string        `json:"label,omitempty"`
	Within time.Duration `json:"within,omitempty"` // the longest wait for the DUT's answer
	Dose   Volume        `json:"dose,omitempty"`   // drip: what was asked for
	Rate   Rain          `json:"rate,omitempty"`   // spray
	Film   Film          `json:"film,omitempty"`   // condensation: mass that must be detected
	Dip    *DipSpec      `json:"dip,omitempty"`
	// Test is the sequential test that a wet trial belongs to, if it does.
	Test *TestSpec `json:"test,omitempty"`
}

// TestSpec is a truncated sequential test of the chance that a trial goes
// wrong (Wald).
type TestSpec struct {
	Good  Share `json:"good"`  // chance that is to be accepted
	Bad   Share `json:"bad"`   // chance that is to be rejected
	Alpha Share `json:"alpha"` // risk of rejecting at Good
	Beta  Share `json:"beta"`  // risk of accepting at Bad
	Most  int   `json:"most"`  // trials
}

// DipSpec is a supply disturbance as asked for; what the DUT got is read from
// the rail.
type DipSpec struct {
	Shape  DipShape      `json:"shape"`
	Level  Millivolt     `json:"level_mv"`         // level during the disturbance
	From   Millivolt     `json:"from_mv"`          // level before and after
	Width  time.Duration `json:"width"`            // time at the level
	Source Impedance     `json:"source,omitempty"` // of interruptions
	Low    Millivolt     `json:"low_mv,omitempty"` // of a rise: level that it starts from
}

// Millivolt is a supply level as scripts and reports state it.
type Millivolt int64

// DipShape names the disturbance.
type DipShape string

// Shapes of a disturbance. A dip and an interruption are IEC 61000-4-29's; a
// ramp goes down and up slowly, to find the voltages at which the DUT stops
// and starts.
const (
	VoltageDip   DipShape = "dip"
	Interruption DipShape = "interruption"
	Ramp         DipShape = "ramp"
	PowerCycle   DipShape = "cycle" // off for long, then on: start-up
	Hold         DipShape = "hold"  // the supply stands at a level: does the DUT run there?
	Rise         DipShape = "rise"  // from a low level up to a level only: does the DUT start there?
)

// DipShapes lists them all.
var DipShapes = []DipShape{VoltageDip, Interruption, Ramp, PowerCycle, Hold, Rise}

// Impedance of the source during an interruption (IEC 61000-4-29): a low one
// drains the DUT's own capacitors, a high one leaves them to it.
type Impedance string

// Impedances of an interruption.
const (
	LowImpedance  Impedance = "low"
	HighImpedance Impedance = "high"
)

// Marks that the runtime writes and measures read.
const (
	MarkPowered = "powered" // the rail reached its level and the DUT may start
	MarkOff     = "off"     // the DUT is about to lose its supply on purpose
	MarkPrimed  = "primed"  // tubing is full; doses before do not count
	MarkQuiet   = "quiet"   // a stretch begins in which nothing is asked of the DUT
	MarkBusy    = "busy"    // the stretch has ended
	MarkBackfed = "backfed" // with its supply open the rail did not fall
)
