package sampling

import (
	"errors"
	"fmt"
	"slices"
)

// Rules are the switching rules of a standard (both from memory).
type Rules int

const (
	// ISO2859 are those of ISO 2859-1:1999 clause 9.
	ISO2859 Rules = iota
	// MIL105E are those of MIL-STD-105E 4.7.
	MIL105E
)

var ruleNames = [...]string{ISO2859: "iso2859", MIL105E: "mil105e"}

// String returns the name that ParseRules reads.
func (r Rules) String() string {
	if r < 0 || int(r) >= len(ruleNames) {
		return fmt.Sprintf("Rules(%d)", int(r))
	}
	return ruleNames[r]
}

// ParseRules reads iso2859 or mil105e.
func ParseRules(name string) (Rules, error) {
	if i := slices.Index(ruleNames[:], name); i >= 0 {
		return Rules(i), nil
	}
	return 0, fmt.Errorf("rules are %q: want iso2859 or mil105e", name)
}

// MarshalText writes the name.
func (r Rules) MarshalText() ([]byte, error) {
	if _, err := ParseRules(r.String()); err != nil {
		return nil, err
	}
	return []byte(r.String()), nil
}

// UnmarshalText reads the name.
func (r *Rules) UnmarshalText(text []byte) error {
	parsed, err := ParseRules(string(text))
	if err == nil {
		*r = parsed
	}
	return err
}

// A Lot is the outcome of one inspected lot, for switching.
type Lot struct {
	Plan        Plan // the plan it was inspected under
	Bad         int  // nonconforming units in the sample
	Resubmitted bool // not its original inspection: does not count
	Steady      bool // production is at a steady rate
	Agreed      bool // the responsible authority agrees to reduced inspection
	WithinLimit bool // MIL105E: nonconforming units of the last ten lots are within its limit table (VIII)
}

func (l Lot) check() error {
	if err := l.Plan.check(); err != nil {
		return err
	}
	if l.Bad < 0 || l.Bad > l.Plan.N {
		return fmt.Errorf("bad is %d: want 0 to n = %d", l.Bad, l.Plan.N)
	}
	return nil
}

// A State is where switching stands: a plain value, safe to store. The counts
// are since inspection last came to this severity.
type State struct {
	Rules    Rules    `json:"rules"`
	Severity Severity `json:"severity"`
	Because  string   `json:"because,omitempty"` // why inspection came to this severity
	Accepted int      `json:"accepted"`          // lots accepted in a row
	Rejected int      `json:"rejected"`          // lots rejected in all
	Lots     int      `json:"lots"`              // lots inspected
	Last     [4]bool  `json:"last"`              // the lots before, newest first: rejected?
	Score    int      `json:"score"`             // switching score (ISO2859, normal inspection)
}

const (
	rejectedInFive  = 2  // of 5 or fewer in a row: normal to tightened
	acceptedToRelax = 5  // in a row: tightened to normal
	rejectedToStop  = 5  // in all, on tightened: stop (ISO2859)
	tightenedToStop = 10 // lots on tightened: stop (MIL105E)
	acceptedReduced = 10 // in a row, on normal: reduced (MIL105E)
	scoreReduced    = 30 // switching score: reduced (ISO2859)
)

// ErrStopped says that inspection is stopped and no lot may be put to it.
var ErrStopped = errors.New("inspection is stopped: resume on tightened inspection once the supplier has acted")

// Start returns the state of a new series: normal inspection. It returns an
// error for unknown rules.
func Start(r Rules) (State, error) {
	if r != ISO2859 && r != MIL105E {
		return State{}, fmt.Errorf("rules are %v: want ISO2859 or MIL105E", r)
	}
	return State{Rules: r, Severity: Normal, Because: "the series began"}, nil
}

// Next returns the state after a lot:
//
//   - normal to tightened: 2 of 5 or fewer consecutive lots rejected
//   - tightened to normal: 5 lots in a row accepted
//   - tightened to stopped: 5 lots rejected (ISO2859), or 10 lots on tightened
//     (MIL105E)
//   - normal to reduced, with production steady and the authority agreed: a
//     switching score of 30 (ISO2859), or 10 lots in a row accepted and their
//     nonconforming units within the limit table (MIL105E)
//   - reduced to normal: a lot rejected, or between Ac and Re, or production
//     no longer steady, or agreement withdrawn
//
// The switching score grows by 2 for a lot accepted with Ac 0 or 1, by 3 for
// one with Ac of 2 or more that would be accepted at the next tighter AQL too,
// and else goes back to 0. Resubmitted lots change nothing.
//
// It returns an error, with the state unchanged, for a lot that is none,
// ErrStopped, or an Ac of 2 or more that is not of the tables (ISO2859).
func (s State) Next(l Lot) (State, error) {
	if err := l.check(); err != nil {
		return s, fmt.Errorf("switching rules: %w", err)
	}
	if l.Resubmitted && s.Severity != Stopped {
		return s, nil
	}
	next, err := s.counted(l)
	if err != nil {
		return s, fmt.Errorf("switching rules: %w", err)
	}
	return next, nil
}

