package measure

import (
	"fmt"
	"math"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// rampWatch finds the voltages at which the DUT stops and starts while its rail
// goes down and up slowly.
//
// A DUT stops some time after its last sign of life (a heartbeat edge or a
// line) and before the next that was due and did not come. So the rail at the
// last sign is the highest that the drop-out voltage can be, and the rail when
// the next sign was due the lowest; the value is their middle, and the
// uncertainty that of a rectangular distribution over them, with the
// readback's. Only the first stop counts.
//
// If its heartbeat line was high, it falls as the DUT stops. An edge that comes
// well before its time, falls, and is the last, is taken for that: the rail was
// at the drop-out voltage then, and the edge is no chatter.
//
// A DUT starts up to its start-up time before its first sign. So the rail at
// the first sign after the last stop is the highest that the recovery voltage
// can be, and the rail a start-up time before the lowest.
//
// A DUT that runs down to the bottom has its drop-out censored there, one that
// does not start again its recovery at the last rail.
type rampWatch struct {
	supplyWatch
	beat, text when          // last beat; last reading line, as it came
	sign       when          // last of any
	grace      time.Duration // for a start-up after the last sign
	fell       bool          // the last sign may be the line falling with the supply
	counted    bool          // and was counted as chatter
	atSign     probe
	atDue      probe
	dead       bool
	dropOut    *Sample
	revived    probe
	earlier    float64 // rail a start-up time before that
	past       history
	detects    burst
	hearts     burst
}

// probe is the rail at an instant, which may still lie ahead.
type probe struct {
	at  rig.Instant
	v   float64
	set bool // an instant is set
	ok  bool // and v is known
}

// reading lets a reading tell the rail up to now.
func (p *probe) reading(last Point, known bool, now Point) {
	if !p.set || p.ok || now.At < p.at {
		return
	}
	p.v, p.ok = float64(now.Value), true
	if known && p.at >= last.At {
		p.v = between(last.At, now.At, float64(last.Value), float64(now.Value), p.at)
	}
}

func newRamp(base supplyWatch) *rampWatch {
	w := &rampWatch{supplyWatch: base, detects: burst{allow: 1, window: time.Second}, hearts: burst{allow: 1, window: time.Second}}
	if beat := base.device.Heartbeat; beat > 0 {
		n := min(max(time.Second/beat, 1), 1e4)
		w.hearts = burst{allow: int(n), window: min(time.Second, time.Duration(early*float64(n*beat)))}
	}
	w.past.window = base.device.StartUp
	if w.before.ok {
		w.beat = w.before
		w.alive(w.before.at, false)
	}
	return w
}

func (w *rampWatch) reading(r role, at rig.Instant, v int64) {
	if r != railGauge {
		return
	}
	now := Point{at, v}
	for _, p := range []*probe{&w.atSign, &w.atDue, &w.revived} {
		p.reading(w.rail.last, w.rail.known, now)
	}
	w.past.add(now)
	w.rail.reading(at, v)
}

func (w *rampWatch) edge(r role, at rig.Instant, level int64) {
	switch r {
	case detectLine:
		w.detectEdge(level)
		w.detects.add(at)
	case heartLine:
		w.heart(at, level)
	}
}

func (w *rampWatch) heart(at rig.Instant, level int64) {
	w.life(at, false)
	w.counted = w.hearts.add(at)
	w.fell = level == 0 && w.beat.ok && float64(at.Sub(w.beat.at)) < early*float64(w.device.Heartbeat)
	w.beat = when{at, true}
	w.alive(at, false)
}

// line takes a line, which may be as late as the bridge makes it: one that may
// have been sent before the last sign of life is no new sign.
func (w *rampWatch) line(l uartLine) {
	w.supplyWatch.line(l)
	if l.reading {
		w.text = when{l.at, true}
	}
	at := l.at.Add(-bridgeLag)
	switch {
	case !w.sign.ok || at > w.sign.at:
	case l.banner:
		at = w.sign.at
	default:
		w.atDue = probe{at: w.due(), set: true}
		return
	}
	w.life(at, l.banner)
	w.fell = false
	w.alive(at, l.banner)
}

// life takes a sign of life: had the DUT stopped before it?
func (w *rampWatch) life(at rig.Instant, banner bool) {
	if w.sign.ok && !w.dead && (banner || w.overdue(at)) {
		w.stop()
	}
	if w.dead {
		w.dead = false
		w.revived = probe{at: at, set: true}
		w.earlier = w.past.at(at.Add(-w.device.StartUp))
	}
}

// interval is the longest that a DUT which runs is silent, 0 if that is not
// known: each of its sources speaks in its own interval.
func (w *rampWatch) interval() time.Duration {
	beat, text := w.device.Heartbeat, w.device.Sampling.Period
	switch {
	case !w.has[heartLine] || beat == 0:
		return text
	case !w.text.ok || text == 0:
		return beat
	}
	return min(beat, text)
}

// overdue tells whether at an instant the DUT has been silent for longer than
// one that runs ever is.
func (w *rampWatch) overdue(at rig.Instant) bool {
	wait := float64(pauseFactor * float64(w.interval()))
	return wait > 0 && float64(at.Sub(w.sign.at)) > wait+float64(w.grace)
}

// alive notes a sign of life. A banner says that the DUT has yet to start.
func (w *rampWatch) alive(at rig.Instant, banner bool) {
	w.sign = when{at, true}
	w.grace = 0
	if banner {
		w.grace = w.device.StartUp
	}
	w.atSign, w.atDue = probe{at: at, set: true}, probe{at: w.due(), set: true}
}

// due is when the next sign had to come at the latest: whichever source was to
// speak first.
func (w *rampWatch) due() rig.Instant {
	due := w.sign.at.Add(w.interval() + w.grace)
	if d := w.beat.at.Add(w.device.Heartbeat); w.beat.ok && d > w.sign.at {
		due = min(due, d)
	}
	if d := w.text.at.Add(w.device.Sampling.Period); w.text.ok && d > w.sign.at {
		due = min(due, d)
	}
	return due
}

// stop books that the DUT stopped after its last sign.
func (w *rampWatch) stop() {
	w.dead = true
	w.revived = probe{}
	if w.fell && w.counted {
		w.hearts.count--
	}
	if w.dropOut != nil || !w.rail.known {
		return
	}
	high, low := w.orLast(w.atSign), w.orLast(w.atDue)
	if w.fell {
		low = high
	}
	w.dropOut = w.within(low, high)
}

// orLast is a probe's voltage, or the last reading if it has none yet.
func (w *rampWatch) orLast(p probe) float64 {
	if p.ok {
		return p.v
	}
	return float64(w.rail.last.Value)
}

// within is a voltage between two, rectangular (JCGM 100, 4.3.7), with the
// readback's uncertainty.
func (w *rampWatch) within(low, high float64) *Sample {
	half := math.Abs(high-low) / 2
	u := both(int64(math.Round(half/math.Sqrt(3))), int64(w.cal.Supply.RailU))
	return &Sample{Value: int64(math.Round((low + high) / 2)), U: u}
}

func (w *rampWatch) finish(t *Trial) []finding {
	if w.sign.ok && !w.dead && w.overdue(t.End) {
		w.stop()
	}
	w.restart = w.restart || w.dropOut != nil
	doubt := w.stimulus()
	if w.rail.known {
		t.Dip = w.rail.seen(w.restart)
	}
	list := w.common(t, doubt)
	if doubt != "" {
		t.set(verdict.Inconc, doubt)
		return append(list, finding{measure: DropOut, doubt: doubt}, finding{measure: NotRecovered, doubt: doubt})
	}
	chatter := finding{measure: Chatter, count: w.detects.count + w.hearts.count}
	return append(append(list, chatter), w.voltages(t)...)
}

// stimulus says why the ramp shows nothing, if so. A ramp on which the DUT
// stopped has gone down far enough.
func (w *rampWatch) stimulus() string {
	switch {
	case !w.rail.known:
		return "the rail was not read"
	case !w.sign.ok:
		return "the DUT gave no sign of life on the ramp"
	case w.dropOut != nil:
		return ""
	}
	return w.doubt()
}

// voltages sets what the ramp found.
func (w *rampWatch) voltages(t *Trial) []finding {
	last := float64(w.rail.last.Value)
	if w.dropOut == nil {
		t.set(verdict.Pass, "")
		s := &Sample{Value: w.rail.lowest, U: int64(w.cal.Supply.RailU), Censored: true}
		return []finding{{measure: DropOut, sample: s}, {measure: NotRecovered}}
	}
	list := []finding{{measure: DropOut, sample: w.dropOut}}
	if w.dead {
		t.set(verdict.Fail, fmt.Sprintf("did not start again up to %v", volts(last)))
		s := &Sample{Value: w.rail.last.Value, U: int64(w.cal.Supply.RailU), Censored: true}
		return append(list, finding{measure: Recovery, sample: s}, finding{measure: NotRecovered, bad: true})
	}
	t.set(verdict.Pass, "")
	return append(list, finding{measure: Recovery, sample: w.within(w.earlier, w.orLast(w.revived))}, finding{measure: NotRecovered})
}

// history keeps the rail over a window of time, thinned.
type history struct {
	window time.Duration
	points []Point
}

func (h *history) add(p Point) {
	const most = 256
	if n := len(h.points); n > 1 && p.At.Sub(h.points[n-2].At) < h.window/most {
		h.points[n-1] = p // the newest is always kept
		return
	}
	h.points = append(h.points, p)
	for len(h.points) > 2 && h.points[1].At <= p.At.Add(-h.window) {
		h.points = h.points[1:]
	}
}

// at interpolates; before and after what is kept it is the nearest reading.
func (h *history) at(t rig.Instant) float64 {
	if len(h.points) == 0 {
		return 0
	}
	before := h.points[0]
	for _, p := range h.points {
		if p.At >= t {
			return between(before.At, p.At, float64(before.Value), float64(p.Value), max(t, before.At))
		}
		before = p
	}
	return float64(before.Value)
}

// burst counts edges that come faster than allow within the window: one of the
// detect line within a second, and as many of the heartbeat as its interval
// makes, with what early allows.
type burst struct {
	allow  int
	window time.Duration
	last   []rig.Instant
	count  int
}

// add takes an edge and tells whether it is one too many.
func (b *burst) add(at rig.Instant) (counted bool) {
	if len(b.last) >= b.allow {
		if counted = at.Sub(b.last[0]) < b.window; counted {
			b.count++
		}
		b.last = b.last[1:]
	}
	b.last = append(b.last, at)
	return counted
}
