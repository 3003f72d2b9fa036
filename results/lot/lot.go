// Package lot inspects lots of DUTs by sampling, and keeps a ledger of it that
// can be checked by whoever has a copy.
//
// A product has one ledger: lines of canonical JSON, one an entry, each with
// who, when and why, and with the SHA-256 of the line before. Nothing is ever
// rewritten; what was wrong is voided by a further entry. All else (the plan, the sample,
// the decision, the switching between normal, tightened and reduced inspection)
// is computed from the entries, when they are added and again by Verify.
//
// A lot goes through it so: opened, with its plan and the seal of its sample;
// drawn, which shows the sample; each sampled unit assigned to a serial number and
// tested; decided. A product has one open lot at a time, since a decision may
// change how the next lot is inspected.
//
// What a chain of hashes can't show is a changed or missing end: give its
// head, which a certificate names, to somebody else.
package lot

import (
	"fmt"
	"slices"
	"time"

	"drench/results/sampling"
	"drench/results/verdict"
)

// Mode says when inspection of a sample ends.
type Mode string

// Modes. The standard has a single sample inspected whole: "the number of
// sample units inspected shall be equal to the sample size given by the plan"
// (ANSI/ASQ Z1.4, 10.1.1, read in a copy; ISO 2859-1:1999 alike, from memory).
// To curtail it is an agreement beside the standard: the lot is rejected as
// soon as the rejection number is reached. What is decided stays the same, and
// so does the operating characteristic; but the process average must not be
// estimated from such lots (common practice, no source). Acceptance is not
// curtailed: the switching score needs the whole count where the acceptance
// number is 2 or more. Sequential plans are Wald's, and to end early is what
// they are for; results count in the order of the sample, and the switching
// rules, which are for the tables' plans, stay as they are.
const (
	Whole      Mode = "whole"
	Curtailed  Mode = "curtailed"
	Sequential Mode = "sequential"
)

// Test is a run that tells whether a unit conforms.
type Test struct {
	Limits   string `json:"limits,omitempty"`  // "": the scenario's own
	Profile  string `json:"profile,omitempty"` // of the device; "": the bench's own
	Scenario string `json:"scenario"`
	Trials   int    `json:"trials,omitempty"` // 0: as many as the scenario has
}

// Words says what is run, for people.
func (t *Test) Words() string {
	text := t.Scenario
	if t.Trials > 0 {
		text += fmt.Sprintf(", %d trials", t.Trials)
	}
	if t.Limits != "" {
		text += ", limits " + t.Limits
	}
	return text
}

// Wald is a sequential plan by what it is to do; see sampling.Wald. Limit is
// its largest sample.
type Wald struct {
	Alpha float64 `json:"alpha"`
	Beta  float64 `json:"beta"`
	Limit int     `json:"limit"`
	P0    float64 `json:"p0"`
	P1    float64 `json:"p1"`
}

// Plan returns the plan.
func (w Wald) Plan() (sampling.Sequential, error) {
	s, err := sampling.Wald(w.P0, w.P1, w.Alpha, w.Beta)
	if err != nil {
		return s, err
	}
	return s.Truncate(w.Limit)
}

// Terms say how a lot is to be inspected.
type Terms struct {
	Lot  string // its name, one in the product's ledger
	Size int    // units in the lot, which are numbered from 1

	AQL        float64        // in percent; not of a sequential plan
	Level      sampling.Level // not of a sequential plan
	Mode       Mode           // "": Whole
	Sequential *Wald          // of the mode Sequential

	Test *Test // what each unit is tested by; nil: whatever whoever tests it runs

	Resubmits string // name of the rejected lot that this is, with its bad units taken out
	Steady    bool   // production is at a steady rate
	Agreed    bool   // the responsible authority agrees to reduced inspection
	// WithinLimit, under MIL-STD-105E: the last ten lots' nonconforming units are within its table VIII.
	WithinLimit bool
}

// Decision is what became of a lot.
type Decision string

// Decisions.
const (
	Open      Decision = "open"
	Accepted  Decision = "accepted"
	Rejected  Decision = "rejected"
	Withdrawn Decision = "withdrawn" // before any of it was tested
)

// Act is who does something, when, and why.
type Act struct {
	By  string
	Why string // "": the usual reason, where there is one
	At  time.Time
}

// Result is a run on a sampled unit.
type Result struct {
	Entry   int             `json:"entry"` // in the ledger
	Serial  string          `json:"serial"`
	Run     int64           `json:"run"` // in the store
	Sum     string          `json:"sum"` // SHA-256 of the run's timeline in hexadecimal
	Verdict verdict.Verdict `json:"verdict"`
	By      string          `json:"by"`
	At      time.Time       `json:"at"`
	Voided  string          `json:"voided,omitempty"` // why it does not count
	Retest  string          `json:"retest,omitempty"` // why the unit was tested again after it
}

// Class is what a result makes of a unit.
type Class string

// Classes. A run that ended inconc, error or none says nothing of the unit:
// it is neither, and asks for a retest.
const (
	Conforming    Class = "conforming"
	Nonconforming Class = "nonconforming"
	Neither       Class = "neither"
)

// ClassOf is what a verdict makes of a unit.
func ClassOf(v verdict.Verdict) Class {
	switch v {
	case verdict.Pass:
		return Conforming
	case verdict.Fail:
		return Nonconforming
	}
	return Neither
}

// Unit is a sampled unit.
type Unit struct {
	Sample   int      `json:"sample"` // from 1, in the order of drawing
	Unit     int      `json:"unit"`   // its number in the lot
	Serial   string   `json:"serial,omitempty"`
	Assigned int      `json:"assigned,omitempty"` // entry that gave it its serial number
	Results  []Result `json:"results"`
}

