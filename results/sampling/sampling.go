// Package sampling accepts or rejects lots of devices by attributes: single
// sampling plans of MIL-STD-105E, which are those of ANSI/ASQ Z1.4 and ISO
// 2859-1 where stated, their switching rules, zero-acceptance plans, and
// Wald's sequential plan; with their operating characteristics.
//
// A unit is nonconforming or not. Quality is the fraction of nonconforming
// units, 0 to 1, or where said the number of nonconformities per unit; an AQL
// is in percent, as the standards print it.
package sampling

import (
	"fmt"
	"math"
)

// A Plan is a single sampling plan by attributes: inspect N units; accept the
// lot with up to Ac nonconforming, reject it with Re or more. Re is Ac+1 but
// for reduced inspection under MIL-STD-105E, where a lot in between is
// accepted and inspection goes back to normal.
type Plan struct {
	N  int `json:"n"`
	Ac int `json:"ac"`
	Re int `json:"re"`
}

// Accepts says whether a lot with bad nonconforming units in the sample is
// accepted.
func (p Plan) Accepts(bad int) bool { return bad < p.Re }

func (p Plan) check() error {
	switch {
	case p.N < 1:
		return fmt.Errorf("n is %d: want a sample of 1 or more", p.N)
	case p.Ac < 0:
		return fmt.Errorf("ac is %d: want 0 or more", p.Ac)
	case p.Re <= p.Ac:
		return fmt.Errorf("re is %d: want above ac = %d", p.Re, p.Ac)
	}
	return nil
}

// Severity is how strictly lots are inspected.
type Severity int

const (
	Normal Severity = iota
	Tightened
	Reduced
	// Stopped: inspection under the plan is discontinued until the supplier
	// has acted.
	Stopped
)

var severityNames = [...]string{Normal: "normal", Tightened: "tightened", Reduced: "reduced", Stopped: "stopped"}

// String returns the name that ParseSeverity reads.
func (s Severity) String() string {
	if s < 0 || int(s) >= len(severityNames) {
		return fmt.Sprintf("Severity(%d)", int(s))
	}
	return severityNames[s]
}

// ParseSeverity reads normal, tightened, reduced or stopped.
func ParseSeverity(name string) (Severity, error) {
	for s, n := range severityNames {
		if n == name {
			return Severity(s), nil
		}
	}
	return 0, fmt.Errorf("severity is %q: want normal, tightened, reduced or stopped", name)
}

// MarshalText writes the name.
func (s Severity) MarshalText() ([]byte, error) {
	if _, err := ParseSeverity(s.String()); err != nil {
		return nil, err
	}
	return []byte(s.String()), nil
}

// UnmarshalText reads the name.
func (s *Severity) UnmarshalText(text []byte) error {
	parsed, err := ParseSeverity(string(text))
	if err == nil {
		*s = parsed
	}
	return err
}

// fraction checks a probability or fraction, ends included.
func fraction(name string, x float64) error {
	if !(x >= 0 && x <= 1) {
		return fmt.Errorf("%s is %v: want 0 to 1", name, x)
	}
	return nil
}

// inside checks a probability or fraction, ends not included.
func inside(name string, x float64) error {
	if !(x > 0 && x < 1) {
		return fmt.Errorf("%s is %v: want 0 < %s < 1", name, x, name)
	}
	return nil
}

// bisect finds where f, above 0 at in and not at out, changes sign, to the
// last bit.
func bisect(f func(float64) float64, in, out float64) float64 {
	for {
		mid := in + (out-in)/2
		switch {
		case mid == in || mid == out || math.IsNaN(mid):
			return mid
		case f(mid) > 0:
			in = mid
		default:
			out = mid
		}
	}
}
