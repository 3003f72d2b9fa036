package uncertainty

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// A Sample is the sorted output of a Monte-Carlo propagation.
type Sample struct {
	Mean float64 // estimate of the measurand
	U    float64 // its standard uncertainty

	sorted []float64
}

// An Interval is a closed interval, in the unit of the measurand.
type Interval struct {
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// stream keeps Monte-Carlo draws apart from other uses of the same seed.
const stream = 0x4a43474d313031 // "JCGM101"

// Propagate propagates distributions by Monte Carlo (JCGM 101 7.2 to 7.6).
// draw returns one value of the measurand from one draw of its inputs, all
// taken from the generator it is given; correlated inputs are simply drawn
// together. The same seed gives the same sample. JCGM 101 7.2.1 advises
// 10⁴/(1-p) trials or more for a coverage probability p: 2×10⁵ for 95 %.
//
// It returns an error for fewer than two trials, or naming the trial whose
// value is not finite.
func Propagate(seed uint64, trials int, draw func(*rand.Rand) float64) (Sample, error) {
	if trials < 2 {
		return Sample{}, fmt.Errorf("propagate distributions: n is %d trials: want 2 or more", trials)
	}
	if draw == nil {
		return Sample{}, errors.New("propagate distributions: draw is nil: want a function")
	}
	r := rand.New(rand.NewPCG(seed, stream))
	values := make([]float64, trials)
	for i := range values {
		values[i] = draw(r)
		if math.IsNaN(values[i]) || math.IsInf(values[i], 0) {
			return Sample{}, fmt.Errorf("propagate distributions: trial %d gave %v: want a finite number", i, values[i])
		}
	}
	slices.Sort(values)
	mean, u := stat.MeanStdDev(values, nil)
	return Sample{Mean: mean, U: u, sorted: values}, nil
}

// Symmetric returns the probabilistically symmetric coverage interval for
// probability level, (1-level)/2 outside each end (JCGM 101 7.7.2). It returns
// an error for a level outside (0, 1) or too near 0 or 1 for the trials made.
func (s Sample) Symmetric(level float64) (Interval, error) {
	q, err := s.covered(level)
	if err != nil {
		return Interval{}, fmt.Errorf("symmetric coverage interval: %w", err)
	}
	r := (len(s.sorted) - q + 1) / 2
	return Interval{s.sorted[r-1], s.sorted[r+q-1]}, nil
}

// Shortest returns the shortest coverage interval for probability level
// (JCGM 101 7.7.3), the first of them if several are equally short. Errors are
// those of Symmetric.
func (s Sample) Shortest(level float64) (Interval, error) {
	q, err := s.covered(level)
	if err != nil {
		return Interval{}, fmt.Errorf("shortest coverage interval: %w", err)
	}
	best := Interval{math.Inf(-1), math.Inf(1)}
	for r := 0; r+q < len(s.sorted); r++ {
		if next := (Interval{s.sorted[r], s.sorted[r+q]}); next.Upper-next.Lower < best.Upper-best.Lower {
			best = next
		}
	}
	return best, nil
}

// covered is the q of JCGM 101 7.7.1: pM if whole, else the whole part of
// pM + ½.
func (s Sample) covered(level float64) (int, error) {
	if !(level > 0 && level < 1) {
		return 0, fmt.Errorf("level is %v: want 0 < level < 1", level)
	}
	m := len(s.sorted)
	q := int(math.Floor(level*float64(m) + 0.5))
	if q < 1 || q >= m {
		return 0, fmt.Errorf("n is %d trials: too few for level %v", m, level)
	}
	return q, nil
}
