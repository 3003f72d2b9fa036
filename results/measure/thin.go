package measure

import "drench/rig"

// maxStretches is how many stretches a plot has at most.
const maxStretches = 1000

// thin keeps the lowest and the highest value of each of up to maxStretches
// equal stretches of a run whose length is not known beforehand: when they run
// out, every two become one.
type thin struct {
	begin     rig.Instant
	width     uint64 // ns
	stretches []stretch
}

type stretch struct {
	low, high Point
	any       bool
}

func (t *thin) add(at rig.Instant, v int64) {
	if t.width == 0 {
		t.begin, t.width = at, 1e6
	}
	i := t.index(at)
	for i >= maxStretches {
		t.halve()
		i = t.index(at)
	}
	for len(t.stretches) <= i {
		t.stretches = append(t.stretches, stretch{})
	}
	t.stretches[i] = t.stretches[i].with(stretch{Point{at, v}, Point{at, v}, true})
}

func (t *thin) index(at rig.Instant) int {
	if at < t.begin {
		return 0
	}
	return int(min((uint64(at)-uint64(t.begin))/t.width, 1<<40))
}

func (t *thin) halve() {
	t.width *= 2
	half := make([]stretch, (len(t.stretches)+1)/2)
	for i, s := range t.stretches {
		half[i/2] = half[i/2].with(s)
	}
	t.stretches = half
}

func (s stretch) with(o stretch) stretch {
	switch {
	case !s.any:
		return o
	case !o.any:
		return s
	}
	if o.low.Value < s.low.Value {
		s.low = o.low
	}
	if o.high.Value > s.high.Value {
		s.high = o.high
	}
	return s
}

// highest returns a point for each stretch that has one.
func (t *thin) highest() []Point {
	points := make([]Point, 0, len(t.stretches))
	for _, s := range t.stretches {
		if s.any {
			points = append(points, s.high)
		}
	}
	return points
}

// extremes returns the lowest and the highest point of each stretch in the
// order of time, one where they are the same.
func (t *thin) extremes() []Point {
	points := make([]Point, 0, 2*len(t.stretches))
	for _, s := range t.stretches {
		switch {
		case !s.any:
		case s.low.Value == s.high.Value:
			points = append(points, s.low)
		case s.low.At < s.high.At:
			points = append(points, s.low, s.high)
		default:
			points = append(points, s.high, s.low)
		}
	}
	return points
}
