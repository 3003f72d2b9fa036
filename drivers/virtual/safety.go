package virtual

import "drench/rig"

// safety is what guards the bench without software: the emergency stop, the
// dead-man timer with the pumps' relay, and the loops that tell of the stop, the
// lid, the tray and the reservoir.
type safety struct {
	w       *world
	beat    int64       // last level of the dead-man line
	toggled rig.Instant // when it last changed, if alive
	alive   bool        // the dead-man timer holds the relay
	stopped bool        // the emergency stop is pressed
	expiry  *timer
	loops   []*loop
	relay   *pipe[bool] // whose contacts open the loops under test
	testing bool        // they are open
}

// loop is a closed contact with its wire, read by an input: 1 while all is well.
type loop struct {
	ch     rig.ID
	fault  faultID // opens it
	then   func()  // what else that does
	tested bool    // the test relay has a contact in it
	open   bool
}

func newSafety(w *world) *safety {
	s := &safety{w: w, alive: w.cfg.Deadman <= 0}
	s.expiry = newTimer(s.expire)
	s.relay = newPipe(&w.queue, func(open bool) {
		s.testing = open
		s.tell()
	})
	s.loops = []*loop{
		{ch: chEStop, fault: estopPressed, then: s.stop, tested: true},
		{ch: chTray, fault: trayFull, tested: true},
		{ch: chLid, fault: lidOpen},
		{ch: chReservoir, fault: reservoirEmpty, then: w.updatePumps},
	}
	return s
}

// start closes the interlock lines, as on a healthy rig, and has faults open
// them when they begin.
func (s *safety) start() {
	for _, l := range s.loops {
		s.w.wires.level[l.ch] = 1
		s.w.queue.set(newTimer(func() {
			l.open = true
			s.tell()
			if l.then != nil {
				l.then()
			}
		}), s.w.faults.begins(l.fault))
	}
}

// tell has the inputs read what their loops are; the emergency stop's may be
// bridged, and then reads well whatever happens.
func (s *safety) tell() {
	for _, l := range s.loops {
		level := int64(1)
		if l.open || l.tested && s.testing {
			level = 0
		}
		if l.ch != chEStop || !s.w.faults.has(stuckInput) {
			s.w.wires.drive(l.ch, level)
		}
	}
}

// setTest drives the relay whose contacts open loops.
func (s *safety) setTest(v int64) error {
	if err := atMost(v, 1, rig.Level); err != nil {
		return err
	}
	s.relay.send(s.w.now.Add(s.w.cfg.Lines.Test), v == 1)
	return nil
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
