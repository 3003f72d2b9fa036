package power

import (
	"fmt"
	"math"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Totals is what the DUT has drawn since the last Reset.
type Totals struct {
	// Energy is the sum over all intervals between readings of the mean of the
	// power at both ends, times the interval.
	Energy physic.Energy
	// Measured is the time that this covers, Longest the longest interval in it.
	Measured, Longest time.Duration
	// Readings are all good ones; Overloads those that are lower bounds only;
	// Lost is how often there were none for longer than Stale, or the monitor
	// had lost its settings. Both make Energy incomplete.
	Readings, Overloads, Lost int
}

// integrator sums up power.
type integrator struct {
	longest time.Duration // that an interval may be
	sum     Totals
	joules  float64
	coulomb float64

	last     reading
	at       rig.Instant
	has      bool // last and at hold a good reading
	overload bool // since then
}

// add takes a reading.
func (n *integrator) add(at rig.Instant, r reading) {
	if r.over {
		n.sum.Overloads++
		n.overload = true
		return
	}
	n.sum.Readings++
	if dt := at.Sub(n.at); n.has && dt > 0 {
		n.interval(dt, r)
	}
	n.last, n.at, n.has, n.overload = r, at, true, false
}

// interval adds what was drawn between the last reading and this one, unless
// that is unknown.
func (n *integrator) interval(dt time.Duration, r reading) {
	switch {
	case dt > n.longest:
		n.sum.Lost++
		return
	case n.overload: // counted already
		return
	}
	n.sum.Measured += dt
	n.sum.Longest = max(n.sum.Longest, dt)
	n.joules += (n.last.watts() + r.watts()) / 2 * dt.Seconds()
	n.coulomb += (n.last.amperes() + r.amperes()) / 2 * dt.Seconds()
}

// lose drops what came since the last reading.
func (n *integrator) lose() {
	n.sum.Lost++
	n.has = false
}

// reset starts the sums anew, at the last reading. An overload that has not
// ended by then belongs to both sides.
func (n *integrator) reset() {
	n.sum, n.joules, n.coulomb = Totals{}, 0, 0
	if n.overload {
		n.sum.Overloads = 1
	}
}

// totals returns the sums, and an error if they are lower bounds.
func (n *integrator) totals(most physic.ElectricCurrent) (Totals, error) {
	t := n.sum
	t.Energy = physic.Energy(math.Round(n.joules * 1e9))
	if t.Overloads > 0 || t.Lost > 0 {
		return t, fmt.Errorf("the energy is incomplete: %d readings above max_current of %v or max_voltage, %d gaps; raise what was exceeded, or look at the I2C bus",
			t.Overloads, rig.Of(most), t.Lost)
	}
	return t, nil
}

func (r reading) amperes() float64 { return float64(r.current) / 1e9 }
func (r reading) watts() float64   { return r.amperes() * float64(r.rail) / 1e9 }
