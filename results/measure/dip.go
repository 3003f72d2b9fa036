package measure

import (
	"fmt"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// A heart is in step while its beats come at no less than early and no more
// than pauseFactor times the DUT's interval.
const (
	early       = 0.75
	pauseFactor = 1.5
)

// supplyWatch is what all supply disturbances have in common.
type supplyWatch struct {
	scene
	rail     railTrack
	backfed  bool
	dark     bool // the supply is off on purpose: lines say nothing
	alarms   int  // rises of a detect line that was clear
	restart  bool
	settings bool   // a settings line came
	unheard  bool   // the DUT may have printed them while its UART was let go
	lost     string // what it said that differs from the profile
}

// watchDip returns the watcher for a disturbance.
func watchDip(s scene) watcher {
	if s.spec.Dip == nil {
		return &shapeless{scene: s}
	}
	base := supplyWatch{scene: s, backfed: s.feed.backfed}
	base.rail.mid = (nanovolt(s.spec.Dip.Level) + nanovolt(s.spec.Dip.From)) / 2
	switch s.spec.Dip.Shape {
	case rig.Ramp:
		return newRamp(base)
	case rig.Rise:
		return &riseWatch{supplyWatch: base}
	}
	return &dipWatch{supplyWatch: base, lastBeat: s.before}
}

// shapeless is a dip trial that does not say what disturbance it makes.
type shapeless struct {
	deaf
	scene
}

func (w *shapeless) dry() bool { return w.isDry }

func (w *shapeless) finish(t *Trial) []finding {
	return inconclusive(t, "the trial does not say which disturbance it makes", DipAlarms)
}

func (w *supplyWatch) dry() bool { return w.isDry }

func (w *supplyWatch) detectEdge(level int64) {
	if level != 0 && w.detect == 0 && !w.dark {
		w.alarms++
	}
}

func (w *supplyWatch) mark(name string, _ rig.Instant) {
	switch name {
	case rig.MarkBackfed:
		w.backfed = true
	case rig.MarkOff:
		w.dark = true
	case rig.MarkPowered:
		w.dark = false
	}
}

// command follows the DUT's UART: what restarts while that is let go is not
// heard.
func (w *supplyWatch) command(r role, _ rig.Instant, v int64) {
	if r == uartLink {
		w.letGo = v == 0
		w.unheard = w.unheard || w.restart
	}
}

func (w *supplyWatch) line(l uartLine) {
	w.restart = w.restart || l.banner
	w.settings = w.settings || l.settings
	w.lost = first(w.lost, l.lost)
}

// common sets what all disturbances can fail by, and returns the findings;
// doubt says why the stimulus is not confirmed, if so.
func (w *supplyWatch) common(t *Trial, doubt string) []finding {
	alarm := finding{measure: DipAlarms, doubt: doubt}
	if w.alarms > 0 {
		alarm = finding{measure: DipAlarms, bad: true, sure: true}
		t.set(verdict.Fail, "false alarm: the detect line rose in a supply disturbance")
	}
	list := []finding{alarm}
	switch {
	case w.lost != "":
		t.set(verdict.Fail, "after the disturbance "+w.lost)
	case w.restart && !w.settings && !w.unheard && !w.letGo && w.has[uartText] && len(w.device.Settings) > 0 && w.device.UART.Settings != "":
		list = append(list, finding{measure: SettingsLost, doubt: "the DUT printed no settings after its restart"})
	}
	return list
}

// dipWatch follows a dip, an interruption, or a power cycle, which differ in
// where recovery begins: when the rail comes up through the middle of its two
// levels, or at the mark that says the rail is good. If capacitors held the rail
// above the middle, recovery begins when the switch was told to end the
// disturbance.
type dipWatch struct {
	supplyWatch
	restored when
	lastBeat when
	recovery when // first beat after that
	dead     bool // none came
}

func (w *dipWatch) cycle() bool { return w.spec.Dip.Shape == rig.PowerCycle }

func (w *dipWatch) command(r role, at rig.Instant, v int64) {
	w.supplyWatch.command(r, at, v)
	if ends := r == supplyRelay && v != 0 || r == dipRelay && v == 0; ends && !w.cycle() && !w.rail.up.ok {
		w.restore(at)
	}
}

func (w *dipWatch) reading(r role, at rig.Instant, v int64) {
	if r == railGauge && w.rail.reading(at, v) && !w.cycle() {
		w.restore(w.rail.up.at)
	}
}

func (w *dipWatch) mark(name string, at rig.Instant) {
	w.supplyWatch.mark(name, at)
	if name == rig.MarkPowered && w.cycle() {
		w.restore(at)
	}
}

func (w *dipWatch) restore(at rig.Instant) {
	w.restored, w.recovery = when{at, true}, when{}
	if w.lastBeat.ok && w.lastBeat.at > at {
		w.recovery = w.lastBeat
	}
}

func (w *dipWatch) edge(r role, at rig.Instant, level int64) {
	switch r {
	case detectLine:
		w.detectEdge(level)
	case heartLine:
		w.beat(at)
	}
}

func (w *dipWatch) beat(at rig.Instant) {
	if w.dark {
		return
	}
	if gap, interval := float64(at.Sub(w.lastBeat.at)), float64(w.device.Heartbeat); w.lastBeat.ok && interval > 0 {
		w.restart = w.restart || gap > pauseFactor*interval || gap < early*interval
	}
	w.lastBeat = when{at, true}
	if !w.recovery.ok && (w.cycle() && w.restored.ok || w.back()) {
		w.recovery = when{at, true}
	}
}

// back tells whether the disturbance is over by what the rail last read.
func (w *dipWatch) back() bool {
	return w.restored.ok && !(w.rail.known && float64(w.rail.last.Value) < w.rail.mid)
}

func (w *dipWatch) finish(t *Trial) []finding {
	doubt := w.doubt()
	if doubt == "" && !w.back() {
		doubt = "the rail did not come back"
	}
	if doubt == "" {
		doubt = w.width()
	}
	list := w.recovered(t, doubt)
	if w.rail.known {
		t.Dip = w.rail.seen(w.restart || w.dead)
	}
	list = append(w.common(t, doubt), list...)
	if doubt != "" {
		t.set(verdict.Inconc, doubt)
	}
	t.set(verdict.Pass, "")
	return list
}

// width says that the dip was not as long as asked for, by more than a fifth
// and the shortest time between readings of the rail. On a source of high
// impedance the rail's fall is the DUT's own affair.
func (w *dipWatch) width() string {
	asked := w.spec.Dip.Width
	if w.cycle() || asked == 0 || w.spec.Dip.Source == rig.HighImpedance || (w.rail.below-asked).Abs() <= asked/5+200*time.Microsecond {
		return ""
	}
	return fmt.Sprintf("the rail was down for %v, not for %v", round(w.rail.below), asked)
}

// recovered judges whether the heart beats again.
func (w *dipWatch) recovered(t *Trial, doubt string) []finding {
	if !w.has[heartLine] {
		return nil
	}
	if !w.back() {
		return w.findings(finding{measure: NotRecovered, doubt: doubt}, nil, doubt)
	}
	waited := t.End.Sub(w.restored.at)
	took := w.recovery.at.Sub(w.restored.at)
	u := w.rail.upU
	if !w.rail.up.ok {
		u = w.cal.Supply.Switch
	}
	sample := &Sample{Value: int64(took), U: int64(both(w.cal.Stamp.U, u))}
	late := w.spec.Within > 0 && took > w.spec.Within
	state := finding{measure: NotRecovered, doubt: doubt}
	switch {
	case w.recovery.ok && !late:
	case w.recovery.ok:
		t.set(verdict.Fail, fmt.Sprintf("recovered after %v, later than %v", round(took), w.spec.Within))
		state = finding{measure: NotRecovered, bad: true}
	case waited < max(w.spec.Within, time.Duration(pauseFactor*float64(w.device.Heartbeat))):
		why := "the trial ended before the next heartbeat was due"
		t.set(verdict.Inconc, why)
		return w.findings(finding{measure: NotRecovered, doubt: why}, nil, why)
	default:
		w.dead = true
		sample.Value, sample.Censored = int64(waited), true
		t.set(verdict.Fail, fmt.Sprintf("no heartbeat within %v after the disturbance", round(waited)))
		state = finding{measure: NotRecovered, bad: true}
	}
	return w.findings(state, sample, doubt)
}

// findings adds the time to recover to what became of the DUT. A power cycle's
// is booked as start-up.
func (w *dipWatch) findings(state finding, sample *Sample, doubt string) []finding {
	switch {
	case w.cycle():
		return []finding{state}
	case doubt != "":
		return []finding{state, {measure: DipRecovery, doubt: doubt}}
	}
	return []finding{state, {measure: DipRecovery, sample: sample}}
}
