package virtual

import (
	"math"
	"time"

	"drench/drivers/virtual/portable"
	"drench/rig"
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
	src := r.source()
	if src == nil {
		r.chasing = true
		r.slope = -r.load / r.farads
	} else {
		r.follow(src)
	}
	r.volts = max(r.volts, r.floor())
	r.w.queue.set(r.event, r.segmentEnd(src))
	r.w.dut.supplied(r.volts)
}

// follow steers the rail to the source's voltage, or holds it there.
func (r *rail) follow(src *source) {
	const met = 1e-6 // V
	goal := r.goal(src)
	if math.Abs(goal-r.volts) < met {
		r.chasing = false
	}
	switch {
	case !r.chasing:
		r.volts, r.slope = goal, src.slope()
	case goal > r.volts:
		r.slope = max(amperes(r.cfg.Limit)-r.load, 1e-3) / r.farads
	default:
		r.slope = -amperes(r.cfg.Sink) / r.farads
	}
}

func (r *rail) goal(src *source) float64 {
	return max(src.value()-float64(r.load*ohms(r.cfg.Resistance)), r.floor())
}

// segmentEnd is when the slope must change, or a threshold of the DUT is met.
func (r *rail) segmentEnd(src *source) rig.Instant {
	wait := math.Inf(1)
	reach := func(v float64) {
		if t := (v - r.volts) / r.slope; t > 0 {
			wait = min(wait, t)
		}
	}
	if r.slope == 0 {
		return rig.Never
	}
	if src != nil && r.chasing {
		wait = (r.goal(src) - r.volts) / (r.slope - src.slope())
	}
	if r.slope < 0 {
		reach(r.floor())
	}
	for _, v := range r.w.dut.thresholds() {
		reach(v)
	}
	if math.IsInf(wait, 1) {
		return rig.Never
	}
	return r.w.now.Add(ceil(wait))
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
