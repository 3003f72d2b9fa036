package sampling

import (
	"errors"
	"fmt"

	"gonum.org/v1/gonum/stat/distuv"
)

// AOQ returns the average outgoing quality when rejected lots are inspected
// whole and every nonconforming unit found is replaced: quality × P(accept) ×
// (1 - n/lot) (MIL-STD-105E table V, from memory). A lot of 0 stands for lots
// large against the sample. It returns the errors of OC, or for a lot smaller
// than the sample.
func (p Plan) AOQ(m Model, quality float64, lot int) (float64, error) {
	left, err := p.uninspected(lot)
	if err != nil {
		return 0, fmt.Errorf("average outgoing quality: %w", err)
	}
	pa, err := p.OC(m, quality)
	if err != nil {
		return 0, fmt.Errorf("average outgoing quality: %w", err)
	}
	return quality * pa * left, nil
}

// uninspected is the share of a lot that sampling leaves uninspected.
func (p Plan) uninspected(lot int) (float64, error) {
	switch {
	case lot == 0:
		return 1, nil
	case lot < p.N:
		return 0, fmt.Errorf("lot is %d units: want the sample, n = %d, or more, or 0 for large lots", lot, p.N)
	}
	return 1 - float64(p.N)/float64(lot), nil
}

// AOQL returns the average outgoing quality limit, the largest AOQ over all
// incoming qualities, and the incoming quality at which it falls. AOQ has one
// maximum as its logarithm is concave; it is where P + p dP/dp = 0. Errors are
// those of AOQ, or that the plan accepts every sample.
func (p Plan) AOQL(m Model, lot int) (limit, incoming float64, err error) {
	if _, err := p.AOQ(m, 0, lot); err != nil {
		return 0, 0, err
	}
	c, n := p.Re-1, float64(p.N)
	if m == Binomial && c >= p.N {
		return 0, 0, errors.New("average outgoing quality limit: the plan accepts every sample: want re no more than n")
	}
	rising := func(q float64) float64 {
		density := distuv.Binomial{N: n - 1, P: q}.Prob(float64(c))
		if m == Poisson {
			density = distuv.Poisson{Lambda: n * q}.Prob(float64(c))
		}
		return m.atMost(c, p.N, q) - q*n*density
	}
	out := 1.0
	for m == Poisson && rising(out) > 0 {
		out *= 2
	}
	incoming = bisect(rising, 0, out)
	limit, err = p.AOQ(m, incoming, lot)
	return limit, incoming, err
}

// ATI returns the average total inspected of a lot, n + (1 - P(accept))(lot -
// n), when rejected lots are inspected whole. It returns the errors of OC, or
// for a lot smaller than the sample.
func (p Plan) ATI(m Model, quality float64, lot int) (float64, error) {
	if lot < p.N {
		return 0, fmt.Errorf("average total inspected: lot is %d units: want the sample, n = %d, or more", lot, p.N)
	}
	pa, err := p.OC(m, quality)
	if err != nil {
		return 0, fmt.Errorf("average total inspected: %w", err)
	}
	return float64(p.N) + (1-pa)*float64(lot-p.N), nil
}

// ASN returns the average sample number when inspection stops as soon as the
// lot is rejected and else goes on to N: the sum over k < N of the probability
// that k units have not rejected it (binomial). Without stopping it is N. It
// returns the errors of OC.
func (p Plan) ASN(quality float64) (float64, error) {
	if _, err := p.OC(Binomial, quality); err != nil {
		return 0, fmt.Errorf("average sample number: %w", err)
	}
	sum := 0.0
	for k := range p.N {
		if k < p.Re {
			sum++
			continue
		}
		sum += Binomial.atMost(p.Re-1, k, quality)
	}
	return sum, nil
}
