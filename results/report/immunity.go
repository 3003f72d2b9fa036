package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// immunitySection draws what dips the device rides through: residual voltage
// over duration, with each trial and the bracket of each boundary.
func immunitySection(in Input) (section, bool) {
	var curve, levels []measure.Boundary
	for _, b := range in.Set.Boundaries {
		if b.Of == measure.Immunity {
			curve = append(curve, b)
		} else {
			levels = append(levels, b)
		}
	}
	if len(curve)+len(levels) == 0 {
		return section{}, false
	}
	s := section{ID: "immunity", Heading: "Immunity to dips", Shown: []*table{boundaryTable(in)}}
	s.Words = append(s.Words, immunityWords(in, curve), "Each boundary lies between the nearest trial that the device ran through and the nearest that it did not. "+
		"Voltages are those seen at its pins. Bars are brackets; trials close to them are not drawn. Dips are of low impedance: the device's own capacitors are drained.")
	if w := levelWords(levels); w != "" {
		s.Words = append(s.Words, w)
	}
	if len(curve) > 0 {
		s.Plots = []plot{immunityPlot(in, curve)}
		s.Legend = either("ran on", "restarted, or stopped")
	}
	return s, true
}

// immunityWords says how deep a dip may be at every width.
func immunityWords(in Input, curve []measure.Boundary) string {
	worst, known := measure.Boundary{}, false
	for _, b := range curve {
		switch {
		case !b.HasHeld:
			return fmt.Sprintf("At %s the device rode through none of the dips that were tried.", span(b.Width))
		case !known || b.Held > worst.Held:
			worst, known = b, true
		}
	}
	if !known {
		return "No dips of a set width were made; the levels at which the device stops and starts are below."
	}
	text := fmt.Sprintf("At every width from %s to %s the device ran through dips down to %s (%s of its supply)", span(curve[0].Width), span(curve[len(curve)-1].Width),
		volts(worst.Held), ofSupply(in, worst.Held))
	if worst.HasFailed {
		text += fmt.Sprintf("; at %s it no longer ran through %s", span(worst.Width), volts(worst.Failed))
	}
	text += "."
	for _, r := range resultsOf(in, measure.Immunity) {
		text += " The limit " + limitText(r.Limit) + " " + outcomes[r.Verdict] + "."
	}
	return text
}

func ofSupply(in Input, nV int64) string {
	return rig.Significant(100*float64(nV)/float64(max(int64(in.Header.Device.Supply), 1)), 3) + " %"
}

// levelWords says where it stops, starts, and how long it lives on its own.
func levelWords(levels []measure.Boundary) string {
	var parts []string
	var stop, start *measure.Boundary
	for i := range levels {
		b := &levels[i]
		if !b.HasHeld || !b.HasFailed {
			continue
		}
		switch b.Of {
		case measure.DropOut:
			stop = b
			parts = append(parts, fmt.Sprintf("Held at a level it stops between %s and %s.", volts(b.Lower()), volts(b.Upper())))
		case measure.Recovery:
			start = b
			parts = append(parts, fmt.Sprintf("On the way up it starts between %s and %s.", volts(b.Lower()), volts(b.Upper())))
		case measure.RideThrough:
			parts = append(parts, fmt.Sprintf("With its supply line open it runs on for %s to %s.", span(time.Duration(b.Lower())), span(time.Duration(b.Upper()))))
		}
	}
	if stop != nil && start != nil {
		mid := func(b *measure.Boundary) int64 { return (b.Held + b.Failed) / 2 }
		parts = append(parts, fmt.Sprintf("Its hysteresis is about %s.", volts(mid(start)-mid(stop))))
	}
	return strings.Join(parts, " ")
}

