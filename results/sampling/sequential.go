package sampling

import (
	"errors"
	"fmt"
	"math"
)

// A Sequential is Wald's sequential plan by attributes: units are inspected
// one by one; with bad nonconforming among n the lot is accepted once bad <=
// Slope n - HAccept and rejected once bad >= Slope n + HReject. (Sources
// disagree on which of h1 and h2 is which.)
type Sequential struct {
	P0    float64 `json:"p0"`    // quality to accept, fraction nonconforming
	P1    float64 `json:"p1"`    // quality to reject
	Alpha float64 `json:"alpha"` // wanted chance of rejecting at P0
	Beta  float64 `json:"beta"`  // wanted chance of accepting at P1

	HAccept float64 `json:"h_a"` // h_a, units
	HReject float64 `json:"h_r"` // h_r, units
	Slope   float64 `json:"s"`   // s, between P0 and P1

	Limit int `json:"limit"` // the largest sample, 0 for none
}

// Wald returns the sequential plan for p0 < p1 (Wald, Sequential Analysis
// (1947) 5.3, NIST e-Handbook 6.2.6, both from memory): with K =
// ln(p1(1-p0)/(p0(1-p1))), h_a = ln((1-alpha)/beta)/K, h_r =
// ln((1-beta)/alpha)/K and s = ln((1-p0)/(1-p1))/K. The true risks differ a
// little from alpha and beta, as bad is whole: see Exact.
//
// It returns an error unless 0 < p0 < p1 < 1 and alpha, beta are within (0, 1)
// with alpha + beta < 1.
func Wald(p0, p1, alpha, beta float64) (Sequential, error) {
	for _, err := range []error{inside("p0", p0), inside("p1", p1), inside("alpha", alpha), inside("beta", beta)} {
		if err != nil {
			return Sequential{}, fmt.Errorf("sequential plan: %w", err)
		}
	}
	switch {
	case p0 >= p1:
		return Sequential{}, fmt.Errorf("sequential plan: p0 is %v: want below p1 = %v", p0, p1)
	case alpha+beta >= 1:
		return Sequential{}, fmt.Errorf("sequential plan: alpha + beta is %v: want below 1", alpha+beta)
	}
	good := math.Log1p(-p0) - math.Log1p(-p1)
	k := math.Log(p1/p0) + good
	return Sequential{
		P0: p0, P1: p1, Alpha: alpha, Beta: beta,
		HAccept: (math.Log1p(-alpha) - math.Log(beta)) / k,
		HReject: (math.Log1p(-beta) - math.Log(alpha)) / k,
		Slope:   good / k,
	}, nil
}

// Truncate returns the plan with a largest sample of limit units, at which the
// lot is accepted if bad <= Slope limit, the sign of the likelihood ratio, and
// else rejected (Wald (1947) 3.8, from memory). Truncation changes the risks:
// see Exact. It returns an error for a limit below 1.
func (s Sequential) Truncate(limit int) (Sequential, error) {
	if err := s.check(); err != nil {
		return Sequential{}, fmt.Errorf("truncate sequential plan: %w", err)
	}
	if limit < 1 {
		return Sequential{}, fmt.Errorf("truncate sequential plan: limit is %d: want 1 or more", limit)
	}
	s.Limit = limit
	return s, nil
}

// check refuses plans that Wald did not make.
func (s Sequential) check() error {
	if !(s.Slope > 0 && s.Slope < 1 && s.HAccept > 0 && s.HReject > 0) || s.Limit < 0 {
		return errors.New("the plan is none: want one made by Wald")
	}
	return nil
}

// A Boundary is what the plan says after N units.
type Boundary struct {
	N      int `json:"n"`
	Accept int `json:"accept"` // accept with this many nonconforming or fewer; -1 when too early
	Reject int `json:"reject"` // reject with this many or more; above N when too early
}

// onLine is how near a line a whole number counts as on it, so that rounding
// does not shift a boundary.
const onLine = 1e-9

// At returns the boundary after n units. It returns an error for n below 1 or
// above the limit, or a plan that Wald did not make.
func (s Sequential) At(n int) (Boundary, error) {
	if err := s.check(); err != nil {
		return Boundary{}, fmt.Errorf("sequential boundary: %w", err)
	}
	if n < 1 {
		return Boundary{}, fmt.Errorf("sequential boundary: n is %d: want 1 or more", n)
	}
	if s.Limit > 0 && n > s.Limit {
		return Boundary{}, fmt.Errorf("sequential boundary: n is %d: want no more than the limit %d", n, s.Limit)
	}
	return s.at(n), nil
}

func (s Sequential) at(n int) Boundary {
	line := s.Slope * float64(n)
	if n == s.Limit {
		last := int(math.Floor(line + onLine))
		return Boundary{N: n, Accept: last, Reject: last + 1}
	}
	return Boundary{
		N:      n,
		Accept: max(-1, int(math.Floor(line-s.HAccept+onLine))),
		Reject: int(math.Ceil(line + s.HReject - onLine)),
	}
}

// Outcome is what a sequential plan says of a lot so far.
type Outcome int

const (
	// Continue: inspect another unit.
	Continue Outcome = iota
	// Accept the lot.
	Accept
	// Reject the lot.
	Reject
)

// String returns continue, accept or reject.
func (o Outcome) String() string {
	switch o {
	case Continue:
		return "continue"
	case Accept:
		return "accept"
	case Reject:
		return "reject"
	}
	return fmt.Sprintf("Outcome(%d)", int(o))
}

// Judge says what to do with bad nonconforming among n units. It returns the
// errors of At, or for bad outside 0 to n.
func (s Sequential) Judge(n, bad int) (Outcome, error) {
	b, err := s.At(n)
	switch {
	case err != nil:
		return Continue, err
	case bad < 0 || bad > n:
		return Continue, fmt.Errorf("sequential plan: bad is %d: want 0 to n = %d", bad, n)
	case bad <= b.Accept:
		return Accept, nil
	case bad >= b.Reject:
		return Reject, nil
	}
	return Continue, nil
}
