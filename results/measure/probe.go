package measure

import (
	"drench/results/verdict"
	"drench/rig"
)

// probeWatch follows a trial with a dose that may be detected or not. Neither
// is wrong; what can go wrong is that the dose is not known, or that the DUT
// detected before there was water.
type probeWatch struct{ wetWatch }

func (w *probeWatch) finish(t *Trial) []finding {
	t.Drops, t.Detected, t.DetectAt = w.drops, w.seen.ok, w.seen.at
	wet, why := w.wetting()
	t.Wetting = wet
	switch {
	case w.detect != 0:
		return inconclusive(t, notCleared, Threshold)
	case w.early:
		t.set(verdict.Fail, "false alarm: detected before any water was given")
		return append(inconclusive(t, beforeWater, Threshold), finding{measure: FalseAlarms, sure: true})
	case why != "":
		return inconclusive(t, why, Threshold)
	case wet.At >= t.End:
		return inconclusive(t, "the trial ended before the water arrived", Threshold)
	}
	t.U = both(wet.U, w.cal.Stamp.U)
	if w.seen.ok {
		t.Latency = w.seen.at.Sub(wet.At)
	}
	t.set(verdict.Pass, "")
	hit := w.seen.ok && (t.Spec.Within == 0 || t.Latency <= t.Spec.Within)
	return []finding{{measure: Threshold, graded: &Graded{Dose: int64(w.given()), Hit: hit}}}
}

// given is the dose as the gate counted it, or as asked where nothing counts.
func (w *probeWatch) given() rig.Volume {
	if drop := w.cal.Drip.Drop; w.drops > 0 && drop > 0 {
		return rig.Volume(w.drops) * drop
	}
	return w.spec.Dose
}
