package report

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// dipSection lists the supply disturbances as asked and as seen, first by
// condition, then one by one.
func dipSection(in Input) (section, bool) {
	var trials []measure.Trial
	restarted := 0
	for _, t := range in.Set.Trials {
		if t.Spec.Dip == nil {
			continue
		}
		trials = append(trials, t)
		if t.Dip != nil && t.Dip.Restarted {
			restarted++
		}
	}
	if len(trials) == 0 {
		return section{}, false
	}
	unproven := len(slices.DeleteFunc(slices.Clone(trials), func(t measure.Trial) bool { return t.Verdict != verdict.Inconc }))
	words := fmt.Sprintf("%s; after %d of them the device started anew.", plural(len(trials), "disturbance", "disturbances"), restarted)
	if unproven > 0 {
		words += fmt.Sprintf(" %d proved nothing, mostly since the rail did not go where it should.", unproven)
	}
	return section{ID: "dips", Heading: "Dips", Words: []string{words,
		"Levels and widths are those at the device's pins. An interruption from a low impedance drains the device's own capacitors, " +
			"one from a high impedance leaves them to it: two different tests (IEC 61000-4-29)."},
		Shown: []*table{conditionTable(trials)}, Data: dipTable(trials)}, true
}

// conditionTable counts the disturbances of each condition.
func conditionTable(trials []measure.Trial) *table {
	t := &table{Caption: "Supply disturbances by condition", Head: []column{
		{"shape", false}, {"level", true}, {"width", true}, {"trials", true}, {"lowest seen", true}, {"restarted", true}, {"pass", true}, {"inconc", true}, {"fail", true}}}
	sorted := slices.Clone(trials)
	order := func(a, b measure.Trial) int {
		x, y := a.Spec.Dip, b.Spec.Dip
		return cmp.Or(cmp.Compare(dipName(x), dipName(y)), cmp.Compare(x.Level, y.Level), cmp.Compare(x.Width, y.Width))
	}
	slices.SortStableFunc(sorted, order)
	for len(sorted) > 0 {
		n := 1
		for n < len(sorted) && order(sorted[0], sorted[n]) == 0 {
			n++
		}
		t.addRow("", conditionRow(sorted[:n])...)
		sorted = sorted[n:]
	}
	return t
}

func conditionRow(same []measure.Trial) []cell {
	d := same[0].Spec.Dip
	counts := map[verdict.Verdict]int{}
	var lowest []rig.Millivolt
	restarted := 0
	for _, t := range same {
		counts[t.Verdict]++
		if t.Dip != nil {
			lowest = append(lowest, t.Dip.Lowest)
			if t.Dip.Restarted {
				restarted++
			}
		}
	}
	row := []cell{{Text: dipName(d)}, {Text: millivolts(d.Level)}, {Text: span(d.Width)}, {Text: strconv.Itoa(len(same))},
		{Text: "not seen"}, {Text: strconv.Itoa(restarted)}}
	if len(lowest) > 0 {
		row[4].Text = millivolts(slices.Min(lowest))
		if most := slices.Max(lowest); most != slices.Min(lowest) {
			row[4].Text += " to " + millivolts(most)
		}
	}
	for _, v := range []verdict.Verdict{verdict.Pass, verdict.Inconc, verdict.Fail} {
		row = append(row, cell{Text: strconv.Itoa(counts[v])})
	}
	return row
}

func dipTable(trials []measure.Trial) *table {
	t := &table{Caption: "Supply disturbances one by one", Head: []column{
		{"trial", true}, {"shape", false}, {"asked", false}, {"lowest seen", true}, {"width seen", true}, {"restarted", false}, {"verdict", false}}}
	for _, tr := range trials[:min(len(trials), mostRows)] {
		d := tr.Spec.Dip
		lowest, width, again := "not seen", "not seen", "not known"
		if seen := tr.Dip; seen != nil {
			lowest, width, again = millivolts(seen.Lowest), span(seen.Width), yesNo(seen.Restarted)
		}
		asked := fmt.Sprintf("%s to %s for %s", millivolts(d.From), millivolts(d.Level), span(d.Width))
		t.addRow("", cell{Text: strconv.Itoa(tr.N)}, cell{Text: dipName(d)}, cell{Text: asked}, cell{Text: lowest}, cell{Text: width},
			cell{Text: again}, verdictCell(tr.Verdict))
	}
	return t
}

func millivolts(v rig.Millivolt) string { return decimal(int64(v), 3) + " V" }

func dipName(d *rig.DipSpec) string {
	if d.Source == "" {
		return string(d.Shape)
	}
	return string(d.Shape) + ", " + string(d.Source) + " impedance"
}
