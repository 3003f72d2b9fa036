package virtual

import (
	"time"

	"drench/rig"
)

// safety is what guards the bench without software: the emergency stop, the
// dead-man timer with the pumps' relay, and the lines that tell of the lid, the
// tray and the reservoir.
type safety struct {
	w       *world
	beat    int64       // last level of the dead-man line
	toggled rig.Instant // when it last changed, if alive
	alive   bool        // the dead-man timer holds the relay
	stopped bool        // the emergency stop is pressed
	expiry  *timer
}

func newSafety(w *world) *safety {
	s := &safety{w: w, alive: w.cfg.Deadman <= 0}
	s.expiry = newTimer(s.expire)
	return s
}

// start closes the interlock lines, as on a healthy rig, and has faults open
// them when they begin.
func (s *safety) start() {
	for _, line := range []struct {
		ch    rig.ID
		fault faultID
		then  func()
	}{
		{chEStop, estopPressed, s.stop},
		{chTray, trayFull, nil},
		{chLid, lidOpen, nil},
		{chReservoir, reservoirEmpty, s.w.updatePumps},
	} {
		s.w.wires.level[line.ch] = 1
		s.w.queue.set(newTimer(func() {
			s.w.wires.drive(line.ch, 0)
			if line.then != nil {
				line.then()
			}
		}), s.w.faults.begins(line.fault))
	}
}

// stop is the emergency stop: it cuts pumps and supply.
func (s *safety) stop() {
	s.stopped = true
	s.w.updatePumps()
	s.w.rail.update()
}

// pumpsPowered tells whether the pumps' relay is closed.
func (s *safety) pumpsPowered() bool { return s.alive && !s.stopped }

// Energised lists the outputs that really are energised now, whatever was
// commanded: for tests of what guards the bench.
func (b *Bench) Energised() []string {
	var on []string
	for ch, c := range b.table {
		if b.energised(rig.ID(ch)) {
			on = append(on, c.Name)
		}
	}
	return on
}

func (b *Bench) energised(ch rig.ID) bool {
	const dead = 0.05 // V
	s := b.w.safety
	switch ch {
	case chPumpDrip, chPumpSpray:
		return b.ports[ch].last != 0 && s.pumpsPowered()
	case chSupply:
		return b.w.supply.value() > dead && !s.stopped
	case chDipRail:
		return b.w.dipRail.value() > dead && !s.stopped
	case chValveAir, chHumidity, chPlate:
		return b.ports[ch].last != 0
	}
	return false
}

// setDeadman drives the line to the dead-man timer, which any change sets off
// anew.
func (s *safety) setDeadman(v int64) error {
	if err := atMost(v, 1, rig.Level); err != nil {
		return err
	}
	if v == s.beat || s.w.cfg.Deadman <= 0 {
		return nil
	}
	s.beat, s.toggled = v, s.w.now
	if !s.alive {
		s.alive = true
		s.w.updatePumps()
	}
	if !s.expiry.pending() {
		s.w.queue.set(s.expiry, s.w.now.Add(s.w.cfg.Deadman))
	}
	return nil
}

func (s *safety) expire() {
	if end := s.toggled.Add(s.w.cfg.Deadman); end > s.w.now {
		s.w.queue.set(s.expiry, end)
		return
	}
	s.alive = false
	s.w.updatePumps()
}

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
