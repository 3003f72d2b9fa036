package measure

import (
	"fmt"

	"drench/results/verdict"
	"drench/rig"
)

// quietWatch follows a dry or decoy trial: the DUT must stay quiet.
type quietWatch struct {
	deaf
	scene
	alarms int
}

func (*quietWatch) dry() bool { return true }

func (w *quietWatch) edge(r role, _ rig.Instant, level int64) {
	if r == detectLine && level != 0 {
		w.alarms++
	}
}

// finish reports no count: alarms on a dry sensor are booked as they come.
func (w *quietWatch) finish(t *Trial) []finding {
	switch {
	case w.alarms > 0:
		t.Detected = true
		t.set(verdict.Fail, fmt.Sprintf("false alarm: detected in a %s trial", w.spec.Kind))
		return []finding{{measure: FalseAlarms, sure: true}}
	case w.detect != 0:
		return inconclusive(t, notCleared, FalseAlarms)
	}
	t.set(verdict.Pass, "")
	return []finding{{measure: FalseAlarms}}
}

// releaseWatch follows a trial in which the sensor is dried, from its beginning
// (the air valve opens) to the detect line's first fall.
type releaseWatch struct {
	deaf
	scene
	clear when
}

func (w *releaseWatch) edge(r role, at rig.Instant, level int64) {
	if r == detectLine && level == 0 {
		w.clear.first(at)
	}
}

func (w *releaseWatch) finish(t *Trial) []finding {
	if w.detect == 0 {
		return inconclusive(t, "the detect line was clear when drying began", ReleaseTime)
	}
	sample := &Sample{Value: int64(w.clear.at.Sub(w.begin)), U: int64(w.cal.Stamp.U)}
	t.Detected, t.DetectAt, t.U = w.clear.ok, w.clear.at, w.cal.Stamp.U
	switch {
	case !w.clear.ok:
		sample.Value, sample.Censored = int64(t.End.Sub(w.begin)), true
		t.set(verdict.Fail, fmt.Sprintf("not cleared within %v", round(t.End.Sub(w.begin))))
	case w.spec.Within > 0 && w.clear.at.Sub(w.begin) > w.spec.Within:
		t.set(verdict.Fail, fmt.Sprintf("cleared after %v, later than %v", round(w.clear.at.Sub(w.begin)), w.spec.Within))
	default:
		t.set(verdict.Pass, "")
	}
	if w.clear.ok {
		t.Latency = w.clear.at.Sub(w.begin)
	}
	return []finding{{measure: ReleaseTime, sample: sample}}
}
