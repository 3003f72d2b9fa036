package report

import (
	"math"
	"strconv"

	"drench/rig"
)

// axis maps values onto 0…1 and has ticks at round values.
type axis struct {
	lo, hi float64 // in the axis's own unit
	step   float64
	scale  float64 // axis unit in nano multiples
	symbol string  // "" for pure numbers
}

// graduation is a unit that an axis may be marked in.
type graduation struct {
	from   float64 // suits values from here on
	scale  float64
	symbol string
}

// graduations by unit, the largest first. A unit that is not here is marked
// in its nano multiple.
var graduations = map[rig.Unit][]graduation{
	rig.Second:   {{4 * 3600e9, 3600e9, "h"}, {300e9, 60e9, "min"}, {0.5e9, 1e9, "s"}, {0.5e6, 1e6, "ms"}, {0, 1e3, "µs"}},
	rig.Volt:     {{0.5e9, 1e9, "V"}, {0, 1e6, "mV"}},
	rig.FilmMass: {{0, 1e6, "g/m²"}},
	rig.Watt:     {{0.5e9, 1e9, "W"}, {0.5e6, 1e6, "mW"}, {0, 1e3, "µW"}},
}

// narrowest is the least an axis spans, as a share of its values: finer
// differences are noise to the eye.
const narrowest = 0.05

// newAxis spans lo to hi, given in the unit's nano multiple, and starts at
// zero unless the values are all far from it. About so many ticks are marked.
func newAxis(lo, hi float64, u rig.Unit, ticks int) axis {
	a := axis{scale: 1}
	for _, g := range graduations[u] {
		if math.Max(math.Abs(lo), math.Abs(hi)) >= g.from {
			a.scale, a.symbol = g.scale, g.symbol
			break
		}
	}
	a.lo, a.hi = lo/a.scale, hi/a.scale
	if a.lo < 0.5*a.hi && a.lo > -0.01*a.hi {
		a.lo = 0
	}
	if least := narrowest * math.Abs(a.hi); a.hi-a.lo < least {
		a.lo, a.hi = (a.lo+a.hi-least)/2, (a.lo+a.hi+least)/2
	}
	if a.hi <= a.lo {
		a.hi = a.lo + 1
	}
	a.step = RoundStep((a.hi - a.lo) / float64(ticks))
	a.lo, a.hi = math.Floor(a.lo/a.step+1e-9)*a.step, math.Ceil(a.hi/a.step-1e-9)*a.step
	return a
}

// timeAxis spans exactly a stretch of time, whose ends need not be round.
func timeAxis(length float64, ticks int) axis {
	a := newAxis(0, length, rig.Second, ticks)
	a.hi = math.Max(length/a.scale, a.step/1e3)
	if a.symbol == "min" || a.symbol == "h" {
		a.step = math.Max(1, math.Round(a.step))
	}
	return a
}

// RoundStep returns 1, 2 or 5 times a power of ten, at least v.
func RoundStep(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= v*(1-1e-9) {
			return m * p
		}
	}
	return 10 * p
}

// at returns where a value in the nano multiple lies: 0 at the axis's start,
// 1 at its end.
func (a axis) at(v float64) float64 {
	return (v/a.scale - a.lo) / (a.hi - a.lo)
}

// tick is a marked place of an axis.
type tick struct {
	At   float64 // 0…1
	Text string
}

func (a axis) ticks() []tick {
	var list []tick
	decimals := int(math.Max(0, math.Ceil(-math.Log10(a.step)-1e-9)))
	for i := 0; ; i++ {
		v := a.lo + float64(i)*a.step
		if v > a.hi+a.step*1e-6 {
			return list
		}
		if math.Abs(v) < a.step*1e-6 {
			v = 0 // not -0
		}
		list = append(list, tick{(v - a.lo) / (a.hi - a.lo), strconv.FormatFloat(v, 'f', decimals, 64)})
	}
}

// named adds the unit to what an axis shows.
func (a axis) named(what string) string {
	if a.symbol == "" {
		return what
	}
	return what + ", " + a.symbol
}
