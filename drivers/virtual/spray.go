package virtual

import (
	"drench/rig"
	"drench/rig/portable"
)

// spray is the spray pump: its flow reaches sensor and witness as a thin, even
// rain a while after the command, and stops a while after the next.
type spray struct {
	w        *world
	cfg      SprayConfig
	rnd      *portable.Rand
	gain     float64
	asked    float64 // µl/s at the nozzle, that the command asks for
	flow     float64 // µl/s that falls
	since    rig.Instant
	commands *pipe[float64]
	pumped   float64 // µl
}

func newSpray(w *world) *spray {
	s := &spray{w: w, cfg: w.cfg.Spray, rnd: w.rand("spray")}
	s.gain = w.rand("spray gain").Normal(1, share(s.cfg.Gain))
	s.commands = newPipe(&w.queue, s.turn)
	return s
}

// set asks for a flow in nl/min.
func (s *spray) set(v int64) error {
	if err := atMost(v, int64(s.cfg.MaxFlow), rig.LitreRate); err != nil {
		return err
	}
	lag := seconds(s.cfg.Lag)
	if v == 0 {
		lag = seconds(s.cfg.Tail)
	}
	lag = max(s.rnd.Normal(lag, seconds(s.cfg.Scatter)), 0)
	s.commands.send(s.w.now.Add(after(lag)), microlitresPerSecond(rig.Flow(v)))
	return nil
}

func (s *spray) turn(flow float64) {
	s.asked = flow
	s.update()
}

// update accounts for the flow up to now and starts the flow that is due now.
func (s *spray) update() {
	s.settle()
	s.flow = 0
	if s.w.safety.pumpsPowered() && s.w.vessels.hasWater() {
		s.flow = s.asked * s.gain
	}
	onSensor := s.flow * s.w.film.area / squareMillimetres(s.cfg.Area)
	s.w.film.rain(min(onSensor, s.flow))
	s.w.vessels.watch()
}

func (s *spray) settle() {
	v := float64(s.flow * seconds(s.w.now.Sub(s.since)))
	s.since = s.w.now
	s.pumped += v
	s.w.vessels.draw(v)
	s.w.vessels.spill(v - min(v, float64(v*s.w.film.area)/squareMillimetres(s.cfg.Area)))
}
