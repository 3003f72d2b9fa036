package report

import (
	"fmt"
	"slices"
	"strings"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// letters stand for the kinds of trial in their tiles.
var letters = map[rig.TrialKind]string{rig.Wet: "w", rig.Dry: "d", rig.Decoy: "y", rig.Release: "r", rig.Dip: "s", rig.Probe: "p"}

// kindMeaning says what a trial of a kind must show.
var kindMeaning = map[rig.TrialKind]string{
	rig.Wet: "wet, must detect", rig.Dry: "dry, must stay quiet", rig.Decoy: "decoy, must stay quiet",
	rig.Release: "release, must clear", rig.Dip: "supply disturbance",
	rig.Probe: "probe, may detect or not",
}

// trialsSection shows each trial as a mark, and all in a table.
func trialsSection(in Input) (section, bool) {
	trials := in.Set.Trials
	if len(trials) == 0 {
		return section{}, false
	}
	s := section{ID: "trials", Heading: "Trials", Words: trialWords(in)}
	t := &table{Caption: "All trials", Head: []column{{"trial", true}, {"kind", false}, {"stimulus", false}, {"begun, s into the run", true},
		{"water known from", false}, {"answer after", true}, {"verdict", false}}}
	shown := trials[:min(len(trials), mostRows)]
	for _, tr := range shown {
		id := fmt.Sprintf("trial-%d", tr.N)
		s.Tiles = append(s.Tiles, tile{Href: id, Verdict: tr.Verdict.String(), Letter: letters[tr.Spec.Kind], Text: trialText(tr)})
		t.addRow(id, cell{Text: fmt.Sprint(tr.N)}, cell{Text: string(tr.Spec.Kind)}, cell{Text: stimulus(tr)},
			cell{Text: decimal(int64(into(in, tr.Begin))/1e6, 3)}, cell{Text: wettingText(tr)}, answer(tr),
			cell{Verdict: tr.Verdict.String(), Text: tr.Verdict.String(), Small: tr.Reason})
	}
	if len(shown) < len(trials) {
		t.Note = fmt.Sprintf("The first %d of %d trials; trials.csv has them all.", len(shown), len(trials))
	}
	s.Legend = legend(trials)
	s.Shown = []*table{countTable(trials)}
	s.Data = t
	return s, true
}

func trialWords(in Input) []string {
	n, bad := len(in.Set.Trials), 0
	for _, t := range in.Set.Trials {
		if t.Verdict != verdict.Pass {
			bad++
		}
	}
	var text string
	if bad == 0 {
		text = fmt.Sprintf("All %s did what they had to.", plural(n, "trial", "trials"))
	} else {
		text = fmt.Sprintf("%d of %s did not pass.", bad, plural(n, "trial", "trials"))
	}
	planned := 0
	for _, p := range in.Header.Planned {
		planned += p
	}
	switch {
	case planned > n && searched(in):
		text += fmt.Sprintf(" It could have made %d more: the answers decided it before.", planned-n)
	case planned > n:
		text += fmt.Sprintf(" %d more were planned: the run ended early.", planned-n)
	}
	return []string{text, "In the order in which they ran. A row of bad marks points at something that lasted; marks strewn about point at chance."}
}

// searched tells whether the answers themselves said when to stop.
func searched(in Input) bool {
	return in.Set.Interrupted == "" && (len(in.Set.Tests) > 0 || slices.ContainsFunc(in.Set.Trials, func(t measure.Trial) bool {
		d := t.Spec.Dip
		return t.Spec.Kind == rig.Probe || d != nil && (d.Shape == rig.Hold || d.Shape == rig.Rise)
	}))
}

// legend explains the letters and the shapes that occur.
func legend(trials []measure.Trial) []tile {
	kinds, verdicts := map[rig.TrialKind]bool{}, map[verdict.Verdict]bool{}
	for _, t := range trials {
		kinds[t.Spec.Kind], verdicts[t.Verdict] = true, true
	}
	var list []tile
	for _, k := range rig.TrialKinds {
		if kinds[k] {
			list = append(list, tile{Letter: letters[k], Text: kindMeaning[k]})
		}
	}
	for v := verdict.None; v <= verdict.Error; v++ {
		if verdicts[v] {
			list = append(list, tile{Verdict: v.String(), Text: v.String()})
		}
	}
	return list
}

// countTable counts the trials by kind and verdict.
func countTable(trials []measure.Trial) *table {
	t := &table{Caption: "Trials by kind and verdict", Narrow: true, Head: []column{{"kind", false}}}
	counts := map[rig.TrialKind]map[verdict.Verdict]int{}
	for _, tr := range trials {
		if counts[tr.Spec.Kind] == nil {
			counts[tr.Spec.Kind] = map[verdict.Verdict]int{}
		}
		counts[tr.Spec.Kind][tr.Verdict]++
	}
	for v := verdict.None; v <= verdict.Error; v++ {
		t.Head = append(t.Head, column{v.String(), true})
	}
	for _, k := range rig.TrialKinds {
		if counts[k] == nil {
			continue
		}
		cells := []string{string(k)}
		for v := verdict.None; v <= verdict.Error; v++ {
			cells = append(cells, fmt.Sprint(counts[k][v]))
		}
		t.add(cells...)
	}
	return t
}

// trialText names a trial in one line.
func trialText(t measure.Trial) string {
	parts := []string{fmt.Sprintf("trial %d, %s: %v", t.N, t.Spec.Kind, t.Verdict)}
	if s := stimulus(t); s != "" {
		parts = append(parts, s)
	}
	if a := answer(t).Text; a != "" {
		parts = append(parts, "answer after "+a)
	}
	if t.Reason != "" {
		parts = append(parts, printable(t.Reason))
	}
	return strings.Join(parts, "; ")
}

// stimulus says what the trial did to the device.
func stimulus(t measure.Trial) string {
	var parts []string
	add := func(use bool, text string) {
		if use {
			parts = append(parts, text)
		}
	}
	sp := t.Spec
	add(sp.Dose > 0, sp.Dose.String())
	add(sp.Rate > 0, rig.Of(sp.Rate).String())
	add(sp.Film > 0, sp.Film.String())
	if sp.Dip != nil {
		add(true, fmt.Sprintf("%s to %s for %s", dipName(sp.Dip), millivolts(sp.Dip.Level), span(sp.Dip.Width)))
	}
	label := printable(sp.Label)
	for _, p := range parts {
		if p == label {
			label = ""
		}
	}
	add(label != "", label)
	return strings.Join(parts, ", ")
}

func wettingText(t measure.Trial) string {
	if t.Wetting == nil {
		return ""
	}
	return string(t.Wetting.Source)
}

// answer is the latency with its standard uncertainty, if there is one.
func answer(t measure.Trial) cell {
	if t.Latency == 0 {
		return cell{}
	}
	c := cell{Text: span(t.Latency)}
	if t.U > 0 {
		c.Small = "u = " + span(t.U)
	}
	return c
}
