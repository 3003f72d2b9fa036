package sampling

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Model is how the number of nonconforming in a sample is distributed.
type Model int

const (
	// Binomial: units that are nonconforming or not, from a steady process.
	// Quality is their fraction, 0 to 1.
	Binomial Model = iota
	// Poisson: nonconformities, of which a unit may have several. Quality is
	// their number per unit, 0 or more.
	Poisson
)

func (m Model) check(quality float64) error {
	switch m {
	case Binomial:
		return fraction("quality", quality)
	case Poisson:
		if !(quality >= 0) || math.IsInf(quality, 0) {
			return fmt.Errorf("quality is %v nonconformities per unit: want a finite number, 0 or more", quality)
		}
		return nil
	}
	return fmt.Errorf("model is %d: want Binomial or Poisson", int(m))
}

// atMost is the probability of c or fewer in a sample of n.
func (m Model) atMost(c, n int, quality float64) float64 {
	if m == Poisson {
		return distuv.Poisson{Lambda: float64(n) * quality}.CDF(float64(c))
	}
	return distuv.Binomial{N: float64(n), P: quality}.CDF(float64(c))
}

// OC returns the probability of accepting a lot from a process of the given
// quality, P(X < Re): the operating characteristic of type B. It returns an error for a plan that is none or a quality outside
// the model.
func (p Plan) OC(m Model, quality float64) (float64, error) {
	if err := p.check(); err != nil {
		return 0, fmt.Errorf("operating characteristic: %w", err)
	}
	if err := m.check(quality); err != nil {
		return 0, fmt.Errorf("operating characteristic: %w", err)
	}
	return m.atMost(p.Re-1, p.N, quality), nil
}

// QualityAt returns the quality at which the plan accepts with probability pa:
// by the beta quantile for Binomial, the chi-square quantile for Poisson. It
// returns an error for a plan that is none, pa outside (0, 1), or a binomial
// plan that accepts whatever the sample holds.
func (p Plan) QualityAt(m Model, pa float64) (float64, error) {
	if err := p.check(); err != nil {
		return 0, fmt.Errorf("quality at probability of acceptance: %w", err)
	}
	if err := m.check(0); err != nil {
		return 0, fmt.Errorf("quality at probability of acceptance: %w", err)
	}
	if err := inside("pa", pa); err != nil {
		return 0, fmt.Errorf("quality at probability of acceptance: %w", err)
	}
	c, n := float64(p.Re-1), float64(p.N)
	switch {
	case m == Poisson:
		return distuv.ChiSquared{K: 2*c + 2}.Quantile(1-pa) / (2 * n), nil
	case c >= n:
		return 0, fmt.Errorf("quality at probability of acceptance: re is %d for n = %d: every sample is accepted", p.Re, p.N)
	}
	return mathext.InvRegIncBeta(c+1, n-c, 1-pa), nil
}

// OCLot returns the probability of accepting a lot that holds exactly bad
// nonconforming units: the operating characteristic of type A, hypergeometric.
// It returns an error for a plan that is none, a lot smaller than the sample,
// or bad outside 0 to lot.
func (p Plan) OCLot(lot, bad int) (float64, error) {
	if err := p.check(); err != nil {
		return 0, fmt.Errorf("operating characteristic for a lot: %w", err)
	}
	switch {
	case lot < p.N:
		return 0, fmt.Errorf("operating characteristic for a lot: lot is %d units: want the sample, n = %d, or more", lot, p.N)
	case bad < 0 || bad > lot:
		return 0, fmt.Errorf("operating characteristic for a lot: bad is %d: want 0 to lot = %d", bad, lot)
	}
	return hypergeometric(p.Re-1, p.N, bad, lot), nil
}

// hypergeometric is the probability of c or fewer bad units in a sample of n
// from a lot with that many bad. Terms are built up from 1 at the mode by
// their ratios and divided by their sum, which keeps full precision where
// logarithms of factorials of a large lot would not.
func hypergeometric(c, n, bad, lot int) float64 {
	lo, hi := max(0, n-(lot-bad)), min(n, bad)
	mode := int((float64(n) + 1) * (float64(bad) + 1) / (float64(lot) + 2))
	mode = min(max(mode, lo), hi)
	// up is P(k+1)/P(k)
	up := func(k int) float64 {
		return float64(bad-k) / float64(k+1) * float64(n-k) / float64(lot-bad-n+k+1)
	}
	all, accepted := 0.0, 0.0
	add := func(k int, w float64) {
		all += w
		if k <= c {
			accepted += w
		}
	}
	w := 1.0
	for k := mode; k <= hi; k++ {
		add(k, w)
		if k < hi {
			w *= up(k)
		}
	}
	w = 1.0
	for k := mode - 1; k >= lo; k-- {
		w /= up(k)
		add(k, w)
	}
	return accepted / all
}
