package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"drench/results/compare"
	"drench/results/limits"
	"drench/results/report"
	"drench/rig"
)

// trendPlot is a measure over the nights. Places along x are percentages, so
// that text keeps its size on a narrow screen; y is in pixels.
type trendPlot struct {
	ID, Title string
	compare.Series
	Y      []tick
	Dots   []dot
	Line   string // path through the values, in a box 1000 wide
	Rules  []rule // limits, and the mean of the baseline
	Marks  []rule // upright: alarms
	BaseTo string // where the baseline's nights end, in percent
	Rows   []trendRow
}

const (
	trendTop    = 24
	trendHeight = 150
	trendBase   = trendTop + trendHeight
)

// Sizes that the template draws with.
func (trendPlot) Top() int    { return trendTop }
func (trendPlot) Height() int { return trendHeight }
func (trendPlot) Base() int   { return trendBase }
func (trendPlot) Full() int   { return trendBase + 28 }

type tick struct{ Y, Text string }

// dot is a night, with the whisker of two standard errors.
type dot struct {
	X, Y, Low, High, Text string
	Whisker               bool
	Alarm                 bool
}

type rule struct{ X, Y, TextY, Text, Class, Anchor string }

type trendRow struct{ Night, Value, N, Note string }

// newTrendPlot draws a series; from the first baseline nights on its checks
// compare.
func newTrendPlot(i int, s compare.Series, baseline int, lims []limits.Limit) trendPlot {
	p := trendPlot{ID: fmt.Sprintf("trend-%d", i), Series: s, Title: strings.TrimSpace(s.Measure + " of " + s.Scenario + " " + s.Setting)}
	a := trendAxis(s, lims)
	for v := a.lo; v <= a.hi*(1+1e-9); v += a.step {
		p.Y = append(p.Y, tick{num(a.y(v)), compare.Format(v, s.Unit)})
	}
	var path strings.Builder
	for i, pt := range s.Points {
		x := (float64(i) + 0.5) / float64(len(s.Points))
		fmt.Fprintf(&path, "%s%s %s", cond(i == 0, "M", "L"), num(1000*x), num(a.y(pt.Value)-trendTop))
		p.addDot(x, pt, a)
	}
	p.Line = path.String()
	if baseline > 0 && baseline < len(s.Points) {
		p.BaseTo = num(100 * float64(baseline) / float64(len(s.Points)))
	}
	p.addRules(a, lims)
	return p
}

func (p *trendPlot) addDot(x float64, pt compare.Point, a valueAxis) {
	d := dot{X: num(100 * x), Y: num(a.y(pt.Value)), Text: fmt.Sprintf("%s: %s from %d", pt.Night, compare.Format(pt.Value, p.Unit), pt.N)}
	if pt.SE > 0 {
		d.Whisker, d.Low, d.High = true, num(a.y(pt.Value-2*pt.SE)), num(a.y(pt.Value+2*pt.SE))
	}
	row := trendRow{Night: pt.Night, Value: compare.Format(pt.Value, p.Unit), N: strconv.Itoa(pt.N)}
	if f := p.Finding; f != nil {
		switch pt.Night {
		case f.Signal:
			d.Alarm, row.Note = true, "alarm"
			p.Marks = append(p.Marks, rule{X: d.X, Text: "alarm", Class: "alarm", Anchor: cond(x > 0.6, "end", "start")})
		case f.Night:
			row.Note = string(f.Shape) + " begins"
		}
	}
	p.Dots, p.Rows = append(p.Dots, d), append(p.Rows, row)
}

func (p *trendPlot) addRules(a valueAxis, lims []limits.Limit) {
	across := func(v float64, text, class string) {
		y := a.y(v)
		p.Rules = append(p.Rules, rule{Y: num(y), TextY: num(y - 4), Text: text, Class: class})
	}
	for _, l := range lims {
		if v := float64(l.Value); v >= a.lo && v <= a.hi {
			across(v, strings.TrimSpace("limit "+l.Statistic+" "+l.Op+" "+compare.Format(v, l.Unit)), "limit")
		}
	}
	if p.Centre > 0 && p.Centre >= a.lo && p.Centre <= a.hi {
		across(p.Centre, "baseline "+compare.Format(p.Centre, p.Unit), "claim")
	}
}

// valueAxis maps values onto pixels from top.
type valueAxis struct{ lo, hi, step float64 }

func (a valueAxis) y(v float64) float64 {
	share := math.Min(1, math.Max(0, (v-a.lo)/(a.hi-a.lo)))
	return trendTop + trendHeight*(1-share)
}

// trendAxis has round steps around all values; a limit within reach is shown
// too.
func trendAxis(s compare.Series, lims []limits.Limit) valueAxis {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range s.Points {
		lo, hi = math.Min(lo, p.Value-2*p.SE), math.Max(hi, p.Value+2*p.SE)
	}
	for _, l := range lims {
		if v := float64(l.Value); v < 2*hi && v > lo/2 {
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	if lo > hi {
		lo, hi = 0, 0
	}
	if lo < 0.6*hi {
		lo = math.Min(0, lo)
	}
	if least := 0.05 * math.Abs(hi); hi-lo < least {
		lo, hi = lo-least, hi+least
	}
	if hi <= lo {
		hi = lo + oneOf(s.Unit)
	}
	unit := scaleOf(s.Unit)
	step := unit * report.RoundStep((hi-lo)/4/unit)
	return valueAxis{math.Floor(lo/step+1e-9) * step, math.Ceil(hi/step-1e-9) * step, step}
}

// oneOf is a span to show when all values are 0.
func oneOf(u rig.Unit) float64 {
	switch u {
	case rig.Level, rig.Chars:
		return 1
	case rig.Proportion:
		return 1e8 // 10 %
	case rig.Hertz:
		return scaleOf(u)
	}
	return 1e9
}

// scaleOf is what values are printed in multiples of, if that is no power of
// ten.
func scaleOf(u rig.Unit) float64 {
	if u == rig.Hertz {
		return 1e9 / 3600 // per h
	}
	return 1
}

// num prints a coordinate to a tenth.
func num(v float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
}

func cond(is bool, yes, no string) string {
	if is {
		return yes
	}
	return no
}
