package instrument

import (
	"math"
	"time"

	"periph.io/x/conn/v3/physic"
)

// output is the power stage. A reference follows the level: at most as fast as
// the slew allows, and as a first-order lag where that is slower. The terminals
// follow the reference, or stay below it where the load would draw more than
// the current limit. Volt, ampere and second throughout.
//
// Between two calls nothing changes but by this law, so the state at any
// instant, and the instant of a trip, are computed and not stepped.
type output struct {
	volts       Volts
	amperes     Amperes
	up, down    float64 // V/s
	tau, band   float64
	level       float64
	limit       float64
	on          bool
	overVoltage protection
	overCurrent protection
	load        Load

	ref float64 // the reference at the instant at
	at  time.Time
	due time.Time // when the reference is within the band of its goal
}

// protection switches the output off when a quantity exceeds its level. A trip
// lasts until it is cleared; then the output returns to what it was (user's
// guide of a common laboratory supply, E3632A, p. 91).
type protection struct {
	level, reset   float64
	armed, tripped bool
}

func newOutput(cfg Config, now time.Time) output {
	o := output{
		volts: cfg.Voltage, amperes: cfg.Current,
		up: float64(cfg.SlewUp) / 1e9, down: float64(cfg.SlewDown) / 1e9,
		tau: cfg.Settle.Seconds(), band: volts(cfg.Band),
		overVoltage: protection{reset: volts(cfg.OverVoltage.Reset)},
		overCurrent: protection{reset: amperes(cfg.OverCurrent.Reset)},
		at:          now,
	}
	o.connect(cfg.Load)
	o.reset()
	return o
}

// reset is the part of *RST that concerns the output.
func (o *output) reset() {
	o.level, o.limit, o.on = volts(o.volts.Reset), amperes(o.amperes.Reset), false
	for _, p := range []*protection{&o.overVoltage, &o.overCurrent} {
		p.level, p.armed, p.tripped = p.reset, true, false
	}
	o.aim()
}

func (o *output) connect(l Load) {
	if l == nil {
		l = func(physic.ElectricPotential) physic.ElectricCurrent { return 0 }
	}
	o.load = l
}

func (o *output) tripped() bool { return o.overVoltage.tripped || o.overCurrent.tripped }

// live tells whether the output drives its level.
func (o *output) live() bool { return o.on && !o.tripped() }

func (o *output) goal() float64 {
	if !o.live() {
		return 0
	}
	return o.level
}

// aim notes when the reference will have reached its goal, which has changed.
func (o *output) aim() {
	way := o.goal() - o.ref
	if math.Abs(way) <= o.band {
		o.due = o.at
		return
	}
	o.due = o.at.Add(o.until(o.goal() - math.Copysign(o.band, way)))
}

func (o *output) settled(now time.Time) bool { return !now.Before(o.due) }

// slew is the greatest rate at which the reference covers the way.
func (o *output) slew(way float64) float64 {
	if way < 0 {
		return o.down
	}
	return o.up
}

// after returns the reference t seconds on.
func (o *output) after(t float64) float64 {
	way := o.goal() - o.ref
	s := o.slew(way)
	knee := min(s*o.tau, math.Abs(way)) // from here on the lag is slower
	straight := (math.Abs(way) - knee) / s
	if t < straight {
		return o.ref + math.Copysign(s*t, way)
	}
	if knee == 0 {
		return o.goal()
	}
	return o.goal() - math.Copysign(knee*math.Exp((straight-t)/o.tau), way)
}

// until is the inverse of after: how long until the reference reaches ref,
// which is on its way and not its goal. It is rounded up.
func (o *output) until(ref float64) time.Duration {
	way := o.goal() - o.ref
	s := o.slew(way)
	knee := min(s*o.tau, math.Abs(way))
	left := math.Abs(o.goal() - ref)
	t := (math.Abs(way) - max(knee, left)) / s
	if left < knee {
		t += o.tau * math.Log(knee/left)
	}
	const ages = 1e9 // the goal itself is never reached, but a Duration must hold the answer
	return time.Duration(math.Ceil(min(t, ages) * 1e9))
}

// advance moves on to now; protections trip on the way.
func (o *output) advance(now time.Time) {
	if !now.After(o.at) {
		now = o.at
	}
	next := o.after(now.Sub(o.at).Seconds())
	if p, ref := o.firstTrip(next); p != nil {
		at := o.at
		if ref != o.ref {
			at = at.Add(min(o.until(ref), now.Sub(o.at)))
		}
		o.ref, o.at, p.tripped = ref, at, true
		o.aim()
		next = o.after(now.Sub(o.at).Seconds())
	}
	o.ref, o.at = next, now
}

// firstTrip returns the protection that trips first while the reference moves
// to next, and the reference at which it does.
func (o *output) firstTrip(next float64) (*protection, float64) {
	if !o.live() {
		return nil, 0
	}
	var first *protection
	var where float64
	for _, w := range []struct {
		p       *protection
		exceeds func(ref float64) bool
	}{
		{&o.overVoltage, func(ref float64) bool { v, _, _ := o.deliver(ref); return v > o.overVoltage.level }},
		{&o.overCurrent, func(ref float64) bool { _, i, _ := o.deliver(ref); return i > o.overCurrent.level }},
	} {
		if !w.p.armed || !w.exceeds(max(o.ref, next)) {
			continue
		}
		at := o.ref
		if !w.exceeds(o.ref) {
			at = bisect(o.ref, next, w.exceeds)
		}
		if first == nil || at < where {
			first, where = w.p, at
		}
	}
	return first, where
}

// terminals returns voltage and current at the instant at, and whether the
// current limit holds the voltage down.
func (o *output) terminals() (v, i float64, limited bool) { return o.deliver(o.ref) }

func (o *output) deliver(ref float64) (v, i float64, limited bool) {
	draw := func(v float64) float64 { return amperes(o.load(potential(v))) }
	if i := draw(ref); i <= o.limit {
		return ref, i, false
	}
	v = bisect(0, ref, func(v float64) bool { return draw(v) > o.limit })
	return v, o.limit, true
}

// bisect returns where over turns true between low and high; it is true at high.
func bisect(low, high float64, over func(float64) bool) float64 {
	for range 60 {
		mid := low + (high-low)/2
		if over(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}

func volts(v physic.ElectricPotential) float64 { return float64(v) / 1e9 }
func amperes(i physic.ElectricCurrent) float64 { return float64(i) / 1e9 }
func potential(v float64) physic.ElectricPotential {
	return physic.ElectricPotential(math.Round(v * 1e9))
}
func current(i float64) physic.ElectricCurrent { return physic.ElectricCurrent(math.Round(i * 1e9)) }
