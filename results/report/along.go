package report

import (
	"fmt"
	"math"
	"slices"
	"time"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// into returns the time since the run began.
func into(in Input, t rig.Instant) time.Duration { return t.Sub(in.Set.Begin) }

// runAxis is the run's time, the same for every plot along it.
func runAxis(in Input) axis { return timeAxis(float64(into(in, in.Set.End)), 6) }

const runAxisName = "time in the run"

// heartbeatSection draws the longest gap of each stretch of the run.
func heartbeatSection(in Input) (section, bool) {
	if len(in.Set.Beats) == 0 {
		return section{}, false
	}
	s := section{ID: "heartbeat", Heading: "Heartbeat", Words: beatWords(in)}
	x := runAxis(in)
	highest := float64(in.Header.Device.Heartbeat)
	for _, b := range in.Set.Beats {
		highest = math.Max(highest, float64(b.Value))
	}
	results := resultsOf(in, measure.BeatGap)
	for _, r := range results {
		highest = math.Max(highest, math.Min(float64(r.Limit.Value), 2*highest))
	}
	y := newAxis(0, 1.1*highest, rig.Second, 4)
	p := plot{ID: "heartbeat-gaps", Title: "Longest time between two heartbeat edges, along the run", Desc: s.Words[0], Height: 150}
	p.xTicks(x, runAxisName)
	p.yTicks(y, "longest gap")
	p.Traces = append(p.Traces, pointTrace(in, in.Set.Beats, x, y, p.Height))
	if claimed := in.Header.Device.Heartbeat; claimed > 0 {
		p.across(y.at(float64(claimed)), "claimed "+span(claimed), "claim")
	}
	for _, r := range results {
		if r.Limit.Statistic == "sd" {
			continue
		}
		p.across(y.at(float64(r.Limit.Value)), "limit "+limitText(r.Limit), "limit")
	}
	s.Plots = []plot{p}
	s.Data = pointTable("Longest gaps along the run", rig.Second, in, in.Set.Beats)
	return s, true
}

func beatWords(in Input) []string {
	longest := in.Set.Beats[0]
	for _, b := range in.Set.Beats {
		if b.Value > longest.Value {
			longest = b
		}
	}
	if m := in.Set.Find(measure.BeatGap); m != nil && m.Summary != nil {
		longest = measure.Point{At: m.Summary.MaxAt, Value: m.Summary.Max}
	}
	claimed := in.Header.Device.Heartbeat
	text := fmt.Sprintf("The longest gap was %s, %s into the run.", quantity(float64(longest.Value), rig.Second), long(into(in, longest.At)))
	broken := slices.ContainsFunc(resultsOf(in, measure.BeatGap), func(r limits.Result) bool { return r.Verdict == verdict.Fail })
	switch {
	case claimed > 0 && longest.Value > int64(claimed)*3/2:
		text += fmt.Sprintf(" The claim is %s, so at least one beat did not come: see what the rig did at that time.", span(claimed))
	case broken:
		text += fmt.Sprintf(" The claim is %s: no beat was missed, but one came later than the limit allows.", span(claimed))
	case claimed > 0:
		text += fmt.Sprintf(" The claim is %s: no beat was missed.", span(claimed))
	}
	words := []string{text}
	if m := in.Set.Find(measure.BeatGap); m != nil && m.Summary != nil {
		words = append(words, fmt.Sprintf("%s, mean %s, standard deviation %s. Gaps are supervised, not the level: a line stuck high is as dead as one stuck low.",
			plural(m.Summary.N, "gap", "gaps"), quantity(m.Summary.Mean, rig.Second), quantity(m.Summary.SD, rig.Second)))
	}
	return words
}

// supplySection draws the rail.
func supplySection(in Input) (section, bool) {
	if len(in.Set.Rail) == 0 {
		return section{}, false
	}
	lo, hi := in.Set.Rail[0].Value, in.Set.Rail[0].Value
	for _, r := range in.Set.Rail {
		lo, hi = min(lo, r.Value), max(hi, r.Value)
	}
	s := section{ID: "supply", Heading: "Supply", Words: []string{railWords(in)}}
	x := runAxis(in)
	least := math.Min(float64(lo), float64(in.Header.Device.DropOut))
	y := newAxis(0.9*least, 1.05*math.Max(float64(hi), float64(in.Header.Device.Supply)), rig.Volt, 4)
	p := plot{ID: "supply-rail", Title: "Rail at the device's pins, along the run", Desc: s.Words[0], Height: 150}
	p.xTicks(x, runAxisName)
	p.yTicks(y, "rail")
	p.Traces = append(p.Traces, pointTrace(in, in.Set.Rail, x, y, p.Height))
	if d := float64(in.Header.Device.DropOut); d > 0 {
		p.across(y.at(d), "claimed to stop below "+quantity(d, rig.Volt), "claim")
	}
	s.Plots = []plot{p}
	s.Data = pointTable("Rail along the run", rig.Volt, in, in.Set.Rail)
	return s, true
}

func railWords(in Input) string {
	lo, hi := heldRail(in)
	text := fmt.Sprintf("Once on, the rail was between %s and %s.", volts(lo), volts(hi))
	if slices.ContainsFunc(in.Set.Trials, func(t measure.Trial) bool { return t.Spec.Dip != nil }) {
		return text + " It was taken down on purpose; what each disturbance reached is in the table of dips."
	}
	if d := int64(in.Header.Device.DropOut); d > 0 && lo < d {
		return text + " That is under what the device needs: if it was not taken off on purpose, its silence there proves nothing."
	}
	return text + " It held, so the device had its supply throughout."
}

// volts prints a rail to the millivolt.
func volts(nano int64) string { return decimal((nano+5e5)/1e6, 3) + " V" }

// heldRail returns the bounds of the rail without its rise at the beginning
// and its fall at the end.
func heldRail(in Input) (lo, hi int64) {
	points := in.Set.Rail
	on := func(p measure.Point) bool { return p.Value >= int64(in.Header.Device.DropOut) }
	if first := slices.IndexFunc(points, on); first >= 0 {
		points = points[first:]
		for !on(points[len(points)-1]) {
			points = points[:len(points)-1]
		}
	}
	lo, hi = points[0].Value, points[0].Value
	for _, p := range points {
		lo, hi = min(lo, p.Value), max(hi, p.Value)
	}
	return lo, hi
}

// mostRows is how many rows a table has at most; the machine-readable files
// have them all.
const mostRows = 2000

// pointTrace draws points along the run, each holding until the next.
func pointTrace(in Input, points []measure.Point, x, y axis, height float64) trace {
	path := pen{height: height}
	for i, p := range points {
		px, py := x.at(float64(into(in, p.At))), y.at(float64(p.Value))
		if i == 0 {
			path.move(px, py)
		} else {
			path.h(px)
			path.v(py)
		}
	}
	return trace{path.path(), "data"}
}

// stretchRows is how many stretches a table of points has at most.
const stretchRows = 50

// pointTable says in rows what pointTrace draws, each row standing for
// several points.
func pointTable(caption string, u rig.Unit, in Input, points []measure.Point) *table {
	t := &table{Caption: caption, Narrow: true, Head: []column{{"from, s into the run", true}, {"to", true}, {"least", true}, {"greatest", true}}}
	each := (len(points) + stretchRows - 1) / stretchRows
	for some := range slices.Chunk(points, each) {
		lo, hi := some[0].Value, some[0].Value
		for _, p := range some {
			lo, hi = min(lo, p.Value), max(hi, p.Value)
		}
		t.add(decimal(int64(into(in, some[0].At))/1e6, 3), decimal(int64(into(in, some[len(some)-1].At))/1e6, 3),
			quantity(float64(lo), u), quantity(float64(hi), u))
	}
	return t
}

// filmSection draws the condensed mass at which each trial was detected.
func filmSection(in Input) (section, bool) {
	t := &table{Caption: "Film at detection, by trial", Head: []column{{"trial", true}, {"must be detected at", true}, {"film", true}, {"detected", false}, {"verdict", false}}}
	p := plot{ID: "film-masses", Title: "Film mass at detection, by trial", Height: 170}
	var highest float64
	var list []measure.Trial
	for _, tr := range in.Set.Trials {
		if tr.Spec.Kind == rig.Wet && tr.Spec.Film > 0 {
			list = append(list, tr)
			highest = math.Max(highest, math.Max(float64(tr.Film), float64(tr.Spec.Film)))
		}
	}
	if len(list) == 0 {
		return section{}, false
	}
	late := 0
	y := newAxis(0, 1.1*highest, rig.FilmMass, 4)
	for i, tr := range list {
		x := (float64(i) + 0.5) / float64(len(list))
		p.Marks = append(p.Marks, mark{X: pct(x), Y: num(p.y(y.at(float64(tr.Film)))), Symbol: tr.Verdict.String(), Text: trialText(tr)})
		if len(list) <= 40 {
			p.X = append(p.X, guide{X: pct(x), Text: fmt.Sprint(tr.N), Anchor: "middle"})
		}
		if !tr.Detected || tr.Film > tr.Spec.Film {
			late++
		}
		t.addRow("", cell{Text: fmt.Sprint(tr.N)}, cell{Text: tr.Spec.Film.String()}, cell{Text: tr.Film.String()}, cell{Text: yesNo(tr.Detected)}, verdictCell(tr.Verdict))
	}
	p.XName = "trial, in order"
	p.yTicks(y, "film")
	p.across(y.at(float64(list[0].Spec.Film)), "must be detected at "+list[0].Spec.Film.String(), "claim")
	for _, r := range resultsOf(in, measure.Film) {
		p.across(y.at(float64(r.Limit.Value)), "limit "+limitText(r.Limit), "limit")
	}
	words := fmt.Sprintf("All %s detected the film before it weighed what it must.", plural(len(list), "trial", "trials"))
	if late > 0 {
		words = fmt.Sprintf("%d of %s did not detect the film before it weighed what it must.", late, plural(len(list), "trial", "trials"))
	}
	p.Desc = words
	return section{ID: "film", Heading: "Film", Words: []string{words, "Film mass is computed from air, humidity and plate temperature; its uncertainty is in the calibration below."},
		Plots: []plot{p}, Data: t}, true
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