// immunityPlot is residual voltage over duration.
func immunityPlot(in Input, curve []measure.Boundary) plot {
	p := plot{ID: "immunity-curve", Title: "Immunity curve: what is left of the supply in a dip, by the dip's width", Height: 260, Desc: immunityWords(in, curve)}
	x := newLogAxis(float64(curve[0].Width), float64(curve[len(curve)-1].Width), rig.Second)
	y := newAxis(0, 1.05*float64(in.Header.Device.Supply), rig.Volt, 6)
	p.xLog(x, "width of the dip (logarithmic)")
	p.yTicks(y, "rail during the dip")
	p.Marks = dipMarks(in, curve, x, y, p)
	p.Traces = append(p.Traces, boundaryLine(curve, x, y, p.Height), brackets(curve, x, y, p.Height))
	for _, r := range resultsOf(in, measure.Immunity) {
		p.across(y.at(float64(r.Limit.Value)), "limit "+limitText(r.Limit), "limit")
	}
	if d := float64(in.Header.Device.DropOut); d > 0 {
		p.across(y.at(d), "claimed "+quantity(d, rig.Volt), "claim")
	}
	return p
}

// crowded is how near to the end of a bracket, as a share of the supply, a trial
// is not drawn: the bracket stands for it.
const crowded = 0.05

// dipMarks are the trials that are not on a bracket's end.
func dipMarks(in Input, curve []measure.Boundary, x logAxis, y axis, p plot) []mark {
	var list []mark
	for _, t := range in.Set.Trials {
		d := t.Spec.Dip
		if d == nil || t.Dip == nil || t.Verdict == verdict.Inconc || d.Source == rig.HighImpedance || d.Shape != rig.VoltageDip && d.Shape != rig.Interruption {
			continue
		}
		v := float64(t.Dip.Lowest) * 1e6
		if slices.ContainsFunc(curve, func(b measure.Boundary) bool {
			room := crowded * float64(in.Header.Device.Supply)
			return b.Width == d.Width && b.HasHeld && b.HasFailed && v > float64(b.Lower())-room && v < float64(b.Upper())+room
		}) {
			continue
		}
		list = append(list, mark{X: pct(x.at(float64(d.Width))), Y: num(p.y(y.at(v))), Symbol: yes(!t.Dip.Restarted), Text: trialText(t)})
	}
	return list
}

// boundaryLine goes through the middles of the brackets.
func boundaryLine(curve []measure.Boundary, x logAxis, y axis, height float64) trace {
	path := pen{height: height}
	started := false
	for _, b := range curve {
		v := float64(b.Held)
		switch {
		case !b.HasHeld:
			continue
		case b.HasFailed:
			v = float64(b.Held)/2 + float64(b.Failed)/2
		}
		if !started {
			path.move(x.at(float64(b.Width)), y.at(v))
			started = true
		} else {
			path.line(x.at(float64(b.Width)), y.at(v))
		}
	}
	return trace{path.path(), "data"}
}

// brackets are bars with ends.
func brackets(curve []measure.Boundary, x logAxis, y axis, height float64) trace {
	path := pen{height: height}
	const half = 0.008
	for _, b := range curve {
		if !b.HasHeld || !b.HasFailed {
			continue
		}
		at, lo, hi := x.at(float64(b.Width)), y.at(float64(b.Lower())), y.at(float64(b.Upper()))
		path.move(at, lo)
		path.v(hi)
		for _, end := range []float64{lo, hi} {
			path.move(math.Max(0, at-half), end)
			path.h(at + half)
		}
	}
	return trace{path.path(), "lead"}
}

// boundaryTable lists every boundary with its bracket.
func boundaryTable(in Input) *table {
	t := &table{Caption: "Boundaries and their brackets", Head: []column{
		{"what", false}, {"width", true}, {"held at", true}, {"not held at", true}, {"of supply", true}, {"trials", true}, {"", false}}}
	for _, b := range in.Set.Boundaries {
		value := func(v int64, has bool) string {
			switch {
			case !has:
				return "none"
			case b.Of == measure.RideThrough:
				return span(time.Duration(v))
			}
			return volts(v)
		}
		width, share, note := "", "", ""
		if b.Width > 0 {
			width = span(b.Width)
		}
		if b.Of != measure.RideThrough && b.HasHeld {
			share = ofSupply(in, b.Held)
		}
		if !b.Sure() {
			note = "outcomes contradict each other"
		}
		t.add(b.Of, width, value(b.Held, b.HasHeld), value(b.Failed, b.HasFailed), share, strconv.Itoa(b.N), note)
	}
	return t
}
