package report

import (
	"cmp"
	"fmt"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// worstTrial picks the trial to show: the worst verdict; of equals, one with
// water, then the latest answer or the heaviest film, then the first. Of
// verdicts, a fail comes before an error, since it is the device that a reader
// wants to see.
func worstTrial(trials []measure.Trial) (measure.Trial, bool) {
	rank := map[verdict.Verdict]int{verdict.None: 0, verdict.Pass: 1, verdict.Inconc: 2, verdict.Error: 3, verdict.Fail: 4}
	if len(trials) == 0 {
		return measure.Trial{}, false
	}
	worst := trials[0]
	wet := func(t measure.Trial) int {
		if t.Spec.Kind == rig.Wet {
			return 1
		}
		return 0
	}
	for _, t := range trials[1:] {
		if cmp.Or(cmp.Compare(rank[t.Verdict], rank[worst.Verdict]), cmp.Compare(wet(t), wet(worst)),
			cmp.Compare(t.Latency, worst.Latency), cmp.Compare(t.Film, worst.Film)) > 0 {
			worst = t
		}
	}
	return worst, true
}

// worstSection draws the lines around the worst trial.
func worstSection(in Input) (section, bool, error) {
	t, ok := worstTrial(in.Set.Trials)
	if !ok || in.Open == nil {
		return section{}, false, nil
	}
	w := windowAround(t)
	if err := w.look(in, t.Begin); err != nil {
		return section{}, false, err
	}
	scopes := w.worthDrawing()
	if len(scopes) == 0 {
		return section{}, false, nil
	}
	p := w.draw(scopes, t)
	p.ID, p.Title, p.Desc = "worst-lines", fmt.Sprintf("Lines and readings around trial %d", t.N), worstWords(t)
	heading := "The worst trial"
	if t.Verdict == verdict.Pass {
		heading = "The last to answer"
	}
	if w.more > 0 {
		w.table.Note = fmt.Sprintf("%d more events are in timeline.vcd.", w.more)
	}
	return section{ID: "worst", Heading: heading, Words: []string{worstWords(t),
		"Lines are drawn as the rig saw them. Where they and the verdict don't agree, trust the lines and doubt the limits."},
		Plots: []plot{p}, Data: w.table}, true, nil
}

func worstWords(t measure.Trial) string {
	text := fmt.Sprintf("Trial %d, %s: %v", t.N, t.Spec.Kind, t.Verdict)
	if t.Reason != "" {
		text += " (" + printable(t.Reason) + ")"
	}
	text += "."
	if t.Latency > 0 {
		text += fmt.Sprintf(" The answer came after %s.", span(t.Latency))
	} else if t.Spec.Kind == rig.Wet && !t.Detected {
		text += " The device did not answer."
	}
	if t.Verdict == verdict.Pass {
		text += " No trial went wrong; of those with water this one answered last."
	}
	if t.Wetting != nil {
		text += fmt.Sprintf(" Water is known to have arrived from the %s, to within %s (two standard uncertainties).", t.Wetting.Source, span(2*t.Wetting.U))
	}
	return text
}
