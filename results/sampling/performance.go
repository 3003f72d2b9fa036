package sampling

import (
	"fmt"
	"math"
)

// A Performance is what a sequential plan does at one quality.
type Performance struct {
	Accept    float64 `json:"accept"`    // probability of accepting
	Reject    float64 `json:"reject"`    // probability of rejecting
	Undecided float64 `json:"undecided"` // probability of neither within the horizon
	ASN       float64 `json:"asn"`       // mean number of units inspected
}

const (
	// openHorizon ends the recursion of a plan without a limit.
	openHorizon = 100_000
	// decided is the probability left at which it ends before.
	decided = 1e-13
)

// Exact returns the performance at a quality (fraction nonconforming) by
// recursion over the number of units: the probabilities of each count of
// nonconforming units still between the boundaries are carried from one unit
// to the next, those beyond are added up. It is exact but for rounding.
// Without a limit it ends when less than 1e-13 is undecided, or after 100 000
// units; what is undecided then is said, and counts as if inspection ended
// there.
//
// It returns an error for a quality outside 0 to 1 or a plan that Wald did not
// make.
func (s Sequential) Exact(quality float64) (Performance, error) {
	if err := s.check(); err != nil {
		return Performance{}, fmt.Errorf("sequential plan, exact: %w", err)
	}
	if err := fraction("quality", quality); err != nil {
		return Performance{}, fmt.Errorf("sequential plan, exact: %w", err)
	}
	horizon, enough := openHorizon, decided
	if s.Limit > 0 {
		horizon, enough = s.Limit, 0
	}
	var out Performance
	// open[i] is the probability of lowest+i nonconforming and no decision
	open, lowest, left := []float64{1}, 0, 1.0
	for n := 1; n <= horizon && left > enough; n++ {
		out.ASN += left
		b := s.at(n)
		open = advance(open, quality)
		for len(open) > 0 && lowest <= b.Accept {
			out.Accept += open[0]
			open, lowest = open[1:], lowest+1
		}
		for last := len(open) - 1; last >= 0 && lowest+last >= b.Reject; last-- {
			out.Reject += open[last]
			open = open[:last]
		}
		left = 0
		for _, p := range open {
			left += p
		}
	}
	out.Undecided = left
	return out, nil
}

// advance adds one unit, in place: each count stays with 1-q or grows by one
// with q.
func advance(open []float64, q float64) []float64 {
	open = append(open, 0)
	for i := len(open) - 1; i > 0; i-- {
		open[i] = open[i]*(1-q) + open[i-1]*q
	}
	open[0] *= 1 - q
	return open
}

// Approximate returns Wald's approximation to the performance without a limit,
// which takes the count to stop on a line, not beyond it (Wald (1947) 3.4, 3.5
// and 5.3, from memory). With A = (1-beta)/alpha, B = beta/(1-alpha) and h
// from the quality p = (1 - r^h)/((p1/p0)^h - r^h), r = (1-p1)/(1-p0), it
// accepts with probability L = (A^h - 1)/(A^h - B^h) and inspects (h_r (1-L) -
// h_a L)/(p - s) units, h_a h_r/(s(1-s)) at p = s. Errors are those of Exact.
func (s Sequential) Approximate(quality float64) (Performance, error) {
	if err := s.check(); err != nil {
		return Performance{}, fmt.Errorf("sequential plan, approximate: %w", err)
	}
	if err := fraction("quality", quality); err != nil {
		return Performance{}, fmt.Errorf("sequential plan, approximate: %w", err)
	}
	switch {
	case quality == 0:
		return Performance{Accept: 1, ASN: s.HAccept / s.Slope}, nil
	case quality == 1:
		return Performance{Reject: 1, ASN: s.HReject / (1 - s.Slope)}, nil
	}
	accept := s.acceptance(s.exponent(quality))
	out := Performance{Accept: accept, Reject: 1 - accept}
	if d := quality - s.Slope; math.Abs(d) > 1e-6*s.Slope*(1-s.Slope) {
		out.ASN = (s.HReject*out.Reject - s.HAccept*out.Accept) / d
	} else {
		out.ASN = s.HAccept * s.HReject / (s.Slope * (1 - s.Slope))
	}
	return out, nil
}

// exponent solves the quality for h, which falls as the quality rises.
func (s Sequential) exponent(quality float64) float64 {
	a, b := math.Log(s.P1/s.P0), math.Log1p(-s.P1)-math.Log1p(-s.P0)
	excess := func(h float64) float64 {
		switch {
		case h == 0:
			return s.Slope - quality
		case h < 0:
			return math.Expm1(-b*h)/math.Expm1((a-b)*h) - quality
		}
		return -math.Expm1(b*h)/(math.Expm1(a*h)-math.Expm1(b*h)) - quality
	}
	in, out := -1.0, 1.0
	for excess(in) <= 0 {
		in *= 2
	}
	for excess(out) > 0 {
		out *= 2
	}
	return bisect(excess, in, out)
}

// acceptance is L(h).
func (s Sequential) acceptance(h float64) float64 {
	a := math.Log1p(-s.Beta) - math.Log(s.Alpha)
	b := math.Log(s.Beta) - math.Log1p(-s.Alpha)
	switch {
	case h == 0:
		return a / (a - b)
	case h > 0:
		return math.Expm1(-a*h) / math.Expm1((b-a)*h)
	}
	return math.Expm1(a*h) / (math.Expm1(a*h) - math.Expm1(b*h))
}
