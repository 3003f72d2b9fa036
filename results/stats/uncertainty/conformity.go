package uncertainty

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Tolerance is an interval of permitted values, in the unit of the
// measurand. A limit that does not exist is -Inf or +Inf.
type Tolerance struct {
	Lower, Upper float64
}

// AtLeast is the tolerance with a lower limit only.
func AtLeast(limit float64) Tolerance { return Tolerance{limit, math.Inf(1)} }

// AtMost is the tolerance with an upper limit only.
func AtMost(limit float64) Tolerance { return Tolerance{math.Inf(-1), limit} }

// MarshalJSON writes a limit that does not exist as null, as JSON has no
// infinity.
func (t Tolerance) MarshalJSON() ([]byte, error) {
	return json.Marshal(map[string]*float64{"lower": finite(t.Lower), "upper": finite(t.Upper)})
}

// finite is x, or nil for an infinite one.
func finite(x float64) *float64 {
	if math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func (t Tolerance) check() error {
	switch {
	case math.IsNaN(t.Lower) || math.IsInf(t.Lower, 1):
		return fmt.Errorf("lower limit is %v: want a finite number, or -Inf for none", t.Lower)
	case math.IsNaN(t.Upper) || math.IsInf(t.Upper, -1):
		return fmt.Errorf("upper limit is %v: want a finite number, or +Inf for none", t.Upper)
	case t.Lower >= t.Upper:
		return fmt.Errorf("lower limit is %v: want below the upper limit %v", t.Lower, t.Upper)
	case math.IsInf(t.Lower, -1) && math.IsInf(t.Upper, 1):
		return errors.New("lower and upper limit are both infinite: want one or two limits")
	}
	return nil
}

// mass is the probability of t under a normal distribution, from the tail that
// keeps it exact.
func (t Tolerance) mass(mean, sd float64) float64 {
	a, b := (t.Lower-mean)/sd, (t.Upper-mean)/sd
	if a > 0 {
		a, b = -b, -a
	}
	return distuv.UnitNormal.CDF(b) - distuv.UnitNormal.CDF(a)
}

func checkReading(y, u float64) error {
	switch {
	case math.IsNaN(y) || math.IsInf(y, 0):
		return fmt.Errorf("y is %v: want a finite measured value", y)
	case !(u > 0) || math.IsInf(u, 0):
		return fmt.Errorf("u is %v: want a finite standard uncertainty above 0", u)
	}
	return nil
}

// ConformanceProbability returns the probability that the true value is within
// the tolerance, given the measured value y with standard uncertainty u and
// nothing else known of it: Φ((T_U-y)/u) - Φ((T_L-y)/u) (JCGM 106 7.4 for two
// limits, 7.3 for one). The measurand given y is taken as normal.
//
// 1 less this is the specific risk of the consumer if the item is accepted,
// and this is that of the producer if it is rejected (JCGM 106 9.3.2, from
// memory).
//
// It returns an error for a y or u that is not finite, u not above 0, or
// limits that are none or in the wrong order.
func ConformanceProbability(y, u float64, t Tolerance) (float64, error) {
	if err := errors.Join(t.check(), checkReading(y, u)); err != nil {
		return 0, fmt.Errorf("conformance probability: %w", err)
	}
	return t.mass(y, u), nil
}

// Decision is what a measured value proves of conformity.
type Decision int

const (
	// Undecided: neither conformity nor nonconformity is proven.
	Undecided Decision = iota
	// Conforming: proven to conform.
	Conforming
	// Nonconforming: proven not to conform.
	Nonconforming
)

// String returns undecided, conforming or nonconforming.
func (d Decision) String() string {
	switch d {
	case Undecided:
		return "undecided"
	case Conforming:
		return "conforming"
	case Nonconforming:
		return "nonconforming"
	}
	return fmt.Sprintf("Decision(%d)", int(d))
}

// ISO14253 is the default probability of ISO 14253-1:2017 (from memory) for
// proving conformity or nonconformity.
const ISO14253 = 0.95

// Decide says whether y proves conformity (conformance probability at least
// p), nonconformity (at most 1-p), or neither: the rule of ISO 14253-1, with
// p = ISO14253 unless agreed otherwise. Errors are those of
// ConformanceProbability, or for p outside (0.5, 1).
func Decide(y, u float64, t Tolerance, p float64) (Decision, error) {
	if err := checkProof(p); err != nil {
		return Undecided, fmt.Errorf("decide conformity: %w", err)
	}
	pc, err := ConformanceProbability(y, u, t)
	switch {
	case err != nil:
		return Undecided, fmt.Errorf("decide conformity: %w", err)
	case pc >= p:
		return Conforming, nil
	case pc <= 1-p:
		return Nonconforming, nil
	}
	return Undecided, nil
}

func checkProof(p float64) error {
	if !(p > 0.5 && p < 1) {
		return fmt.Errorf("p is %v: want 0.5 < p < 1", p)
	}
	return nil
}

// ErrNoAcceptance says that no measured value can prove conformity.
var ErrNoAcceptance = errors.New("the uncertainty is too large for the tolerance: no measured value proves conformity")

// Acceptance returns the interval of measured values that prove conformity
// with probability p or more: the tolerance less a guard band at each limit
// (guarded acceptance, JCGM 106 8.3.2, from memory). With one limit, or two that are far
// apart for u, the guard band is z_p u, 1.645 u for 95 %; with two close limits
// it is solved for from the conformance probability.
//
// It returns an error for u not above 0 or not finite, for p outside (0.5, 1),
// for bad limits, and ErrNoAcceptance, wrapped, when nothing is left.
func Acceptance(u float64, t Tolerance, p float64) (Tolerance, error) {
	if err := errors.Join(t.check(), checkReading(0, u), checkProof(p)); err != nil {
		return Tolerance{}, fmt.Errorf("acceptance interval: %w", err)
	}
	if math.IsInf(t.Lower, -1) || math.IsInf(t.Upper, 1) {
		guard := distuv.UnitNormal.Quantile(p) * u
		return Tolerance{t.Lower + guard, t.Upper - guard}, nil
	}
	centre := t.Lower + (t.Upper-t.Lower)/2
	if t.mass(centre, u) < p {
		return Tolerance{}, fmt.Errorf("acceptance interval: u is %v for limits %v and %v: %w", u, t.Lower, t.Upper, ErrNoAcceptance)
	}
	half := t.halfAccepted(u, p)
	return Tolerance{centre - half, centre + half}, nil
}

// halfAccepted finds by bisection how far from its centre y may be for the
// tolerance to keep mass p; the mass falls from the centre outwards.
func (t Tolerance) halfAccepted(u, p float64) float64 {
	half := (t.Upper - t.Lower) / 2
	centred := Tolerance{-half, half}
	in, out := 0.0, half
	for {
		mid := in + (out-in)/2
		switch {
		case mid <= in || mid >= out:
			return in
		case centred.mass(mid, u) >= p:
			in = mid
		default:
			out = mid
		}
	}
}
