// Package limits reads limits files and judges measures by them.
package limits

import (
	"drench/results/verdict"
	"drench/rig"
)

// Limit is one line of a limits file: MEASURE [STATISTIC] OP VALUE [with C % confidence].
type Limit struct {
	Line       int      `json:"line"`
	Text       string   `json:"text"` // as written, without comment and alignment
	Measure    string   `json:"measure"`
	Statistic  string   `json:"statistic,omitempty"` // "p95", "max", "min", "mean", "sd"; "" for counts, shares, rates, values
	Op         string   `json:"op"`                  // < <= > >=
	Value      int64    `json:"value"`               // in Unit
	Unit       rig.Unit `json:"unit"`
	Periods    float64  `json:"periods,omitempty"`    // limit given in the DUT's own periods; Value is resolved from it
	Confidence float64  `json:"confidence,omitempty"` // 0: judged by the value itself
}

// File is a parsed limits file.
type File struct {
	Name   string  `json:"name"`
	Limits []Limit `json:"limits"`
	// AllowInconc is the share of a measure's trials that may be inconclusive
	// before its limit is ("allow 5 % inconc").
	AllowInconc float64 `json:"allow_inconc"`
}

// Result is the judgement of one limit.
type Result struct {
	Limit   Limit           `json:"limit"`
	Verdict verdict.Verdict `json:"verdict"`
	Reason  string          `json:"reason"`           // a sentence: what was found against what was allowed
	N       int             `json:"n"`                // samples or trials it rests on
	Needed  int             `json:"needed,omitempty"` // trials that the limit needs at least, 0: no such number
	// Value is the statistic found, Bound its confidence bound (or value with
	// guard band) that was compared, both in the limit's unit; Has… tell
	// whether there is one. Margin is the limit less the bound, positive on
	// the good side.
	Value    float64 `json:"value"`
	HasValue bool    `json:"has_value"`
	Bound    float64 `json:"bound"`
	HasBound bool    `json:"has_bound"`
	Margin   float64 `json:"margin"`
	Method   string  `json:"method,omitempty"` // such as "order statistic 59 of 60"
}

// Judgement is a run judged by a limits file.
type Judgement struct {
	Verdict verdict.Verdict `json:"verdict"`
	Reason  string          `json:"reason"` // one sentence for the first screen
	Results []Result        `json:"results"`
}
