package report

import (
	"fmt"
	"math"

	"drench/results/limits"
	"drench/results/verdict"
)

// limitsSection is the table of what was asked and what was found.
func limitsSection(in Input) section {
	s := section{ID: "limits", Heading: "Limits", Wide: true}
	counts := map[verdict.Verdict]int{}
	t := &table{Caption: "Each limit, and what was found", Head: []column{
		{"verdict", false}, {"limit", false}, {"found", true}, {"bound", true}, {"margin", true}, {"", false}, {"n", true}, {"method", false}}}
	for _, r := range in.Judgement.Results {
		counts[r.Verdict]++
		t.addRow("", verdictCell(r.Verdict), cell{Text: r.Limit.Text, Small: r.Reason}, cell{Text: found(r)},
			bound(r), cell{Text: margin(r)}, cell{Gauge: newGauge(r)}, number(r), cell{Text: r.Method})
	}
	s.Words = append(s.Words, limitsWords(len(in.Judgement.Results), counts))
	if len(t.Rows) > 0 {
		s.Shown = append(s.Shown, t)
		s.Words = append(s.Words, "Bound is the confidence bound, or the value with its guard band, that was held against the limit; "+
			"margin is what it leaves, negative when the limit is broken. In the small drawing the bar is the limit, "+
			"its shaded side is out of bounds, the ring is what was found and the dot is the bound.")
	}
	return s
}

func limitsWords(n int, counts map[verdict.Verdict]int) string {
	if n == 0 {
		return "No limits were given: the trials' own verdicts decide."
	}
	if counts[verdict.Pass] == n {
		return fmt.Sprintf("All %s are met.", plural(n, "limit", "limits"))
	}
	text := fmt.Sprintf("Of %s, %d met", plural(n, "limit", "limits"), counts[verdict.Pass])
	for _, v := range []struct {
		v    verdict.Verdict
		text string
	}{{verdict.Fail, "%d broken"}, {verdict.Inconc, "%d undecided"}, {verdict.Error, "%d not judged for an error"}, {verdict.None, "%d not judged"}} {
		if c := counts[v.v]; c > 0 {
			text += fmt.Sprintf(", "+v.text, c)
		}
	}
	return text + "."
}

func found(r limits.Result) string {
	if !r.HasValue {
		return "none"
	}
	return quantity(r.Value, r.Limit.Unit)
}

func bound(r limits.Result) cell {
	if !r.HasBound {
		return cell{Text: "none"}
	}
	c := cell{Text: quantity(r.Bound, r.Limit.Unit)}
	if r.Limit.Confidence > 0 {
		c.Small = "at " + confidence(r.Limit.Confidence)
	}
	return c
}

// confidence prints a level given as a share or in percent.
func confidence(c float64) string {
	if c <= 1 {
		c *= 100
	}
	return percent(c / 100)
}

func margin(r limits.Result) string {
	if !r.HasBound {
		return "none"
	}
	return difference(r.Margin, r.Limit.Unit)
}

func number(r limits.Result) cell {
	c := cell{Text: fmt.Sprint(r.N)}
	if r.Needed > 0 {
		c.Small = fmt.Sprintf("needs %d", r.Needed)
	}
	return c
}

// gauge draws a limit with what was found: places in percent of the width.
type gauge struct {
	Limit, Found, Bound string // Found and Bound may be "": nothing to show
	ForbiddenX          string
	ForbiddenWidth      string
}

// newGauge returns nil where a limit of zero leaves no scale.
func newGauge(r limits.Result) *gauge {
	limit := float64(r.Limit.Value)
	if limit == 0 || !r.HasValue && !r.HasBound {
		return nil
	}
	end := math.Abs(limit) * 1.5
	for _, v := range []struct {
		has bool
		v   float64
	}{{r.HasValue, r.Value}, {r.HasBound, r.Bound}} {
		if v.has {
			end = math.Max(end, math.Abs(v.v)*1.1)
		}
	}
	at := func(v float64) float64 { return 0.04 + 0.92*math.Min(1, math.Max(0, v/end)) }
	g := &gauge{Limit: pct(at(limit)), ForbiddenX: pct(at(limit)), ForbiddenWidth: pct(1 - at(limit))}
	if r.Limit.Op == ">" || r.Limit.Op == ">=" {
		g.ForbiddenX, g.ForbiddenWidth = "0", g.Limit
	}
	if r.HasValue {
		g.Found = pct(at(r.Value))
	}
	if r.HasBound {
		g.Bound = pct(at(r.Bound))
	}
	return g
}
