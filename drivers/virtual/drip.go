package virtual

import (
	"math"

	"drench/rig"
	"drench/rig/physics"
	"drench/rig/portable"

	"periph.io/x/conn/v3/physic"
)

// drip is the drip pump with its tube and nozzle. The pump fills the tube, then
// a drop hangs and grows at the tip until it falls through the drop gate onto
// the sensor. Volumes are in µl, flows in µl/s.
type drip struct {
	w    *world
	cfg  DripConfig
	rnd  *portable.Rand
	gain float64 // delivered to asked

	asked  float64 // flow that the pump's drive turns for
	flow   float64 // that the pump delivers now
	ripple float64 // of the flow, for this drop
	since  rig.Instant
	idle   rig.Instant // when the flow last stopped

	void    float64 // of the tube, still to be filled
	hanging float64 // at the tip
	size    float64 // at which the hanging drop will fall

	commands *pipe[float64]
	full     *timer // the hanging drop falls
	late     *timer // a drop falls after the stop
	gate     *pipe[int64]
	falling  *pipe[float64]
	pumped   float64 // less what drained back
}

func newDrip(w *world) *drip {
	d := &drip{w: w, cfg: w.cfg.Drip, rnd: w.rand("drip"), ripple: 1}
	d.gain = w.rand("drip gain").Normal(1, share(d.cfg.Gain))
	d.void = microlitres(d.cfg.Line)
	d.commands = newPipe(&w.queue, d.turn)
	d.full = newTimer(d.fall)
	d.late = newTimer(d.fall)
	d.gate = newPipe(&w.queue, func(level int64) { w.wires.drive(chDropGate, level) })
	d.falling = newPipe(&w.queue, w.film.land)
	d.nextDrop()
	return d
}

// set asks for a flow in nl/min.
func (d *drip) set(v int64) error {
	if err := atMost(v, int64(d.cfg.MaxFlow), rig.LitreRate); err != nil {
		return err
	}
	lag := d.rnd.Normal(seconds(d.cfg.Lag), seconds(d.cfg.LagScatter))
	d.commands.send(d.w.now.Add(after(max(lag, 0))), microlitresPerSecond(rig.Flow(v)))
	return nil
}

func (d *drip) turn(flow float64) {
	d.asked = flow
	d.update()
}

// update accounts for the flow up to now and starts the flow that is due now.
func (d *drip) update() {
	d.settle()
	was := d.flow
	d.flow = 0
	if d.w.safety.pumpsPowered() && d.w.vessels.hasWater() && !d.w.faults.has(blockedNozzle) {
		d.flow = d.asked * d.gain * d.ripple * d.w.faults.factor(wornTube)
	}
	switch {
	case was > 0 && d.flow == 0:
		d.stop()
	case was == 0 && d.flow > 0:
		d.w.queue.stop(d.late)
		d.drainBack()
	}
	d.schedule()
	d.w.vessels.watch()
}

// settle adds what flowed since the last time.
func (d *drip) settle() {
	v := float64(d.flow * seconds(d.w.now.Sub(d.since)))
	d.since = d.w.now
	d.pumped += v
	d.w.vessels.draw(v)
	fill := min(v, d.void)
	d.void -= fill
	d.hanging += v - fill
}

func (d *drip) schedule() {
	if d.flow <= 0 {
		d.w.queue.stop(d.full)
		return
	}
	wait := (d.void + max(d.size-d.hanging, 0)) / d.flow
	d.w.queue.set(d.full, d.w.now.Add(after(wait)))
}

// stop may leave a drop that falls a little later.
func (d *drip) stop() {
	d.idle = d.w.now
	if d.hanging >= share(d.cfg.LateFrom)*microlitres(d.cfg.Drop) && d.void == 0 {
		wait := d.rnd.Uniform(0.1, 1) * seconds(d.cfg.LateWithin)
		d.w.queue.set(d.late, d.w.now.Add(after(wait)))
	}
}

// drainBack takes from the line what ran back during the pause.
func (d *drip) drainBack() {
	pause := seconds(d.w.now.Sub(d.idle)) - seconds(d.cfg.DrainAfter)
	back := min(max(pause, 0)*microlitresPerSecond(d.cfg.DrainRate), microlitres(d.cfg.DrainMost))
	back = min(back, max(microlitres(d.cfg.Line)-d.void, 0)+d.hanging)
	d.pumped -= back
	d.w.vessels.draw(-back)
	tip := min(back, d.hanging)
	d.hanging -= tip
	d.void += back - tip
}

// fall lets the hanging drop go.
func (d *drip) fall() {
	d.settle()
	broken := d.w.now.Add(after(fallTime(d.cfg.Gate)))
	d.gate.send(broken, 1)
	d.gate.send(broken.Add(d.w.cfg.Lines.Beam), 0)
	land := d.rnd.Normal(fallTime(d.cfg.Fall), seconds(d.cfg.Scatter))
	d.falling.send(d.w.now.Add(after(max(land, 0))), d.hanging)
	d.nextDrop()
	d.update()
}

// nextDrop draws the size of the drop that forms next and how the rollers stand.
func (d *drip) nextDrop() {
	d.hanging = 0
	d.size = microlitres(d.cfg.Drop) * scatter(d.rnd, d.cfg.DropCV)
	d.ripple = scatter(d.rnd, d.cfg.Ripple)
}

// fallTime returns how long a drop falls from rest, in seconds.
func fallTime(h physic.Distance) float64 {
	return float64(physics.FallTime(physics.Metre(millimetres(h) / 1e3)))
}

// scatter draws a factor about 1 with a standard deviation.
func scatter(rnd *portable.Rand, sd rig.Share) float64 {
	return math.Max(rnd.Normal(1, share(sd)), 0.1)
}
