package measure

import (
	"fmt"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// riseWatch follows a trial in which the supply goes down until the DUT has
// stopped, up to a level, and only then to its own again: does the DUT start at
// the level? The commands to the supply tell the stages apart.
type riseWatch struct {
	supplyWatch
	stage    int         // commands to the supply so far
	since    rig.Instant // of the last
	low      bool        // the DUT beat at the low level, later than it may
	started  bool        // it beat at the level
	level    Point       // last reading of the rail at the level
	hasLevel bool
	revived  bool // it beat at the end
}

// Stages of a rise.
const (
	goneDown = 1 + iota
	atLevel
	goneUp
)

// falling is how long after the command a DUT on a falling rail may still
// beat: the supply's link, its slew and the DUT's own capacitors.
const falling = time.Second

func (w *riseWatch) command(r role, at rig.Instant, v int64) {
	w.supplyWatch.command(r, at, v)
	if r == supplySet {
		w.stage, w.since = w.stage+1, at
	}
}

func (w *riseWatch) edge(r role, at rig.Instant, level int64) {
	switch {
	case r == detectLine:
		w.detectEdge(level)
	case r != heartLine:
	case w.stage == goneDown && at > w.since.Add(falling):
		w.low = true
	case w.stage == atLevel:
		w.started = true
	case w.stage == goneUp:
		w.revived = true
	}
}

func (w *riseWatch) reading(r role, at rig.Instant, v int64) {
	if r != railGauge {
		return
	}
	w.rail.reading(at, v)
	if w.stage == atLevel {
		w.level, w.hasLevel = Point{at, v}, true
	}
}

func (w *riseWatch) finish(t *Trial) []finding {
	doubt := w.stimulus()
	if w.rail.known {
		t.Dip = w.rail.seen(true)
		t.Dip.Level, t.Dip.Started = rig.Millivolt((w.level.Value+5e5)/1e6), w.started
	}
	list := w.common(t, doubt)
	if doubt != "" {
		t.set(verdict.Inconc, doubt)
		return append(list, finding{measure: NotRecovered, doubt: doubt})
	}
	if !w.revived {
		t.set(verdict.Fail, fmt.Sprintf("no heartbeat after the supply was back at %v", volts(nanovolt(w.spec.Dip.From))))
	}
	t.set(verdict.Pass, "")
	return append(list, finding{measure: NotRecovered, bad: !w.revived})
}

// stimulus says why the rise shows nothing, if so.
func (w *riseWatch) stimulus() string {
	switch {
	case w.stage < goneUp:
		return "the supply was not taken down, up to the level, and back"
	case !w.hasLevel:
		return "the rail was not read at the level"
	case w.low:
		return fmt.Sprintf("the device did not stop at %v, so nothing shows whether it would start", volts(nanovolt(w.spec.Dip.Low)))
	case w.backfed:
		return "the rail is fed from elsewhere"
	}
	return ""
}
