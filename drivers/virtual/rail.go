package virtual

import (
	"math"
	"time"

	"drench/rig"
	"drench/rig/portable"
)

// rail is the supply at the DUT's pins: a capacitor that the selected source
// charges, up to its current limit, or drains, down to what it can sink, and
// that the DUT empties while the supply is open. The voltage is a chain of
// straight segments, so that thresholds are met, and energy is summed, exactly.
type rail struct {
	w       *world
	cfg     SupplyConfig
	gauge   *portable.Rand
	farads  float64
	closed  bool // relay_dut
	dip     bool // relay_dip
	chasing bool // the source does not hold the rail yet

	volts  float64 // at the instant at
	slope  float64 // V/s
	load   float64 // A, what the DUT draws
	at     rig.Instant
	energy float64 // J
	charge float64 // C

	event    *timer
	relay    *pipe[bool]
	dipRelay *pipe[bool]

	gain        float64 // of the voltage gauge
	currentGain float64
	asked       rig.Instant // when the current was last read
	askedCharge float64
}

func newRail(w *world, farads float64) *rail {
	r := &rail{w: w, cfg: w.cfg.Supply, farads: farads, gauge: w.rand("rail gauge")}
	r.gain = w.rand("rail gain").Normal(1, share(r.cfg.Gain))
	r.currentGain = w.rand("current gain").Normal(1, share(r.cfg.CurrentError))
	r.event = newTimer(r.update)
	r.relay = newPipe(&w.queue, func(on bool) { r.switchTo(&r.closed, on) })
	r.dipRelay = newPipe(&w.queue, func(on bool) { r.switchTo(&r.dip, on) })
	return r
}

func (r *rail) setRelay(v int64) error {
	if err := atMost(v, 1, rig.Level); err != nil {
		return err
	}
	r.relay.send(r.w.now.Add(r.cfg.Switch), v == 1)
	return nil
}

func (r *rail) setDip(v int64) error {
	if err := atMost(v, 1, rig.Level); err != nil {
		return err
	}
	delay := r.cfg.Switch
	if r.w.faults.has(slowSwitch) {
		delay = r.w.faults.fault[slowSwitch].Time
	}
	r.dipRelay.send(r.w.now.Add(delay), v == 1)
	return nil
}

func (r *rail) switchTo(which *bool, on bool) {
	if *which == on {
		return
	}
	r.settle()
	*which, r.chasing = on, true
	r.update()
}

// draw sets the DUT's current.
func (r *rail) draw(i float64) {
	if i == r.load {
		return
	}
	r.settle()
	r.load = i
	r.update()
}

// source is what feeds the rail, nil if it is open.
func (r *rail) source() *source {
	switch {
	case !r.closed || r.w.safety.stopped:
		return nil
	case r.dip:
		return r.w.dipRail
	}
	return r.w.supply
}

// floor is the voltage below which the rail does not fall.
func (r *rail) floor() float64 {
	if r.w.faults.has(backfed) {
		return volts(r.w.faults.fault[backfed].Voltage)
	}
	return 0
}

// value is the voltage now.
func (r *rail) value() float64 {
	return max(r.volts+float64(r.slope*seconds(r.w.now.Sub(r.at))), r.floor())
}

// drawn returns the energy and the charge that the DUT has drawn until now.
func (r *rail) drawn() (joules, coulombs float64) {
	dt := seconds(r.w.now.Sub(r.at))
	mean := (r.volts + r.value()) / 2
	return r.energy + float64(r.load*mean*dt), r.charge + float64(r.load*dt)
}

func (r *rail) settle() {
	r.energy, r.charge = r.drawn()
	r.volts, r.at = r.value(), r.w.now
}

// update begins the segment that is due now and tells the DUT.
func (r *rail) update() {
	r.settle()
	wait := math.Inf(1) // until the slope must change
	if src := r.source(); src != nil {
		wait = r.follow(src)
	} else {
		r.chasing = true
		r.slope = -r.load / r.farads
	}
	r.volts = max(r.volts, r.floor())
	r.plan(wait)
	r.w.dut.supplied(r.volts)
}

// follow steers the rail to the source's voltage, or holds it there, and
// returns for how long that slope is right unless the source's own changes.
func (r *rail) follow(src *source) (wait float64) {
	goal := src.value() - float64(r.load*ohms(r.cfg.Resistance))
	away := max(goal, r.floor()) - r.volts
	// A segment ends up to a nanosecond after it has met its goal.
	if math.Abs(away) <= 1e-6+float64(math.Abs(r.slope)*1e-9) {
		r.chasing = false
	}
	switch {
	case !r.chasing && goal >= r.floor():
		r.volts, r.slope = goal, src.slope()
		return math.Inf(1)
	case !r.chasing: // something else feeds it
		r.volts, r.slope = r.floor(), 0
		return positive((r.floor() - goal) / src.slope())
	case away > 0:
		r.slope = max(amperes(r.cfg.Limit)-r.load, 1e-3) / r.farads
	default:
		r.slope = -amperes(r.cfg.Sink) / r.farads
	}
	return positive(away / (r.slope - src.slope()))
}

// positive returns a time, or infinity for one that has passed or never comes.
func positive(t float64) float64 {
	if t > 0 {
		return t
	}
	return math.Inf(1)
}

// plan sets the timer to the end of the segment, or to where it meets a
// threshold of the DUT or the floor.
func (r *rail) plan(wait float64) {
	reach := func(v float64) { wait = min(wait, positive((v-r.volts)/r.slope)) }
	if r.slope != 0 {
		for _, v := range r.w.dut.thresholds() {
			reach(v)
		}
	}
	if r.slope < 0 {
		reach(r.floor())
	}
	if math.IsInf(wait, 1) {
		r.w.queue.stop(r.event)
		return
	}
	r.w.queue.set(r.event, r.w.now.Add(ceil(wait)))
}

func (r *rail) ask() (int64, error) {
	v := float64(r.value()*r.gain) + r.gauge.Normal(0, volts(r.cfg.Noise))
	return nano(v), nil
}

// askCurrent reads the mean current since it was last read.
func (r *rail) askCurrent() (int64, error) {
	_, charge := r.drawn()
	mean := r.load
	if dt := seconds(r.w.now.Sub(r.asked)); dt > 0 {
		mean = (charge - r.askedCharge) / dt
	}
	r.asked, r.askedCharge = r.w.now, charge
	return nano(mean * r.currentGain), nil
}

func (r *rail) askEnergy() (int64, error) {
	joules, _ := r.drawn()
	return nano(joules * r.currentGain), nil
}

// ceil returns a time of s seconds, rounded up to a nanosecond, so that what is
// to be reached by then has been reached.
func ceil(s float64) time.Duration {
	return time.Duration(math.Ceil(min(max(s, 0), 9e8) * 1e9))
}
