package virtual

import "time"

// vessels are the reservoir and the tray, in µl.
type vessels struct {
	w         *world
	reservoir float64
	tray      float64
	tick      *timer
}

func newVessels(w *world) *vessels {
	v := &vessels{w: w, reservoir: microlitres(w.cfg.Water.Reservoir)}
	v.tick = newTimer(v.look)
	return v
}

// draw takes water from the reservoir, spill adds some to the tray.
func (v *vessels) draw(x float64)  { v.reservoir -= x }
func (v *vessels) spill(x float64) { v.tray += x }

func (v *vessels) hasWater() bool {
	return v.reservoir > 0 && !v.w.faults.has(reservoirEmpty)
}

// watch looks at the levels every second while a pump runs.
func (v *vessels) watch() {
	if !v.tick.pending() && (v.w.drip.flow > 0 || v.w.spray.flow > 0) {
		v.w.queue.set(v.tick, v.w.now.Add(time.Second))
	}
}

func (v *vessels) look() {
	v.w.drip.settle()
	v.w.spray.settle()
	if v.reservoir < microlitres(v.w.cfg.Water.Low) {
		v.w.wires.drive(chReservoir, 0)
	}
	if v.tray > microlitres(v.w.cfg.Water.Tray) {
		v.w.wires.drive(chTray, 0)
	}
	if v.reservoir <= 0 {
		v.w.updatePumps()
	}
	v.watch()
}
