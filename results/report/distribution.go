package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// sampled is a measure's samples made ready to draw.
type sampled struct {
	m        *measure.Measure
	values   []float64 // answered, ascending
	censored int
	results  []limits.Result // of its limits
}

func newSampled(in Input, name string) (sampled, bool) {
	s := sampled{m: in.Set.Find(name)}
	if s.m == nil || s.m.Kind != measure.Samples {
		return s, false
	}
	for _, v := range s.m.Samples {
		if v.Censored {
			s.censored++
		} else {
			s.values = append(s.values, float64(v.Value))
		}
	}
	slices.Sort(s.values)
	s.results = resultsOf(in, name)
	return s, len(s.m.Samples) > 0
}

// resultsOf returns the limits on a measure.
func resultsOf(in Input, name string) []limits.Result {
	var list []limits.Result
	for _, r := range in.Judgement.Results {
		if r.Limit.Measure == name {
			list = append(list, r)
		}
	}
	return list
}

// distributions are the measures that have one, and their headings.
var distributions = []struct{ name, heading, axis string }{
	{measure.Latency, "Latency", "from water to detect"},
	{measure.ReleaseTime, "Release", "from drying to clear"},
	{measure.StartUp, "Start-up", "from good rail to first heartbeat"},
	{measure.DipRecovery, "Recovery from dips", "from the dip's end to the next heartbeat"},
	{measure.DropOut, "Drop-out voltage", "rail when the device stopped"},
	{measure.Recovery, "Recovery voltage", "rail when the device started again"},
}

// Fewest samples that are drawn, and fewest that a histogram is drawn of:
// fewer say no more than a list of them, or than their distribution.
const (
	fewestToDraw  = 5
	fewestForBins = 8
)

func distributionSections(in Input) []section {
	var list []section
	for _, d := range distributions {
		s, ok := newSampled(in, d.name)
		if !ok {
			continue
		}
		sec := section{ID: "m-" + slug(d.name), Heading: d.heading, Words: []string{s.conclude()}}
		if len(s.values) < fewestToDraw {
			if len(s.values) > 0 {
				sec.Words = append(sec.Words, s.words())
			}
			sec.Shown = []*table{s.list()}
			list = append(list, sec)
			continue
		}
		var l *law
		if d.name == measure.Latency {
			var why error
			if l, why = fitLaw(in.Header.Device, s.values); why != nil { // the profile gives no period
				sec.Words = append(sec.Words, "No sampling law is drawn: "+strings.TrimPrefix(why.Error(), "stats: ")+".")
			} else {
				sec.Words = append(sec.Words, l.conclude()...)
			}
		}
		sec.Data = s.table()
		sec.Words = append(sec.Words, s.words())
		sec.Plots = s.plots(sec.ID, d.heading, d.axis, l)
		list = append(list, sec)
	}
	return list
}

// conclude says what became of the limits on the measure.
func (s sampled) conclude() string {
	if len(s.values) == 0 {
		return fmt.Sprintf("None of %s was answered in time.", plural(s.censored, "trial", "trials"))
	}
	if len(s.results) == 0 {
		return "No limit is set on it."
	}
	var parts []string
	for _, r := range s.results {
		parts = append(parts, limitText(r.Limit)+" "+outcomes[r.Verdict])
	}
	return "The limit " + strings.Join(parts, ", and ") + "."
}

// outcomes say what a verdict means for a limit.
var outcomes = map[verdict.Verdict]string{
	verdict.Pass: "is met", verdict.Fail: "is broken", verdict.Inconc: "is undecided", verdict.Error: "was not judged for an error", verdict.None: "was not judged",
}

// mostReasons is how many reasons are given before the rest is counted.
const mostReasons = 3

// reasons joins why trials are missing.
func reasons(why []string) string {
	if len(why) <= mostReasons {
		return strings.Join(why, "; ")
	}
	return fmt.Sprintf("%s; and %d more reasons", strings.Join(why[:mostReasons], "; "), len(why)-mostReasons)
}

