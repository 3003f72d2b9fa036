package compare

import (
	"errors"
	"fmt"
	"math"
	"time"

	"drench/results/measure"
	"drench/rig"
)

// counts compares shares or rates.
func (q estimating) counts() (estimate, error) {
	base, now := q.base.tally(q.margin), q.now.tally(q.margin)
	e := estimate{base: q.side(base), now: q.side(now), method: "Newcombe's interval from Wilson's, Fisher's exact test"}
	if base.rate() {
		e.method = "interval from Garwood's, exact test of two rates"
		e.base.Exposure, e.now.Exposure = q.base.exposure(), q.now.exposure()
	}
	if base.empty() || now.empty() || base.rate() != now.rate() {
		e.why = "nothing could go wrong on one side"
		return e, nil
	}
	scale := q.scale(base)
	i, err := squareAndAdd(base, now, q.conf)
	p, err2 := alike(base, now)
	if err := errors.Join(err, err2); err != nil {
		return e, err
	}
	e.diff, e.interval, e.bounded = scale*(now.value()-base.value()), Interval{scale * i.Lower, scale * i.Upper}, true
	e.p, e.tested = p, true
	q.base.scatterOfCounts(q.now, q.margin).widen(&e, q.conf)
	if size := q.enough(base, now); base.rate() && q.margin.each == "" {
		e.watch = time.Duration(math.Ceil(size/60)) * time.Minute
	} else {
		e.needed = int(math.Ceil(size))
	}
	return e, nil
}

// scale turns a tally's value into the margin's unit.
func (q estimating) scale(t tally) float64 {
	if q.margin.each != "" {
		return 1
	}
	return 1e9 // of 1, or of an event a second
}

func (q estimating) side(t tally) Side {
	s := Side{N: t.of, Count: t.x}
	if t.empty() {
		return s
	}
	s.Value = q.scale(t) * t.value()
	switch {
	case q.margin.each != "":
		s.N = int(t.exposure)
		s.Text = fmt.Sprintf("%d in %s", t.x, number(s.N, q.margin.each))
	case t.rate():
		s.Text = fmt.Sprintf("%d in %s", t.x, Format(t.exposure*1e9, rig.Second))
	default:
		s.Text = fmt.Sprintf("%d of %d", t.x, t.of)
	}
	return s
}

func (g group) tally(m Margin) tally {
	var t tally
	for _, x := range g {
		t = t.plus(tallyOf(x, m))
	}
	return t
}

// tallyOf reads one run's count.
func tallyOf(x *measure.Measure, m Margin) tally {
	switch {
	case x.Kind == measure.Proportion:
		return tally{x: x.Count, of: x.N}
	case m.each != "":
		return tally{x: x.Count, exposure: float64(x.N)}
	}
	return tally{x: x.Count, exposure: x.Exposure.Seconds()}
}

func (g group) exposure() (d time.Duration) {
	for _, m := range g {
		d += m.Exposure
	}
	return d
}

// enough is how many trials, or seconds of exposure, both sides must have to
// show sameness, if the share or rate of both is the common one; 0 if no length
// would do.
func (q estimating) enough(base, now tally) float64 {
	common := base.plus(now)
	fits := func(size float64) bool {
		t := tally{of: int(math.Ceil(size))}
		if common.rate() {
			t = tally{exposure: size}
		}
		t.x = int(math.Round(common.value() * size))
		i, err := squareAndAdd(t, t, q.conf)
		return err == nil && q.scale(t)*i.Upper <= q.value
	}
	high := 1.0
	for !fits(high) {
		if high *= 2; high > 1e9 {
			return 0
		}
	}
	low := high / 2
	for high-low > 0.001*high && high > 1 {
		if mid := (low + high) / 2; fits(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}
