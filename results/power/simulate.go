package power

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"sort"

	"drench/results/stats"

	"gonum.org/v1/gonum/stat/distuv"
)

const (
	mostASide = 1000 // trials that are simulated
	nights    = 4000 // simulated pairs of nights for each size
)

// simulation finds chances to see a shift, and keeps them by trials a side.
type simulation struct {
	shift float64 // in standard deviations
	shape Shape
	alpha float64
	seed  uint64
	seen  map[int]float64
}

// smallest finds the smallest number of trials a side with the power, in steps
// of 2 % where that is more than one; 0 if it is more than can be simulated.
func (s simulation) smallest(ctx context.Context, power float64) (int, error) {
	n := min(s.noether(power), mostASide)
	if err := s.simulate(ctx, n); err != nil {
		return 0, err
	}
	step := max(1, n/50)
	for s.seen[n] >= power && n > step+1 { // down until it is too few
		n -= step
		if err := s.simulate(ctx, n); err != nil {
			return 0, err
		}
	}
	for s.seen[n] < power { // and up until it is enough
		if n == mostASide {
			return 0, nil
		}
		n = min(n+step, mostASide)
		if err := s.simulate(ctx, n); err != nil {
			return 0, err
		}
	}
	return n, nil
}

// noether is Noether's sample size for two equal samples, (z_alpha + z_power)^2
// / (6 (P - 1/2)^2), P the probability that a value of one exceeds one of the
// other (JASA 82 (1987) 645, from memory): a first guess.
func (s simulation) noether(power float64) int {
	p := distuv.UnitNormal.CDF(s.shift / math.Sqrt2)
	if s.shape == Uniform {
		apart := max(0, 1-s.shift/math.Sqrt(12))
		p = 1 - apart*apart/2
	}
	z := distuv.UnitNormal.Quantile(1-s.alpha/2) + distuv.UnitNormal.Quantile(power)
	return int(math.Ceil(min(1e9, z*z/(6*(p-0.5)*(p-0.5)))))
}

// simulate finds the chance that n trials a side see the shift.
func (s simulation) simulate(ctx context.Context, n int) error {
	if _, done := s.seen[n]; done {
		return nil
	}
	least, err := rejection(n, s.alpha)
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(s.seed, uint64(n)))
	a, b := make([]float64, n), make([]float64, n)
	hits := 0
	for range nights {
		if err := ctx.Err(); err != nil {
			return err
		}
		s.draw(rng, a, 0)
		s.draw(rng, b, s.shift)
		if w := above(a, b); w <= least || w >= n*n-least {
			hits++
		}
	}
	s.seen[n] = float64(hits) / nights
	return nil
}

// draw fills a night with sorted values of standard deviation 1.
func (s simulation) draw(rng *rand.Rand, night []float64, shift float64) {
	for i := range night {
		if s.shape == Uniform {
			night[i] = shift + math.Sqrt(12)*rng.Float64()
		} else {
			night[i] = shift + rng.NormFloat64()
		}
	}
	slices.Sort(night)
}

// above counts the pairs in which a value of a exceeds one of b, both sorted.
func above(a, b []float64) int {
	count, below := 0, 0
	for _, x := range a {
		for below < len(b) && b[below] < x {
			below++
		}
		count += below
	}
	return count
}

// rejection returns the largest count of pairs at which stats.MannWhitney
// rejects that two samples of n are alike, -1 if at none. Without ties its
// p-value depends on that count alone, and falls as the count goes to 0.
func rejection(n int, alpha float64) (int, error) {
	var failed error
	kept := sort.Search(n*n/2+1, func(w int) bool {
		t, err := stats.MannWhitney(withCount(n, w))
		if err != nil {
			failed = err
		}
		return t.P > alpha
	})
	return kept - 1, failed
}

// withCount makes two samples of n without ties in which a exceeds b in w
// pairs: w/n values of a lie above all of b, one above w%n of them, the rest
// below.
func withCount(n, w int) (a, b []float64) {
	for i := range n {
		place := -float64(n)
		switch {
		case i < w/n:
			place = 2 * float64(n)
		case i == w/n:
			place = float64(w%n) - 0.5
		}
		a = append(a, place+float64(i)/float64(2*n))
		b = append(b, float64(i))
	}
	return a, b
}

// least is the smallest number of trials a side with which the test can reject
// at all, 0 if that is more than are simulated.
func (s simulation) least() int {
	for n := 1; n <= mostASide; n++ {
		if w, err := rejection(n, s.alpha); err == nil && w >= 0 {
			return n
		}
	}
	return 0
}

func (s simulation) point(n int) Point {
	return Point{Size: float64(n), Allowed: -1, Pass: s.seen[n], Inconc: 1 - s.seen[n]}
}

// curve adds points up to a quarter more than is needed, those needed among
// them.
func (s simulation) curve(ctx context.Context, a *Answer) error {
	end := mostASide
	var sizes []int
	for _, need := range a.Needed {
		sizes = append(sizes, int(need.Size))
		end = int(need.Size) * 5 / 4
	}
	for i := range rows {
		sizes = append(sizes, max(1, min(end, mostASide)*(i+1)/rows))
	}
	slices.Sort(sizes)
	for _, n := range slices.Compact(sizes) {
		if err := s.simulate(ctx, n); err != nil {
			return err
		}
		a.Curve = append(a.Curve, s.point(n))
	}
	return nil
}
