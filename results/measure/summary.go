package measure

import (
	"math"

	"drench/rig"
)

// spread sums up values one by one: mean and standard deviation by Welford
// (Technometrics 4 (1962) 419), extremes exactly. Products are rounded before
// they are added, so that all machines give the same bits.
type spread struct {
	n        int
	mean, m2 float64
	min, max int64
	maxAt    rig.Instant
	any      bool
}

func (s *spread) add(v int64, at rig.Instant) {
	if s.n == 0 || v < s.min {
		s.min = v
	}
	s.n++
	d := float64(v) - s.mean
	s.mean += d / float64(s.n)
	s.m2 += float64(d * (float64(v) - s.mean))
	s.reach(v, at)
}

// reach lets a value count for the maximum only.
func (s *spread) reach(v int64, at rig.Instant) {
	if !s.any || v > s.max {
		s.max, s.maxAt, s.any = v, at, true
	}
}

func (s *spread) sd() float64 {
	if s.n < 2 {
		return 0
	}
	return math.Sqrt(s.m2 / float64(s.n-1))
}

func (s *spread) summary(u int64) *Summary {
	return &Summary{N: s.n, Min: s.min, Max: s.max, Mean: s.mean, SD: s.sd(), MaxAt: s.maxAt, U: u}
}

// both combines two independent standard uncertainties (JCGM 100, 5.1.2).
func both[T ~int64](a, b T) T {
	return T(math.Round(math.Sqrt(float64(float64(a)*float64(a)) + float64(float64(b)*float64(b)))))
}

// between interpolates linearly: the value at t on the line from (t0, v0) to
// (t1, v1).
func between(t0, t1 rig.Instant, v0, v1 float64, t rig.Instant) float64 {
	if t1 <= t0 {
		return v1
	}
	return v0 + float64((v1-v0)*(float64(t.Sub(t0))/float64(t1.Sub(t0))))
}
