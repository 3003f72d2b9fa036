package uncertainty

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

const trials = 1_000_000

// JCGM 101:2008 9.2.2 and 9.2.3 (from memory): the sum of four quantities of
// mean 0 and u 1. Normal: u 2, ± 3.92. Rectangular: u 2, ± 3.88, in closed form
// ± 2√3 (2 - (3/5)^¼).
func TestPropagateAdditiveModel(t *testing.T) {
	for _, c := range []struct {
		name       string
		input      func(r *rand.Rand) float64
		half       float64
		printed    float64
		densityEnd float64 // density of the sum at the end of the interval
	}{
		{"normal", (*rand.Rand).NormFloat64, 2 * 1.959963984540054, 3.92, 0.0292},
		{"rectangular", func(r *rand.Rand) float64 { return math.Sqrt(3) * (2*r.Float64() - 1) },
			2 * math.Sqrt(3) * (2 - math.Pow(0.6, 0.25)), 3.88, 0.0328},
	} {
		printed(t, c.name+" half width", c.half, c.printed, 0.01)
		s, err := Propagate(1, trials, func(r *rand.Rand) float64 {
			return c.input(r) + c.input(r) + c.input(r) + c.input(r)
		})
		if err != nil {
			t.Fatal(err)
		}
		// four standard errors of the sampled mean, sd and quantile
		within(t, c.name+" mean", s.Mean, 0, 4*2/math.Sqrt(trials))
		within(t, c.name+" u", s.U, 2, 4*2/math.Sqrt(2*trials))
		quantile := 4 * math.Sqrt(0.025*0.975/trials) / c.densityEnd
		symmetric, err := s.Symmetric(0.95)
		if err != nil {
			t.Fatal(err)
		}
		within(t, c.name+" lower", symmetric.Lower, -c.half, quantile)
		within(t, c.name+" upper", symmetric.Upper, c.half, quantile)
		shortest, err := s.Shortest(0.95)
		if err != nil {
			t.Fatal(err)
		}
		within(t, c.name+" shortest width", shortest.Upper-shortest.Lower, 2*c.half, 2*quantile)
	}
}

func within(t *testing.T, what string, got, want, distance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= distance) {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, distance)
	}
}

// Exponential: the shortest 95 % interval is (0, -ln 0.05), the symmetric one
// (-ln 0.975, -ln 0.025).
func TestShortestOfSkewed(t *testing.T) {
	s, err := Propagate(7, trials, (*rand.Rand).ExpFloat64)
	if err != nil {
		t.Fatal(err)
	}
	shortest, err := s.Shortest(0.95)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "shortest lower", shortest.Lower, 0, 0.01)
	within(t, "shortest upper", shortest.Upper, -math.Log(0.05), 0.025)
	symmetric, err := s.Symmetric(0.95)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "symmetric lower", symmetric.Lower, -math.Log(0.975), 0.001)
	within(t, "symmetric upper", symmetric.Upper, -math.Log(0.025), 0.03)
}

// JCGM 101:2008 7.7 counted by hand: of 1..100 at 95 %, q = 95, r = 3; the
// first shortest starts at 1.
func TestCoverageIntervalRanks(t *testing.T) {
	next := 0.0
	s, err := Propagate(1, 100, func(*rand.Rand) float64 { next++; return next })
	if err != nil {
		t.Fatal(err)
	}
	if i, err := s.Symmetric(0.95); err != nil || i != (Interval{3, 98}) {
		t.Errorf("symmetric %v, error %v", i, err)
	}
	if i, err := s.Shortest(0.95); err != nil || i != (Interval{1, 96}) {
		t.Errorf("shortest %v, error %v", i, err)
	}
}

func TestPropagateRefuses(t *testing.T) {
	for n := range 2 {
		_, err := Propagate(1, n, (*rand.Rand).NormFloat64)
		refused(t, "n", err, "trials: want 2")
	}
	_, err := Propagate(1, 10, nil)
	refused(t, "nil draw", err, "draw is nil")
	for _, bad := range []float64{math.NaN(), math.Inf(-1)} {
		i := 0
		_, err = Propagate(1, 10, func(*rand.Rand) float64 {
			i++
			if i == 4 {
				return bad
			}
			return 0
		})
		refused(t, "bad draw", err, "trial 3 gave")
	}
	s, err := Propagate(1, 2, (*rand.Rand).NormFloat64)
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.Symmetric(0.95)
	refused(t, "n = 2", err, "too few for level 0.95")
	_, err = s.Shortest(0.95)
	refused(t, "n = 2", err, "too few for level 0.95")
	for _, level := range []float64{0, 1, 1.5, math.NaN()} {
		_, err = s.Symmetric(level)
		refused(t, "level", err, "level is")
		_, err = s.Shortest(level)
		refused(t, "level", err, "level is")
	}
	_, err = Sample{}.Shortest(0.5)
	refused(t, "empty sample", err, "n is 0 trials")
}

// The same seed gives the same sample; the shortest interval is no longer than
// the symmetric one.
func TestPropagateProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		n := rapid.IntRange(50, 500).Draw(t, "n")
		level := rapid.Float64Range(0.1, 0.95).Draw(t, "level")
		a, err1 := Propagate(seed, n, (*rand.Rand).ExpFloat64)
		b, err2 := Propagate(seed, n, (*rand.Rand).ExpFloat64)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		symmetric, err1 := a.Symmetric(level)
		shortest, err2 := a.Shortest(level)
		again, err3 := b.Shortest(level)
		if err1 != nil || err2 != nil || err3 != nil {
			t.Fatal(err1, err2, err3)
		}
		if again != shortest || a.Mean != b.Mean || a.U != b.U {
			t.Fatal("same seed, other sample")
		}
		if shortest.Upper-shortest.Lower > symmetric.Upper-symmetric.Lower {
			t.Fatalf("shortest %v, symmetric %v", shortest, symmetric)
		}
	})
}
