package virtual

import "drench/rig"

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
