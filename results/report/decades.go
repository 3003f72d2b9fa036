package report

import (
	"math"

	"drench/rig"
)

// logAxis maps values onto 0…1 by their logarithm and has ticks at 1, 2 and 5
// times powers of ten, more where it is short, and the powers only where long. Values are above
// 0, in the unit's nano multiple.
type logAxis struct {
	lo, hi float64
	unit   rig.Unit
}

// newLogAxis spans lo to hi with some room on either side.
func newLogAxis(lo, hi float64, u rig.Unit) logAxis {
	room := math.Pow(math.Max(hi/lo, 1.5), 0.06)
	return logAxis{lo / room, hi * room, u}
}

func (a logAxis) at(v float64) float64 { return math.Log(v/a.lo) / math.Log(a.hi/a.lo) }

// Spans, as ratios, up to which many places are marked, and every 1, 2 and 5.
const (
	short   = 8
	longest = 200
)

func (a logAxis) ticks() []tick {
	steps := []float64{1, 2, 5}
	switch {
	case a.hi/a.lo > longest:
		steps = steps[:1]
	case a.hi/a.lo < short:
		steps = []float64{1, 1.5, 2, 3, 4, 5, 6, 8}
	}
	var list []tick
	for d := math.Floor(math.Log10(a.lo)); d <= math.Log10(a.hi); d++ {
		for _, m := range steps {
			v := m * math.Pow(10, d)
			if at := a.at(v); !outside(at) {
				list = append(list, tick{at, quantity(v, a.unit)})
			}
		}
	}
	return list
}

// xLog marks the x axis.
func (p *plot) xLog(a logAxis, name string) {
	p.XName = name
	for _, t := range a.ticks() {
		p.X = append(p.X, guide{X: pct(t.At), Text: t.Text, Anchor: anchor(t.At)})
	}
}

// yLog marks the y axis.
func (p *plot) yLog(a logAxis, name string) {
	p.YName = name
	for _, t := range a.ticks() {
		p.Y = append(p.Y, guide{Y: num(p.y(t.At)), Text: t.Text})
	}
}

// Symbols of a datum of which neither outcome is wrong.
const (
	solid  = "solid"
	hollow = "hollow"
)

// yes is the symbol of a datum that is, or not.
func yes(b bool) string {
	if b {
		return solid
	}
	return hollow
}

// either explains the two symbols.
func either(whenSolid, whenHollow string) []tile {
	return []tile{{Verdict: solid, Text: whenSolid}, {Verdict: hollow, Text: whenHollow}}
}
