package measure

import (
	"fmt"
	"math"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// Guard is the factor of a guard band for one limit at 95 % probability: the
// 0.95 quantile of the normal distribution (ISO 14253-1:2017 default).
const Guard = 1.6448536269514722

const (
	notCleared  = "the detect line had not cleared"
	beforeWater = "the detect line was on before the water arrived"
)

// inconclusive gives the trial that verdict, if it has no worse one, and says
// that the measures got nothing from it.
func inconclusive(t *Trial, why string, measures ...string) []finding {
	t.set(verdict.Inconc, why)
	list := make([]finding, len(measures))
	for i, m := range measures {
		list[i] = finding{measure: m, doubt: why}
	}
	return list
}

// wetWatch follows a trial in which water is given by drops or spray.
type wetWatch struct {
	deaf
	scene
	witness, gate, pump when
	pumpLag             rig.LagCal
	drops               int
	seen                when // detect edge
	early               bool // it came before any sign of water
}

func (w *wetWatch) dry() bool { return !w.witness.ok && !w.gate.ok && !w.pump.ok }

func (w *wetWatch) edge(r role, at rig.Instant, level int64) {
	if level == 0 {
		return
	}
	switch r {
	case witnessLine:
		w.witness.first(at)
	case gateLine:
		w.gate.first(at)
		w.drops++
	case detectLine:
		if !w.seen.ok {
			w.early = w.dry()
		}
		w.seen.first(at)
	}
}

func (w *wetWatch) command(r role, at rig.Instant, v int64) {
	if v <= 0 || w.pump.ok {
		return
	}
	switch r {
	case dripPump:
		w.pumpLag = rig.LagCal{Lag: w.cal.Drip.Lag, U: w.cal.Drip.LagU}
	case sprayPump:
		w.pumpLag = rig.LagCal{Lag: w.cal.Spray.Lag, U: w.cal.Spray.LagU}
	default:
		return
	}
	w.pump.first(at)
}

// wetting returns when the water arrived by the best source that spoke in the
// trial, or why that can't be said. Where the bench can see water but did not,
// a pump's command alone is not believed.
func (w *wetWatch) wetting() (*Wetting, string) {
	switch {
	case w.witness.ok:
		return &Wetting{w.witness.at.Add(-w.cal.Witness.Lag), both(w.cal.Witness.U, w.cal.Stamp.U), FromWitness}, ""
	case w.gate.ok:
		return &Wetting{w.gate.at.Add(w.cal.Gate.Fall), both(w.cal.Gate.FallU, w.cal.Stamp.U), FromGate}, ""
	case !w.pump.ok:
		return nil, "stimulus not confirmed: no water was commanded and none was seen"
	case w.has[witnessLine] && w.wet != 0:
		return nil, "stimulus not confirmed: the witness electrode was still wet when the trial began"
	case w.has[witnessLine] && w.has[gateLine]:
		return nil, "stimulus not confirmed: the pump ran but neither witness nor drop gate saw water"
	case w.has[witnessLine]:
		return nil, "stimulus not confirmed: the pump ran but the witness saw no water"
	case w.has[gateLine]:
		return nil, "stimulus not confirmed: the pump ran but the drop gate saw no drop"
	}
	return &Wetting{w.pump.at.Add(w.pumpLag.Lag), w.pumpLag.U, FromPump}, ""
}

// dose returns what is wrong with the dose as the gate counted it: it may be
// off by half a drop, three standard uncertainties of the pump's rate, and the
// drop that hangs or falls late.
func (w *wetWatch) dose() string {
	drop := w.cal.Drip.Drop
	if w.drops == 0 || w.spec.Dose <= 0 || drop <= 0 {
		return ""
	}
	got := rig.Volume(w.drops) * drop
	allowed := float64(1.5*float64(drop)) + float64(3*float64(w.cal.Drip.RateU)/1e9*float64(w.spec.Dose))
	if math.Abs(float64(got-w.spec.Dose)) <= allowed {
		return ""
	}
	return fmt.Sprintf("wrong dose: the drop gate counted %d drops, about %v, of %v", w.drops, got, w.spec.Dose)
}

func (w *wetWatch) finish(t *Trial) []finding {
	t.Drops, t.Detected, t.DetectAt = w.drops, w.seen.ok, w.seen.at
	wet, why := w.wetting()
	t.Wetting = wet
	switch {
	case w.detect != 0:
		return inconclusive(t, notCleared, Latency, Missed)
	case w.early:
		t.set(verdict.Fail, "false alarm: detected before any water was given")
		return append(inconclusive(t, beforeWater, Latency, Missed), finding{measure: FalseAlarms, sure: true})
	case why != "":
		return inconclusive(t, why, Latency, Missed)
	case wet.At >= t.End:
		return inconclusive(t, "the trial ended before the water arrived", Latency, Missed)
	}
	t.U = both(wet.U, w.cal.Stamp.U)
	if w.seen.ok {
		t.Latency = w.seen.at.Sub(wet.At)
	}
	if t.Latency < -3*t.U { // beyond what the uncertainty of the wetting instant explains
		t.set(verdict.Fail, fmt.Sprintf("false alarm: detected %v before the water arrived", -t.Latency))
		return append(inconclusive(t, beforeWater, Latency, Missed), finding{measure: FalseAlarms, count: 1, sure: true})
	}
	if why := w.dose(); why != "" {
		return inconclusive(t, why, Latency, Missed)
	}
	return w.judge(t)
}

// judge sets the verdict of a trial whose stimulus is beyond doubt. An answer
// that comes too late is a miss, but its latency is known; without an answer
// the latency is censored at the end of the trial.
func (w *wetWatch) judge(t *Trial) []finding {
	latency := &Sample{Value: int64(t.Latency), U: int64(t.U)}
	missed := finding{measure: Missed}
	switch {
	case !t.Detected:
		latency.Value, latency.Censored = int64(t.End.Sub(t.Wetting.At)), true
		t.set(verdict.Fail, fmt.Sprintf("not detected within %v", round(time.Duration(latency.Value))))
		missed.bad = true
	case t.Spec.Within > 0 && t.Latency > t.Spec.Within:
		t.set(verdict.Fail, fmt.Sprintf("detected after %v, later than %v", round(t.Latency), t.Spec.Within))
		missed.bad = true
	default:
		t.set(verdict.Pass, "")
	}
	return []finding{{measure: Latency, sample: latency}, missed}
}

// round makes a duration readable.
func round(d time.Duration) time.Duration { return d.Round(100 * time.Microsecond) }
