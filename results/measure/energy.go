package measure

import (
	"math"
	"time"

	"drench/rig"
)

// energy turns readings of the energy drawn since the start of the run into
// mean powers.
//
// Standby follows the manner of IEC 62301 (from memory): the first third of a
// quiet stretch is dropped, the rest is cut to whole sampling periods, at least
// four, and the energy drawn in it is divided by its length.
type energy struct {
	last  Point
	known bool // last is of the present powered stretch

	drawn float64 // nJ, while powered
	span  time.Duration

	quietFrom when
	series    []Point // of the quiet stretch, thinned
	stride    int
	skip      int

	idle     float64 // nJ in what was kept of the quiet stretches
	idleFor  time.Duration
	edge2    float64 // square of the uncertainty of idle from cutting, nJ²
	stretch  int     // quiet stretches that counted
	tooShort int     // and that did not
}

const (
	maxSeries = 1024
	minCycles = 4
)

func (e *energy) reading(at rig.Instant, v int64, powered bool) {
	if !powered {
		return
	}
	if e.known && at > e.last.At {
		e.drawn += float64(v - e.last.Value)
		e.span += at.Sub(e.last.At)
	}
	e.last, e.known = Point{at, v}, true
	if !e.quietFrom.ok {
		return
	}
	if e.skip++; e.skip < e.stride {
		return
	}
	e.skip = 0
	e.series = append(e.series, e.last)
	if len(e.series) == maxSeries {
		for i := range maxSeries / 2 {
			e.series[i] = e.series[2*i+1]
		}
		e.series = e.series[:maxSeries/2]
		e.stride *= 2
	}
}

// cut says that the supply changed: differences do not reach across.
func (e *energy) cut() {
	e.known = false
	if e.quietFrom.ok {
		e.quietFrom.ok = false
		e.tooShort++
	}
}

func (e *energy) quiet(at rig.Instant, powered bool) {
	e.quietFrom = when{at, powered}
	e.series, e.stride, e.skip = e.series[:0], 1, 0
}

// busy ends a quiet stretch.
func (e *energy) busy(at rig.Instant, period time.Duration) {
	if !e.quietFrom.ok {
		return
	}
	e.quietFrom.ok = false
	from := e.quietFrom.at.Add(at.Sub(e.quietFrom.at) / 3)
	for len(e.series) > 0 && e.series[0].At < from {
		e.series = e.series[1:]
	}
	if len(e.series) == 0 || !e.known {
		e.tooShort++
		return
	}
	span := e.last.At.Sub(e.series[0].At)
	cycles := int64(0)
	if period > 0 {
		cycles = int64(span / period)
		span = time.Duration(cycles) * period
	}
	if span <= 0 || period > 0 && cycles < minCycles {
		e.tooShort++
		return
	}
	joules := float64(e.last.Value) - e.at(e.last.At.Add(-span))
	e.stretch++
	e.idle += joules
	e.idleFor += span
	if cycles > 0 {
		// Each cut may fall before or after a period's one burst: rectangular,
		// a period's energy wide, twice.
		cut := joules / float64(cycles)
		e.edge2 += float64(cut*cut) / 6
	}
}

// at interpolates the energy in the series.
func (e *energy) at(t rig.Instant) float64 {
	before := e.series[0]
	for _, p := range append(e.series[1:], e.last) {
		if p.At >= t {
			return between(before.At, p.At, float64(before.Value), float64(p.Value), t)
		}
		before = p
	}
	return float64(before.Value)
}

func (e *energy) enter(l ledger, gain rig.ShareCal) {
	if e.span > 0 {
		p := e.drawn / e.span.Seconds()
		m := l.of(MeanPower)
		m.Exposure = e.span
		m.Samples = []Sample{power(p, 0, gain)}
	}
	if e.stretch+e.tooShort == 0 {
		return
	}
	m := l.of(Standby)
	m.Exposure, m.N = e.idleFor, e.stretch
	if e.stretch > 0 {
		m.Samples = []Sample{power(e.idle/e.idleFor.Seconds(), math.Sqrt(e.edge2)/e.idleFor.Seconds(), gain)}
	}
	for range e.tooShort {
		m.doubt("a quiet stretch was cut off, or too short for four sampling periods after its first third")
	}
}

// power is a sample in nanowatt with the uncertainty u and the meter's gain
// error.
func power(p, u float64, gain rig.ShareCal) Sample {
	g := p * float64(gain.U) / 1e9
	return Sample{Value: int64(math.Round(p)), U: both(int64(math.Round(u)), int64(math.Round(math.Abs(g))))}
}
