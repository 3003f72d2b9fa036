package compare

import (
	"math"
)

// change is how a series changed: the shape that fits best.
type change struct {
	shape         Shape
	at            int // first night of it
	before, after float64
}

// fitNumbers finds the shape that leaves the least residual sum of squares:
// another level, a straight line away from the level, or one night by itself.
// It begins after the baseline, and not after the night that signalled. Each
// shape has two levels (or a level and a slope) and a night. For the shift it
// is Hinkley's estimate (stats.ChangePoint), which is the likelihood's for
// normal values of one variance; the others are the same with their own means.
func fitNumbers(points []Point, first, signal int) change {
	best, least := change{}, math.Inf(1)
	for at := first; at <= signal; at++ {
		for _, c := range []struct {
			shape Shape
			x     func(i int) float64 // what is added from night at on, per unit
		}{
			{Shift, func(i int) float64 { return 1 }},
			{Burst, func(i int) float64 { return float64(b2i(i == at)) }},
			{Drift, func(i int) float64 { return float64(i - at + 1) }},
		} {
			if at == len(points)-1 && c.shape != Shift {
				continue // one night can't tell them apart
			}
			level, slope, rss := line(points, func(i int) float64 {
				if i < at {
					return 0
				}
				return c.x(i)
			})
			if rss < least*(1-1e-9) {
				last := len(points) - 1
				if c.shape == Burst {
					last = at
				}
				best, least = change{c.shape, at, level, level + slope*c.x(last)}, rss
			}
		}
	}
	return best
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// line fits value = level + slope x(i) by least squares.
func line(points []Point, x func(i int) float64) (level, slope, rss float64) {
	n := float64(len(points))
	var mx, my, sxx, sxy float64
	for i, p := range points {
		mx += x(i) / n
		my += p.Value / n
	}
	for i, p := range points {
		sxx += (x(i) - mx) * (x(i) - mx)
		sxy += (x(i) - mx) * (p.Value - my)
	}
	if sxx > 0 {
		slope = sxy / sxx
	}
	level = my - slope*mx
	for i, p := range points {
		r := p.Value - level - slope*x(i)
		rss += r * r
	}
	return level, slope, rss
}

// fitCounts finds the shape of greatest likelihood, binomial or Poisson: another
// share or rate from a night on, or in one night.
//
// Source: Hinkley and Hinkley, Biometrika 57 (1970) 477; Worsley, Biometrika 70
// (1983) 455 (both from memory).
func fitCounts(tallies []tally, first, signal int) change {
	best, most := change{}, math.Inf(-1)
	for at := first; at <= signal; at++ {
		for _, shape := range []Shape{Shift, Burst} {
			if at == len(tallies)-1 && shape == Burst {
				continue
			}
			var usual, other tally
			for i, t := range tallies {
				if i == at || i > at && shape == Shift {
					other = other.plus(t)
				} else {
					usual = usual.plus(t)
				}
			}
			if l := usual.likelihood() + other.likelihood(); l > most+1e-9 {
				best, most = change{shape, at, usual.value(), other.value()}, l
			}
		}
	}
	return best
}

// likelihood is the greatest log-likelihood of a share or rate, but for what
// does not depend on how tallies are grouped.
func (t tally) likelihood() float64 {
	if t.x == 0 {
		return 0
	}
	if t.rate() {
		return float64(t.x) * math.Log(t.value())
	}
	l := float64(t.x) * math.Log(t.value())
	if rest := t.of - t.x; rest > 0 {
		l += float64(rest) * math.Log(1-t.value())
	}
	return l
}
