package virtual

import (
	"cmp"
	"slices"
	"time"

	"drench/rig"
	"drench/rig/portable"
)

// wires are the input lines and the text stream up to the hands of the rig:
// edges get their stamps here, in the order in which a kernel would report
// them, and may be lost.
type wires struct {
	queue   *queue
	faults  *faults
	cfg     LinesConfig
	stamps  *portable.Rand
	losses  *portable.Rand
	level   []int64       // of each line, by channel
	latest  []rig.Instant // stamp of each channel
	pending []rig.Event   // by instant
}

func newWires(w *world, channels int) *wires {
	return &wires{
		queue: &w.queue, faults: w.faults, cfg: w.cfg.Lines,
		stamps: w.rand("stamps"), losses: w.rand("losses"),
		level: make([]int64, channels), latest: make([]rig.Instant, channels),
	}
}

// drive sets a line's level now; if that is a change, the rig sees an edge.
func (w *wires) drive(ch rig.ID, level int64) {
	if w.level[ch] == level {
		return
	}
	w.level[ch] = level
	lag := after(w.stamps.Normal(seconds(w.cfg.StampLag), seconds(w.cfg.StampScatter)))
	at := w.queue.now.Add(max(lag, 0))
	if w.faults.has(lostEdges) && w.losses.Chance(share(w.faults.fault[lostEdges].Share)) {
		const margin = time.Millisecond // by which the loss is noticed later
		w.deliver(rig.Event{At: at.Add(margin), Kind: rig.Gap, Channel: ch, Value: int64(2 * margin)})
		return
	}
	w.deliver(rig.Event{At: at, Kind: rig.Edge, Channel: ch, Value: level})
}

// deliver hands an event to the rig at its instant. What one channel reports
// stays in order.
func (w *wires) deliver(ev rig.Event) {
	ev.At = max(ev.At, w.latest[ev.Channel])
	w.latest[ev.Channel] = ev.At
	i, _ := slices.BinarySearchFunc(w.pending, ev.At, func(e rig.Event, at rig.Instant) int {
		if e.At <= at {
			return -1
		}
		return cmp.Compare(e.At, at)
	})
	w.pending = slices.Insert(w.pending, i, ev)
}

// due takes the first event up to an instant.
func (w *wires) due(until rig.Instant) (rig.Event, bool) {
	if len(w.pending) == 0 || w.pending[0].At > until {
		return rig.Event{}, false
	}
	ev := w.pending[0]
	w.pending = slices.Delete(w.pending, 0, 1)
	return ev, true
}
