package report

import (
	"math"
	"slices"
	"strconv"
	"strings"
)

// A plot is drawn as SVG that keeps its text and marks at their size whatever
// its width: places along x are percentages, along y pixels, and only the
// traces are stretched, from a box 1000 wide. Labels of the y axis stand
// inside, on their grid lines, so that nothing is lost of a narrow screen.
type plot struct {
	ID           string  // unique on the page
	Title        string  // accessible name
	Desc         string  // accessible description: what it shows, in words
	Height       float64 // of the field that traces are drawn in
	Head         float64 // lines of labels over it, besides the y axis's name
	XName, YName string
	X, Y         []guide // grid lines with their labels
	Bands        []band
	Traces       []trace
	Rules        []guide // limits and other lines that mean something
	Marks        []mark
	Labels       []guide // bare text

	taken []float64 // where horizontal rules have their labels
}

// guide is a line across the plot, or only its label. X is in percent, Y in
// pixels; which of them counts depends on where it is used.
type guide struct {
	X, Y   string
	Text   string
	Class  string
	Anchor string // of the text: start, middle, end
	Across bool   // a horizontal rule
	TextY  string // where a rule has its label
}

// band is a shaded stretch of x.
type band struct{ X, Width, Class string }

// trace is a path in the box.
type trace struct{ D, Class string }

// mark is a symbol at a place, with the text that names it.
type mark struct{ X, Y, Symbol, Text string }

const (
	boxWidth = 1000 // of traces
	topSpace = 22   // pixels over the plot, for the y axis's name
	lowSpace = 40   // pixels under it, for ticks and the x axis's name
	lineStep = 16   // pixels from one line of labels to the next
)

// Full is the drawing's whole height in pixels.
func (p plot) Full() float64 { return p.Base() + lowSpace }

// Top is where the plot begins.
func (p plot) Top() float64 { return topSpace + lineStep*p.Head }

// Base is where the plot ends, TickY and NameY where text under it stands.
func (p plot) Base() float64 { return p.Top() + p.Height }

// TickY is the base line of the x axis's tick labels.
func (p plot) TickY() float64 { return p.Base() + 16 }

// NameY is the base line of the x axis's name.
func (p plot) NameY() float64 { return p.Base() + 34 }

// num prints a coordinate to a hundredth.
func num(v float64) string {
	s := strconv.FormatFloat(v, 'f', 2, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

// pct prints a share of the width; what lies outside stays at the edge.
func pct(v float64) string { return num(100 * math.Min(1, math.Max(0, v))) }

// anchor keeps the text at a place within the drawing.
func anchor(at float64) string {
	switch {
	case at < 0.04:
		return "start"
	case at > 0.96:
		return "end"
	}
	return "middle"
}

// xTicks marks the x axis.
func (p *plot) xTicks(a axis, name string) {
	p.XName = a.named(name)
	for _, t := range a.ticks() {
		p.X = append(p.X, guide{X: pct(t.At), Text: t.Text, Anchor: anchor(t.At)})
	}
}

// yTicks marks the y axis. The lowest label would stand on the x axis.
func (p *plot) yTicks(a axis, name string) {
	p.YName = a.named(name)
	for i, t := range a.ticks() {
		if i == 0 {
			t.Text = ""
		}
		p.Y = append(p.Y, guide{Y: num(p.y(t.At)), Text: t.Text})
	}
}

// y returns the pixel for a share of the plot's height from below.
func (p *plot) y(share float64) float64 {
	return p.Top() + p.Height*(1-math.Min(1, math.Max(0, share)))
}

// across draws a horizontal rule.
func (p *plot) across(share float64, text, class string) {
	if outside(share) {
		return
	}
	y := p.y(share)
	at := y - 4 // over the rule, or under it where another label is
	if slices.ContainsFunc(p.taken, func(t float64) bool { return math.Abs(t-at) < lineStep-2 }) {
		at = y + lineStep - 3
	}
	p.taken = append(p.taken, at)
	p.Rules = append(p.Rules, guide{Y: num(y), Text: text, Class: class, Across: true, TextY: num(at)})
}

// outside tells whether a place is off the axis, rounding aside.
func outside(share float64) bool { return share < -1e-9 || share > 1+1e-9 }

// upright draws a vertical rule; labels of several are set one under the
// other, over the field if there is room.
func (p *plot) upright(share float64, text, class string) {
	if outside(share) {
		return
	}
	n := 0
	for _, r := range p.Rules {
		if !r.Across {
			n++
		}
	}
	end := "start"
	if share > 0.55 {
		end = "end"
	}
	first := p.Top() + lineStep
	if p.Head > 0 {
		first = topSpace
	}
	p.Rules = append(p.Rules, guide{X: pct(share), Text: text, Class: class, Anchor: end, TextY: num(first + lineStep*float64(n))})
}

// label sets text to the right of a place and over it.
func (p *plot) label(x, y float64, text, class string) {
	p.Labels = append(p.Labels, guide{X: pct(x) + "%", Y: num(p.y(y) - 5), Text: text, Class: class})
}

// pen writes a path in the box from shares of width and height.
type pen struct {
	b      strings.Builder
	height float64
}

func (p *pen) x(share float64) string { return num(boxWidth * math.Min(1, math.Max(0, share))) }

func (p *pen) y(share float64) string {
	return num(p.height * (1 - math.Min(1, math.Max(0, share))))
}

func (p *pen) move(x, y float64) { p.b.WriteString("M" + p.x(x) + " " + p.y(y)) }
func (p *pen) line(x, y float64) { p.b.WriteString("L" + p.x(x) + " " + p.y(y)) }
func (p *pen) h(x float64)       { p.b.WriteString("H" + p.x(x)) }
func (p *pen) v(y float64)       { p.b.WriteString("V" + p.y(y)) }
func (p *pen) close()            { p.b.WriteString("Z") }
func (p *pen) path() string      { return p.b.String() }
