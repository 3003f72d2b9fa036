package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"drench/results/lot"
)

// riskPlot is an operating characteristic: the chance of acceptance over the
// quality of the process, with both risks marked.
type riskPlot struct {
	Line    string // path in a box 1000 wide
	X, Y    []axisTick
	Dots    []riskDot
	Caption string
	Rows    []lot.Risk
}

// axisTick is a place on an axis, along x in percent, along y in pixels.
type axisTick struct{ At, Text, Anchor string }

// riskDot is a risk on the curve.
type riskDot struct{ X, Y, TextY, Text, Anchor string }

const (
	riskTop    = 58
	riskHeight = 200
	riskBase   = riskTop + riskHeight
)

// Sizes that the template draws with.
func (riskPlot) Top() int    { return riskTop }
func (riskPlot) Height() int { return riskHeight }
func (riskPlot) Base() int   { return riskBase }
func (riskPlot) Ticks() int  { return riskBase + 16 }
func (riskPlot) Name() int   { return riskBase + 34 }
func (riskPlot) Full() int   { return riskBase + 40 }

func newRiskPlot(l *lot.Lot) (riskPlot, error) {
	curve, err := l.Curve(101)
	if err != nil {
		return riskPlot{}, err
	}
	risks, err := l.Risks()
	if err != nil {
		return riskPlot{}, err
	}
	step, end := roundAxis(curve[len(curve)-1].Quality)
	p := riskPlot{Caption: riskCaption(risks)}
	x := func(q float64) float64 { return q / end }
	y := func(accept float64) float64 { return riskTop + riskHeight*(1-accept) }
	var line strings.Builder
	for i, r := range curve {
		fmt.Fprintf(&line, "%c%s %s", "ML"[min(i, 1)], num(1000*x(r.Quality)), num(y(r.Accept)-riskTop))
		if i%10 == 0 {
			p.Rows = append(p.Rows, r)
		}
	}
	p.Line = line.String()
	for i := range 6 {
		p.Y = append(p.Y, axisTick{At: num(y(float64(i) / 5)), Text: percent(float64(i) / 5)})
	}
	for i := 0; float64(i)*step <= end*(1+1e-9); i++ {
		at := x(float64(i) * step)
		p.X = append(p.X, axisTick{num(100 * at), percent(float64(i) * step), ends(at)})
	}
	for i, r := range risks {
		d := riskDot{X: num(100 * x(r.Quality)), Y: num(y(r.Accept)), TextY: strconv.Itoa(34 + 16*i), Anchor: "start"}
		if x(r.Quality) > 0.5 {
			d.Anchor = "end"
		}
		if d.Text = fmt.Sprintf("consumer’s risk %s at %s", percent(r.Accept), percent(r.Quality)); i == 0 {
			d.Text = fmt.Sprintf("producer’s risk %s at %s", percent(1-r.Accept), percent(r.Quality))
		}
		p.Dots = append(p.Dots, d)
	}
	return p, nil
}

// roundAxis are the step between ticks and the end of an axis that holds a
// quality: 1, 2 or 5 times a power of ten, up to five steps of it.
func roundAxis(q float64) (step, end float64) {
	step = math.Pow(10, math.Floor(math.Log10(q/5)))
	for _, m := range []float64{1, 2, 5, 10} {
		if 5*m*step >= q*(1-1e-9) {
			step *= m
			break
		}
	}
	return step, step * math.Ceil(q/step-1e-9)
}

// ends keeps the text of a tick within the drawing.
func ends(at float64) string {
	switch {
	case at < 0.01:
		return "start"
	case at > 0.99:
		return "end"
	}
	return "middle"
}

// percent prints a fraction to three digits.
func percent(v float64) string { return strconv.FormatFloat(100*v, 'g', 3, 64) + " %" }

// Percent is percent for templates.
func (riskPlot) Percent(v float64) string { return percent(v) }

// riskCaption says what to conclude.
func riskCaption(risks []lot.Risk) string {
	text := ""
	for i, r := range risks {
		if i == 0 {
			text = fmt.Sprintf("A process with %s nonconforming is accepted, and rejected by bad luck %s of the time (producer’s risk). ", percent(r.Quality), percent(1-r.Accept))
		} else {
			text += fmt.Sprintf("A process with %s still gets through %s of the time (consumer’s risk). ", percent(r.Quality), percent(r.Accept))
		}
	}
	return text + "To tell the two apart better takes a larger sample."
}
