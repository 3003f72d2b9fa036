package measure

import (
	"time"

	"drench/rig"
)

// exposure adds up how long the DUT was on, and how long it could have raised a
// false alarm: it was powered, its detect line was clear, no supply
// disturbance was under way, and the sensor was dry for sure. That is so
//   - from the start of the run to the first water,
//   - in dry and decoy trials, and in wet trials up to the first water
//     (condensation: while no dew has formed),
//   - after a dry trial, and after any other in which no water was given,
//   - in quiet stretches, if they begin with a clear detect line.
//
// After water has been given nothing counts until the next trial or quiet
// stretch begins, since a script may not begin either on a wet sensor.
type exposure struct {
	dry, powered, inDip, detected bool

	last    rig.Instant
	started bool
	on      time.Duration // powered
	dryFor  time.Duration // at risk
}

func (e *exposure) atRisk() bool { return e.powered && e.dry && !e.inDip && !e.detected }

func (e *exposure) tick(at rig.Instant) {
	if d := at.Sub(e.last); e.started && d > 0 {
		if e.powered {
			e.on += d
		}
		if e.atRisk() {
			e.dryFor += d
		}
	}
	if !e.started || at > e.last {
		e.last, e.started = at, true
	}
}

// lost takes back time in which an alarm could have gone unseen.
func (e *exposure) lost(from, to rig.Instant) {
	if e.atRisk() {
		e.dryFor = max(0, e.dryFor-to.Sub(from))
	}
}

func (e *exposure) enter(l ledger, has has) {
	if _, seen := l[FalseAlarms]; seen || has[detectLine] && e.dryFor > 0 {
		l.of(FalseAlarms).Exposure = e.dryFor
	}
}

// glitchWidth is the longest detect pulse that counts as a glitch.
const glitchWidth = 10 * time.Millisecond

// glitch counts short pulses of the detect line while the DUT is powered.
type glitch struct {
	rise  when
	count int
}

func (g *glitch) edge(at rig.Instant, level int64, powered bool) {
	if level != 0 {
		g.rise = when{at, powered}
		return
	}
	if g.rise.ok && powered && at.Sub(g.rise.at) < glitchWidth {
		g.count++
	}
	g.rise.ok = false
}

func (g *glitch) enter(l ledger, has has, on time.Duration) {
	if !has[detectLine] || on == 0 {
		return
	}
	m := l.of(Glitches)
	m.Count, m.Exposure = g.count, on
}