func (s State) counted(l Lot) (State, error) {
	switch s.Severity {
	case Normal:
		return s.onNormal(l)
	case Tightened:
		return s.onTightened(l), nil
	case Reduced:
		return s.onReduced(l), nil
	case Stopped:
		return s, ErrStopped
	}
	return s, fmt.Errorf("severity is %v: want normal, tightened or reduced", s.Severity)
}

// Resume returns tightened inspection after a stop, once the supplier has
// acted (ISO 2859-1 9.4, from memory). It returns an error when inspection is not stopped.
func (s State) Resume() (State, error) {
	if s.Severity != Stopped {
		return s, fmt.Errorf("resume inspection: severity is %v: want stopped", s.Severity)
	}
	return s.to(Tightened, "the supplier has acted"), nil
}

// to starts anew at a severity.
func (s State) to(severity Severity, because string) State {
	return State{Rules: s.Rules, Severity: severity, Because: because}
}

// count adds a lot and returns how many of the last five were rejected.
func (s State) count(l Lot) (State, int) {
	rejected := !l.Plan.Accepts(l.Bad)
	recent := 0
	for _, r := range s.Last {
		if r {
			recent++
		}
	}
	copy(s.Last[1:], s.Last[:len(s.Last)-1])
	s.Last[0] = rejected
	s.Lots++
	s.Accepted++
	if rejected {
		s.Accepted = 0
		s.Rejected++
		recent++
	}
	return s, recent
}

func (s State) onNormal(l Lot) (State, error) {
	s, rejected := s.count(l)
	score, err := s.score(l)
	if err != nil {
		return s, err
	}
	s.Score = score
	allowed := l.Steady && l.Agreed
	switch {
	case rejected >= rejectedInFive:
		return s.to(Tightened, "2 of 5 or fewer lots in a row rejected"), nil
	case allowed && s.Rules == ISO2859 && s.Score >= scoreReduced:
		return s.to(Reduced, "switching score of 30"), nil
	case allowed && s.Rules == MIL105E && s.Accepted >= acceptedReduced && l.WithinLimit:
		return s.to(Reduced, "10 lots in a row accepted, within the limit table"), nil
	}
	return s, nil
}

// tighter is the acceptance number of the same sample at the next tighter AQL
// of the normal tables.
var tighter = map[int]int{2: 1, 3: 2, 5: 3, 7: 5, 10: 7, 14: 10, 21: 14}

func (s State) score(l Lot) (int, error) {
	switch {
	case s.Rules != ISO2859 || !l.Plan.Accepts(l.Bad):
		return 0, nil
	case l.Plan.Ac <= 1:
		return s.Score + 2, nil
	}
	limit, ok := tighter[l.Plan.Ac]
	switch {
	case !ok:
		return 0, fmt.Errorf("switching score: ac is %d: want an acceptance number of the normal tables", l.Plan.Ac)
	case l.Bad <= limit:
		return s.Score + 3, nil
	}
	return 0, nil
}

func (s State) onTightened(l Lot) State {
	s, _ = s.count(l)
	switch {
	case s.Accepted >= acceptedToRelax:
		return s.to(Normal, "5 lots in a row accepted")
	case s.Rules == ISO2859 && s.Rejected >= rejectedToStop:
		return s.to(Stopped, "5 lots rejected on tightened inspection")
	case s.Rules == MIL105E && s.Lots >= tightenedToStop:
		return s.to(Stopped, "10 lots on tightened inspection")
	}
	return s
}

func (s State) onReduced(l Lot) State {
	s, _ = s.count(l)
	switch {
	case !l.Plan.Accepts(l.Bad):
		return s.to(Normal, "a lot rejected on reduced inspection")
	case l.Bad > l.Plan.Ac:
		return s.to(Normal, "a lot between acceptance and rejection number")
	case !l.Steady:
		return s.to(Normal, "production not steady")
	case !l.Agreed:
		return s.to(Normal, "reduced inspection no longer agreed")
	}
	return s
}
