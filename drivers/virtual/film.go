package virtual

import (
	"time"

	"drench/rig"
	"drench/rig/portable"
)

// Steps of the film's grid: the short one while the film moves, the long one
// while it only condenses or dries.
const (
	shortStep = 20 * time.Millisecond
	longStep  = time.Second
)

// film is the water on the sensor: how much there is and what share of the
// sensor it covers. Lengths are in mm, volumes in µl, fluxes in kg/(m² s),
// which is mm/s of water.
type film struct {
	w    *world
	cfg  FilmConfig
	area float64 // of the sensor

	volume  float64 // at the instant at
	cover   float64 // 0 … 1
	at      rig.Instant
	raining float64 // µl/s
	jet     bool
	flux    float64 // gained from the air by a unit of area, negative while drying
	fluxAt  rig.Instant
	wet     bool
	dried   rig.Instant // when the last film had gone
	stain   float64     // share of the sensor that films have covered

	tick *timer
	// What came and went, µl; landed + dewed = volume + drained + evaporated.
	landed, dewed, drained, evaporated float64
}

func newFilm(w *world, area rig.Surface) *film {
	f := &film{w: w, cfg: w.cfg.Film, area: squareMillimetres(area)}
	f.tick = newTimer(f.step)
	return f
}

// land adds a drop.
func (f *film) land(v float64) {
	f.advance()
	f.moisten(0)
	f.landed += v
	f.volume += v
	f.next()
}

// rain sets how fast spray falls on the sensor.
func (f *film) rain(rate float64) {
	f.advance()
	f.raining = rate
	if rate > 0 {
		f.moisten(0)
	}
	f.next()
}

// blow turns the air jet on or off.
func (f *film) blow(on bool) {
	f.advance()
	f.jet = on
	f.fluxAt = 0
	f.next()
}

func (f *film) step() {
	f.advance()
	f.next()
}

// next sets the timer to the next point of the grid on which there is
// something to follow.
func (f *film) next() {
	step := rig.Instant(longStep)
	switch {
	case f.volume == 0 && f.raining == 0 && !f.w.chamber.mayDew():
		f.w.queue.stop(f.tick)
		return
	case f.moving():
		step = rig.Instant(shortStep)
	}
	f.w.queue.set(f.tick, (f.w.now/step+1)*step)
}

func (f *film) moving() bool {
	return f.raining > 0 || f.volume > 0 && f.jet || f.spread()-f.cover > 0.01 ||
		f.volume > 1.01*f.capacity()
}

// spread is the share of the sensor that a resting puddle of this volume takes.
func (f *film) spread() float64 {
	return min(f.volume/(f.area*millimetres(f.cfg.Puddle)), 1)
}

// capacity is what the sensor holds.
func (f *film) capacity() float64 { return f.area * millimetres(f.cfg.Hold) }

// advance brings the film up to now.
func (f *film) advance() {
	dt := seconds(f.w.now.Sub(f.at))
	f.at = f.w.now
	if dt <= 0 || f.volume == 0 && f.raining == 0 && !f.w.chamber.mayDew() {
		return
	}
	f.gain(dt)
	f.settle(dt)
	f.lose(dt)
	f.judge()
}

// gain adds what rains and condenses. Its drops fall anywhere, so that the
// share left uncovered shrinks exponentially.
func (f *film) gain(dt float64) {
	flux := f.exchange()
	dew := float64(max(flux, 0) * f.area * dt)
	rain := float64(f.raining * dt)
	if dew+rain == 0 {
		return
	}
	f.dewed += dew
	f.landed += rain
	f.volume += dew + rain
	depth := (dew + rain) / f.area
	f.cover = 1 - float64((1-f.cover)*portable.Exp(-depth/millimetres(f.cfg.Cover)))
}

// settle lets puddles spread and the excess drain off.
func (f *film) settle(dt float64) {
	if s := f.spread(); s > f.cover {
		f.cover = relax(f.cover, s, dt, f.cfg.Spread)
	}
	f.stain = max(f.stain, f.cover)
	f.drainTo(f.capacity(), dt, f.cfg.Drain)
}

// lose takes away what the jet blows off and what evaporates.
func (f *film) lose(dt float64) {
	if f.jet {
		f.drainTo(f.area*f.cover*millimetres(f.cfg.Cling), dt, f.cfg.BlowOff)
	}
	gone := min(float64(max(-f.exchange(), 0)*f.area*f.cover*dt), f.volume)
	f.evaporated += gone
	f.volume -= gone
}

func (f *film) drainTo(level, dt float64, tau time.Duration) {
	if f.volume <= level {
		return
	}
	v := relax(f.volume, level, dt, tau)
	f.drained += f.volume - v
	f.w.vessels.spill(f.volume - v)
	f.volume = v
}

// exchange returns the flux between air and film, looked at once a second.
func (f *film) exchange() float64 {
	if f.fluxAt == 0 || f.w.now.Sub(f.fluxAt) >= longStep {
		f.flux = f.w.chamber.flux(f.jet)
		f.fluxAt = f.w.now
	}
	return f.flux
}

// moisten notes that water reaches the sensor, of which some has arrived.
func (f *film) moisten(arrived float64) {
	if !f.wet {
		f.wet = true
		f.stain = f.residue() / millimetres(f.cfg.Residue)
		f.w.wetted(arrived)
	}
}

// caught is all the water that the sensor has got, µl.
func (f *film) caught() float64 { return f.landed + f.dewed }

// judge notes wetting by dew, and that the sensor is dry again: a film that has
// become much thinner than what clings breaks up and leaves its residue.
func (f *film) judge() {
	const breaksAt = 0.4
	depth := f.volume / f.area
	dew := millimetres(f.w.cfg.Lines.WitnessDew)
	cling := millimetres(f.cfg.Cling)
	drying := f.raining == 0 && f.exchange() <= 0
	switch {
	case !f.wet && depth >= dew:
		f.moisten(f.volume)
	case drying && f.volume > 0 && depth < breaksAt*min(cling*f.cover, dew):
		f.evaporated += f.volume
		f.volume, f.cover = 0, 0
		f.dried = f.w.now
		if f.wet {
			f.wet = false
			f.w.witness.dry()
		}
	}
}

// depth is how deep the water stands where there is any; infinite for a drop
// that has landed this instant and covers nothing yet.
func (f *film) depth() float64 {
	if f.volume == 0 {
		return 0
	}
	return f.volume / (f.area * f.cover)
}

// residue is the mean depth of the moist residue that films leave, which dries
// up exponentially once they have gone.
func (f *film) residue() float64 {
	left := millimetres(f.cfg.Residue) * f.stain
	if f.volume > 0 || left == 0 {
		return left
	}
	return relax(left, 0, seconds(f.w.now.Sub(f.dried)), f.cfg.ResidueDecay)
}

// relax returns where x is, dt seconds on its way to a target with a time
// constant.
func relax(x, target, dt float64, tau time.Duration) float64 {
	return target + float64((x-target)*portable.Exp(-dt/seconds(tau)))
}