// words says in sentences what the plots show.
func (s sampled) words() string {
	u := s.m.Unit
	n := len(s.values)
	least, most := quantity(s.values[0], u), quantity(s.values[n-1], u)
	text := fmt.Sprintf("%d values, from %s to %s, half of them up to %s.", n, least, most, quantity(s.values[(n-1)/2], u))
	switch {
	case n == 1:
		text = "One value: " + least + "."
	case least == most:
		text = fmt.Sprintf("%d values, all about %s.", n, least)
	}
	if s.censored > 0 {
		text += fmt.Sprintf(" %s had no answer in time and %s not in the curve.",
			plural(s.censored, "trial", "trials"), isAre(s.censored))
	}
	if s.m.Inconc > 0 {
		text += fmt.Sprintf(" %s could not be measured: %s.", plural(s.m.Inconc, "trial", "trials"), printable(reasons(s.m.Why)))
	}
	if mid := s.medianU(); mid > 0 {
		text += fmt.Sprintf(" Standard uncertainty of one value: %s (median).", difference(mid, u))
	}
	return text
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func (s sampled) medianU() float64 {
	var list []int64
	for _, v := range s.m.Samples {
		list = append(list, v.U)
	}
	slices.Sort(list)
	return float64(list[len(list)/2])
}

func (s sampled) plots(id, title, axisName string, l *law) []plot {
	lo, hi := s.values[0], s.values[len(s.values)-1]
	for _, r := range s.results {
		if v := float64(r.Limit.Value); s.onAxis(r.Limit) && v < 4*hi && v > lo/4 {
			lo, hi = math.Min(lo, 0.98*v), math.Max(hi, 1.02*v) // a limit at the very edge is hard to see
		}
	}
	if l != nil {
		lo, hi = math.Min(lo, math.Max(0, l.fit.From)), math.Max(hi, l.fit.To)
	}
	x := newAxis(lo, hi, s.m.Unit, 6)
	curve := s.curve(id+"-curve", title, x, axisName, l)
	if len(s.values) < fewestForBins {
		return []plot{curve}
	}
	return []plot{s.bars(id+"-bars", title, x, axisName, l), curve}
}

// onAxis tells whether a limit is on the values themselves; one on their
// spread has no place among them.
func (s sampled) onAxis(l limits.Limit) bool { return l.Unit == s.m.Unit && l.Statistic != "sd" }

// limitRules draws the limits of the measure.
func (s sampled) limitRules(p *plot, x axis) {
	for _, r := range s.results {
		if s.onAxis(r.Limit) {
			p.upright(x.at(float64(r.Limit.Value)), "limit "+limitText(r.Limit), "limit")
		}
	}
}

// limitText is a limit without the name of its measure.
func limitText(l limits.Limit) string {
	return printable(strings.TrimSpace(l.Statistic + " " + opSign(l.Op) + " " + quantity(float64(l.Value), l.Unit)))
}

func opSign(op string) string {
	switch op {
	case "<=":
		return "≤"
	case ">=":
		return "≥"
	}
	return op
}

// curve is the empirical distribution, with the law over it.
func (s sampled) curve(id, title string, x axis, axisName string, l *law) plot {
	p := plot{ID: id, Title: title + ": share of values up to a value", Height: 200, Desc: s.words()}
	p.xTicks(x, axisName)
	y := axis{lo: 0, hi: 100, step: 25, scale: 1, symbol: "%"}
	p.yTicks(y, "share of values up to here")
	n := float64(len(s.values))
	steps := pen{height: p.Height}
	steps.move(0, 0)
	for i, v := range s.values {
		if i+1 < len(s.values) && s.values[i+1] == v {
			continue
		}
		steps.h(x.at(v))
		steps.v(float64(i+1) / n)
	}
	steps.h(1)
	if l != nil {
		ramp := pen{height: p.Height}
		ramp.move(0, 0)
		ramp.line(x.at(l.fit.From), 0)
		ramp.line(x.at(l.fit.To), 1)
		ramp.h(1)
		p.Traces = append(p.Traces, trace{ramp.path(), "law"})
		p.label(x.at((l.fit.From+l.fit.To)/2), 0.42, "law of a sampler", "law-text")
	}
	p.Traces = append(p.Traces, trace{steps.path(), "data"})
	s.limitRules(&p, x)
	return p
}

// bars is the histogram, with what the law expects in each bin.
func (s sampled) bars(id, title string, x axis, axisName string, l *law) plot {
	p := plot{ID: id, Title: title + ": histogram", Height: 130, Desc: s.words()}
	p.xTicks(x, axisName)
	bins, width := s.bins(x)
	most := float64(slices.Max(bins))
	expected := 0.0
	if l != nil {
		expected = float64(len(s.values)) * width * x.scale / (l.fit.To - l.fit.From)
	}
	y := newAxis(0, math.Max(most, expected), rig.Level, 3)
	y.step = math.Max(1, y.step)
	p.yTicks(y, "values in a bin")
	bars := pen{height: p.Height}
	for i, c := range bins {
		if c == 0 {
			continue
		}
		from := float64(i) * width / (x.hi - x.lo)
		bars.move(from, 0)
		bars.v(y.at(float64(c)))
		bars.h(from + width/(x.hi-x.lo))
		bars.v(0)
		bars.close()
	}
	p.Traces = append(p.Traces, trace{bars.path(), "bars"})
	if l != nil {
		flat := pen{height: p.Height}
		flat.move(x.at(l.fit.From), 0)
		flat.v(y.at(expected))
		flat.h(x.at(l.fit.To))
		flat.v(0)
		p.Traces = append(p.Traces, trace{flat.path(), "law"})
		p.label(x.at(l.fit.From), y.at(expected), "law of a sampler", "law-text")
	}
	s.limitRules(&p, x)
	return p
}

// bins counts the values in equal bins between the axis's ticks; width is in
// the axis's unit. Their number grows with the root of the number of values.
func (s sampled) bins(x axis) (counts []int, width float64) {
	stretches := math.Round((x.hi - x.lo) / x.step)
	want := 2 * math.Sqrt(float64(len(s.values)))
	n := int(stretches)
	for _, parts := range []float64{2, 4, 5, 10} {
		if stretches*parts <= 1.25*want {
			n = int(stretches * parts)
		}
	}
	counts = make([]int, n)
	for _, v := range s.values {
		counts[min(n-1, max(0, int(x.at(v)*float64(n))))]++
	}
	return counts, (x.hi - x.lo) / float64(n)
}

// list shows every sample.
func (s sampled) list() *table {
	t := &table{Caption: "All values", Narrow: true, Head: []column{{"trial", true}, {"value", true}, {"standard uncertainty", true}}}
	for _, v := range s.m.Samples[:min(len(s.m.Samples), mostRows)] {
		trial, value := "", quantity(float64(v.Value), s.m.Unit)
		if v.Trial > 0 {
			trial = strconv.Itoa(v.Trial)
		}
		if v.Censored {
			value = "not within " + value
		}
		t.add(trial, value, difference(float64(v.U), s.m.Unit))
	}
	return t
}

// table lists the distribution at the places that limits speak of.
func (s sampled) table() *table {
	t := &table{Caption: "The distribution in numbers", Narrow: true, Head: []column{{"share of values", true}, {"up to", true}}}
	n := len(s.values)
	for _, q := range []float64{0, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 1} {
		i := min(n-1, max(0, int(math.Ceil(q*float64(n)-1e-9))-1))
		name := percent(q)
		switch q {
		case 0:
			name = "least"
		case 1:
			name = "greatest"
		}
		t.add(name, quantity(s.values[i], s.m.Unit))
	}
	return t
}
