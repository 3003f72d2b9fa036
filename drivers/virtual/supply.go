package virtual

import (
	"fmt"
	"math"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// source is a programmable output. After a command it slews towards its
// target, the last few millivolts at a tenth of the slew.
type source struct {
	w        *world
	cfg      SupplyConfig
	name     string
	gain     float64
	from     float64 // V at since
	target   float64
	since    rig.Instant
	commands *pipe[float64]
	turn     *timer // the next change of its slope
}

func newSource(w *world, name string) *source {
	s := &source{w: w, cfg: w.cfg.Supply, name: name}
	s.gain = w.rand(name+" gain").Normal(1, share(s.cfg.Gain))
	s.commands = newPipe(&w.queue, s.aim)
	s.turn = newTimer(func() { s.move(); w.rail.update() })
	return s
}

// set asks for a voltage in nV; 0 turns the output off.
func (s *source) set(v int64) error {
	if err := s.link(); err != nil {
		return err
	}
	if err := atMost(v, int64(s.cfg.Max), rig.Volt); err != nil {
		return err
	}
	s.commands.send(s.w.now.Add(s.cfg.Command), volts(physic.ElectricPotential(v)))
	return nil
}

// ask reads the output back through the link.
func (s *source) ask() (int64, error) {
	if err := s.link(); err != nil {
		return 0, err
	}
	return nano(s.value()), nil
}

// link is an error once the link is lost.
func (s *source) link() error {
	if s.w.faults.has(supplyLink) {
		return fmt.Errorf("%s does not answer: its link is lost", s.name)
	}
	return nil
}

func (s *source) aim(v float64) {
	s.from, s.since = s.value(), s.w.now
	s.target = v * s.gain
	s.move()
	s.w.rail.update()
}

// move starts the segment of constant slope that is due now.
func (s *source) move() {
	s.from, s.since = s.value(), s.w.now
	left, slope := s.segment()
	if slope == 0 {
		s.from = s.target
		s.w.queue.stop(s.turn)
		return
	}
	s.w.queue.set(s.turn, s.w.now.Add(ceil(left/slope)))
}

// segment returns how far the present slope leads, and the slope in V/s.
func (s *source) segment() (way, slope float64) {
	const still = 1e-9
	left := s.target - s.from
	if math.Abs(left) < still {
		return 0, 0
	}
	slope = float64(s.cfg.SlewUp) / 1e9
	if left < 0 {
		slope = -float64(s.cfg.SlewDown) / 1e9
	}
	settle := math.Copysign(volts(s.cfg.Settle), left)
	if math.Abs(left) <= math.Abs(settle)+still {
		return left, slope / 10
	}
	return left - settle, slope
}

// slope is the present slope in V/s.
func (s *source) slope() float64 {
	_, slope := s.segment()
	return slope
}

// value is the voltage now.
func (s *source) value() float64 {
	way, slope := s.segment()
	moved := slope * seconds(s.w.now.Sub(s.since))
	if math.Abs(moved) > math.Abs(way) {
		moved = way
	}
	return s.from + moved
}
