package compare

import (
	"time"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// VerdictSeries is the name of the series that follows the runs' verdicts: of
// all runs of a night that passed or failed, how many failed.
const VerdictSeries = "verdict"

// Shape is how a series changed.
type Shape string

// Shapes of change.
const (
	Shift Shape = "shift" // another level from a night on
	Drift Shape = "drift" // away from a night on, a little more each night
	Burst Shape = "burst" // one night alone
)

// State says how a series stands.
type State string

// States of a series.
const (
	Steady    State = "steady"         // no change shown
	Changed   State = "changed"        // Finding says how
	Flaky     State = "flaky"          // goes wrong now and then, at a rate that has not been shown to change
	Once      State = "once"           // went wrong in one night
	TooShort  State = "too few nights" // to say anything
	NotMoving State = "nothing seen"   // a count that stayed 0
	Gone      State = "gone"           // its scenario still runs, but says nothing on it any more
)

// Point is one night of a series.
type Point struct {
	Night    string        `json:"night"`
	Runs     []int64       `json:"runs,omitempty"`
	N        int           `json:"n"`
	Count    int           `json:"count"`
	Exposure time.Duration `json:"exposure,omitempty"`
	Value    float64       `json:"value"` // mean, share or rate
	SE       float64       `json:"se"`    // standard error of Value within the night; 0 of counts
	// P compares the night with the baseline nights, of nights after them.
	P *float64 `json:"p,omitempty"`
	// Score is the night's standing against all before it, a standard normal
	// value while nothing changes; EWMA, High and Low are the charts of Scores,
	// and EWMALimit the limit of EWMA to either side. From the first night
	// after the baseline on, and of numbers only.
	Score     *float64 `json:"score,omitempty"`
	EWMA      *float64 `json:"ewma,omitempty"`
	EWMALimit *float64 `json:"ewma_limit,omitempty"`
	High      *float64 `json:"cusum_high,omitempty"`
	Low       *float64 `json:"cusum_low,omitempty"`
}

// Finding is a change of a series that is not chance.
type Finding struct {
	Scenario string `json:"scenario"`
	Setting  string `json:"setting,omitempty"`
	Measure  string `json:"measure"`
	Shape    Shape  `json:"shape"`
	// Night is the first of the new level, by the change-point estimate, and
	// Signal the first at which a check could tell.
	Night  string   `json:"night"`
	Signal string   `json:"signal"`
	Worse  bool     `json:"worse"`
	Before float64  `json:"before"`
	After  float64  `json:"after"` // of a drift: in the last night
	Checks []string `json:"checks"`
	Reason string   `json:"reason"`
}

// Series is one measure of one scenario and setting over the nights.
type Series struct {
	Scenario string       `json:"scenario"`
	Setting  string       `json:"setting,omitempty"`
	Measure  string       `json:"measure"`
	Kind     measure.Kind `json:"kind"`
	Unit     rig.Unit     `json:"unit"`
	Points   []Point      `json:"points"`
	State    State        `json:"state"`
	Reason   string       `json:"reason"`
	Finding  *Finding     `json:"finding,omitempty"`

	// Of numbers: mean of the baseline nights, and the standard deviations
	// between their means and within a night's mean.
	Centre  float64 `json:"centre"`
	Between float64 `json:"between"`
	Within  float64 `json:"within"`
	// CUSUMLimit is the limit of High and Low.
	CUSUMLimit float64 `json:"cusum_limit,omitempty"`

	// Of counts and verdicts: in how many nights something went wrong, and the
	// rate with its interval at 95 %.
	BadNights    int       `json:"bad_nights"`
	Rate         float64   `json:"rate"`
	RateInterval *Interval `json:"rate_interval,omitempty"`
}

// Trend is a set of nights in order.
type Trend struct {
	Verdict    verdict.Verdict `json:"verdict"` // fail if something got worse, inconc with too few nights or if a series is gone, else pass
	Reason     string          `json:"reason"`
	Nights     []string        `json:"nights"`
	Baseline   int             `json:"baseline"` // the first so many
	Horizon    int             `json:"horizon"`
	FalseAlarm float64         `json:"false_alarm"` // within the horizon, over all series
	Series     []Series        `json:"series"`
	Findings   []Finding       `json:"findings"`
}
