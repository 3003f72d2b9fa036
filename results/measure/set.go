// Package measure turns a timeline into measures. Extract reads the events
// once and is a pure function of them.
package measure

import (
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// Names of the measures, as limits files write them.
const (
	Latency      = "latency"              // wet trials: detect edge less wetting instant
	Missed       = "missed"               // wet trials without an answer in time
	FalseAlarms  = "false alarms"         // detect edges while the sensor was dry
	ReleaseTime  = "release"              // release trials: drying begins to detect clears
	Film         = "film"                 // condensation: film mass when detected
	BeatGap      = "heartbeat gap"        // time between two heartbeat edges while supervised
	BeatJitter   = "heartbeat jitter"     // standard deviation of those gaps
	BeatsMissing = "heartbeat missing"    // beats that did not come, from the gaps
	StartUp      = "start-up"             // rail good to first heartbeat
	DropOut      = "drop-out"             // rail at which the DUT stopped on a slow ramp
	Recovery     = "recovery"             // rail at which it started again
	DipRecovery  = "dip recovery"         // end of a dip to the next heartbeat
	DipAlarms    = "dip alarms"           // dip trials in which the detect line rose
	NotRecovered = "not recovered"        // dips after which the DUT stayed dead
	SettingsLost = "settings lost"        // settings lines that differ from the profile
	Glitches     = "glitches"             // detect pulses shorter than 10 ms
	Chatter      = "chatter"              // detect or heartbeat edges in a ramp that come faster than a healthy DUT makes them
	Disagreement = "uart disagreement"    // UART says other than the detect line
	Standby      = "standby"              // mean power in quiet stretches
	MeanPower    = "mean power"           // over all the time that the DUT was powered
	CarryOver    = "carry-over"           // difference reading at the start of a wet trial, over the dry level
	Threshold    = "threshold"            // the dose that is detected, as a distribution: p90 is a90
	Immunity     = "immunity"             // rail down to which the DUT rides through dips, by their width
	RideThrough  = "ride-through"         // longest interruption that the DUT rides through
	NotAssured   = "not assured"          // sequential tests that rejected
	ExpiredCals  = "expired calibrations" // calibration records of the rig that had expired when the run began
)

// Kind says how a measure is counted, and so which limits suit it.
type Kind string

// Kinds of measure.
const (
	Samples    Kind = "samples"    // one value a trial or an edge, perhaps censored: quantiles, mean, min, max, sd
	Proportion Kind = "proportion" // Count of N went wrong
	Events     Kind = "events"     // Count in Exposure
	Single     Kind = "value"      // one value with an uncertainty
	Curve      Kind = "curve"      // a curve fitted to Graded: quantiles of what it takes
)

// Sample is one value in the measure's unit.
type Sample struct {
	Value    int64 `json:"value"`
	U        int64 `json:"u,omitempty"`        // standard uncertainty, same unit
	Censored bool  `json:"censored,omitempty"` // it had not happened after Value
	Trial    int   `json:"trial,omitempty"`    // 0: no trial
}

// Measure is all that the timeline says about one name.
type Measure struct {
	Name    string   `json:"name"`
	Kind    Kind     `json:"kind"`
	Unit    rig.Unit `json:"unit"`
	Samples []Sample `json:"samples,omitempty"`
	Count   int      `json:"count"`
	// N is, of a Proportion, how many could have gone wrong; of Events and a
	// Single value, how many trials, beats or stretches it rests on.
	N        int           `json:"n"`
	Exposure time.Duration `json:"exposure,omitempty"`
	// Summary stands in for Samples where there may be very many (heartbeat gaps).
	Summary *Summary `json:"summary,omitempty"`
	// Graded are the trials that a Curve is fitted to.
	Graded []Graded `json:"graded,omitempty"`
	// Sequential says that a test on the trials themselves told when to stop, so
	// that bounds for a fixed number of trials do not hold.
	Sequential bool `json:"sequential,omitempty"`
	// Inconc counts the trials that should have contributed but can't, Why says why, each reason once.
	Inconc int      `json:"inconc,omitempty"`
	Why    []string `json:"why,omitempty"`
	// Trials names the trials that went wrong, the first hundred; Things what
	// else did.
	Trials []int    `json:"trials,omitempty"`
	Things []string `json:"things,omitempty"`
}

// Graded is a trial at a dose, and whether it was detected.
type Graded struct {
	Dose  int64 `json:"dose"` // as the drop gate counted it, else as asked; in the measure's unit
	Hit   bool  `json:"hit"`
	Trial int   `json:"trial"`
}

// Summary describes samples that are not kept one by one.
type Summary struct {
	N    int     `json:"n"`
	Min  int64   `json:"min"`
	Max  int64   `json:"max"`
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"`
	// MaxAt is when the greatest ended. Max also counts stretches that only one
	// beat bounds (a heart that stopped); the others do not.
	MaxAt rig.Instant `json:"max_at"`
	U     int64       `json:"u,omitempty"` // standard uncertainty of one sample
}

// Source of a wetting instant, best first.
type Source string

// Sources of a wetting instant.
const (
	FromWitness Source = "witness electrode"
	FromGate    Source = "drop gate and fall"
	FromPump    Source = "pump command and lag"
	FromClimate Source = "air, plate and condensate model"
)

// Wetting is when the water arrived.
type Wetting struct {
	At     rig.Instant   `json:"at"`
	U      time.Duration `json:"u"` // standard uncertainty
	Source Source        `json:"source"`
}

// Trial is what the timeline says about one trial.
type Trial struct {
	N        int             `json:"n"`
	Spec     rig.Trial       `json:"spec"`
	Begin    rig.Instant     `json:"begin"`
	End      rig.Instant     `json:"end"`
	Wetting  *Wetting        `json:"wetting,omitempty"`
	Drops    int             `json:"drops,omitempty"`     // that the gate saw
	Detected bool            `json:"detected"`            // the detect line rose (release: it cleared)
	DetectAt rig.Instant     `json:"detect_at,omitempty"` // when first, less the stamp's known bias
	Latency  time.Duration   `json:"latency,omitempty"`
	U        time.Duration   `json:"u,omitempty"`    // of Latency
	Film     rig.Film        `json:"film,omitempty"` // condensation: at detection, else at the end
	Dip      *DipSeen        `json:"dip,omitempty"`
	Verdict  verdict.Verdict `json:"verdict"`
	Reason   string          `json:"reason,omitempty"` // of fail, inconc
}

// DipSeen is what the DUT's pins got.
type DipSeen struct {
	Lowest    rig.Millivolt `json:"lowest_mv"`
	Width     time.Duration `json:"width"` // below the middle between the two levels
	Restarted bool          `json:"restarted"`
	// Of a rise: the rail at the level, and whether the DUT started there.
	Level   rig.Millivolt `json:"level_mv,omitempty"`
	Started bool          `json:"started,omitempty"`
}

// Point is a value at an instant.
type Point struct {
	At    rig.Instant `json:"at"`
	Value int64       `json:"value"`
}

// Set is all measures of a run, and what plots need.
type Set struct {
	Trials []Trial `json:"trials"`
	// Boundaries are between supply levels or widths that the DUT holds and
	// those that it does not; Tests are the sequential tests.
	Boundaries []Boundary `json:"boundaries,omitempty"`
	Tests      []Tested   `json:"tests,omitempty"`
	Measures   []*Measure `json:"measures"` // only those that the run could have shown
	// Beats and Rail are thinned for plots: for each of up to 1000 equal
	// stretches of the run, the longest gap, and the lowest and highest rail.
	Beats []Point `json:"beats"`
	Rail  []Point `json:"rail"`
	// Interrupted says why the run did not end by itself; Trips are interlocks.
	Interrupted string   `json:"interrupted,omitempty"`
	Trips       []string `json:"trips,omitempty"`
	// Begin and End span the events; Events counts them, Lost the gaps.
	Begin  rig.Instant `json:"begin"`
	End    rig.Instant `json:"end"`
	Events int         `json:"events"`
	Lost   int         `json:"lost"`
}

// Find returns the measure called name, or nil.
func (s *Set) Find(name string) *Measure {
	for _, m := range s.Measures {
		if m.Name == name {
			return m
		}
	}
	return nil
}