// standing is the result that counts or asks for a retest; nil if there is none.
func (u *Unit) standing() *Result {
	if len(u.Results) == 0 {
		return nil
	}
	if r := &u.Results[len(u.Results)-1]; r.Voided == "" && r.Retest == "" {
		return r
	}
	return nil
}

// Class is what the unit is; "" if it has no result that stands.
func (u *Unit) Class() Class {
	if r := u.standing(); r != nil {
		return ClassOf(r.Verdict)
	}
	return ""
}

// Lot is a lot and what became of it.
type Lot struct {
	Terms
	Severity sampling.Severity
	Plan     sampling.Plan // N is the largest sample of a sequential plan, whose Ac and Re are 0
	Seal     string        // of the draw
	Draw     *Draw         // nil until it is shown
	Units    []Unit        // the sample
	Stopped  string        // why inspection ended before the sample's end; "": it did not
	Decision Decision
	Before   sampling.State // of switching
	After    sampling.State

	Opened, Decided Act
	First, Last     int // entries of it
	Head            string
}

// Standing is how far the inspection is.
type Standing struct {
	N       int // units that count: classified ones, in sequence up to a sequential plan's decision
	Bad     int // nonconforming among them
	Outcome sampling.Outcome
	Early   bool // it is decided before the end of the sample
	Because string
}

// Standing counts the sample.
func (l *Lot) Standing() (Standing, error) {
	if l.Mode == Sequential {
		return l.inSequence()
	}
	var s Standing
	for i := range l.Units {
		switch l.Units[i].Class() {
		case Conforming:
			s.N++
		case Nonconforming:
			s.N, s.Bad = s.N+1, s.Bad+1
		}
	}
	drawn := len(l.Units) > 0
	switch {
	case drawn && s.N == l.Plan.N && l.Plan.Accepts(s.Bad):
		s.Outcome, s.Because = sampling.Accept, fmt.Sprintf("%d of %d nonconforming; up to %d are accepted", s.Bad, s.N, l.Plan.Re-1)
	case drawn && s.N == l.Plan.N:
		s.Outcome, s.Because = sampling.Reject, fmt.Sprintf("%d of %d nonconforming; %d reject the lot", s.Bad, s.N, l.Plan.Re)
	case l.Mode == Curtailed && s.Bad >= l.Plan.Re:
		s.Outcome, s.Early = sampling.Reject, true
		s.Because = fmt.Sprintf("%d of the first %d tested are nonconforming, and %d of %d reject the lot whatever the others are", s.Bad, s.N, l.Plan.Re, l.Plan.N)
	}
	return s, nil
}

// inSequence counts up to the first unit that isn't classified or decides.
func (l *Lot) inSequence() (Standing, error) {
	plan, err := l.Sequential.Plan()
	if err != nil {
		return Standing{}, err
	}
	var s Standing
	for i := range l.Units {
		c := l.Units[i].Class()
		if c == "" || c == Neither {
			return s, nil
		}
		s.N++
		if c == Nonconforming {
			s.Bad++
		}
		if s.Outcome, err = plan.Judge(s.N, s.Bad); err != nil {
			return Standing{}, err
		}
		if s.Outcome != sampling.Continue {
			s.Early = s.N < len(l.Units)
			s.Because = fmt.Sprintf("%d nonconforming after %d units: the sequential plan says %v", s.Bad, s.N, s.Outcome)
			return s, nil
		}
	}
	return s, nil
}

// Asks says what the inspection needs next, a sentence each.
func (l *Lot) Asks() []string {
	if l.Decision != Open {
		return nil
	}
	if l.Draw == nil {
		return []string{"show the draw, which the seal holds to"}
	}
	s, err := l.Standing()
	switch {
	case err != nil:
		return []string{err.Error()}
	case l.Stopped != "" || s.Outcome != sampling.Continue && !s.Early:
		return []string{fmt.Sprintf("decide: %s", s.Because)}
	case s.Early:
		return []string{fmt.Sprintf("stop, then decide: %s", s.Because)}
	}
	var asks []string
	for i := range l.Units {
		if ask := l.Units[i].asks(); ask != "" {
			asks = append(asks, ask)
			if l.Mode == Sequential {
				break // in the order of the sample
			}
		}
	}
	return asks
}

func (u *Unit) asks() string {
	r := u.standing()
	switch {
	case u.Serial == "":
		return fmt.Sprintf("sample %d: take unit %d from the lot and assign its serial number", u.Sample, u.Unit)
	case r == nil:
		return fmt.Sprintf("sample %d: test %s", u.Sample, u.Serial)
	case ClassOf(r.Verdict) == Neither:
		return fmt.Sprintf("sample %d: run %d on %s ended %v, which makes it neither conforming nor nonconforming; enter a retest with its reason, and test it again", u.Sample, r.Run, u.Serial, r.Verdict)
	}
	return ""
}

// Retests counts results after which the unit was tested again, Voids those
// that were voided.
func (l *Lot) Retests() (retests, voids int) {
	for _, u := range l.Units {
		for _, r := range u.Results {
			switch {
			case r.Voided != "":
				voids++
			case r.Retest != "":
				retests++
			}
		}
	}
	return retests, voids
}

// tested tells whether any unit has a result, voided ones too.
func (l *Lot) tested() bool {
	return slices.ContainsFunc(l.Units, func(u Unit) bool { return len(u.Results) > 0 })
}
