package safety

import (
	"time"

	"drench/rig"
)

// begins has an output that was off be on: in the go that it was in, unless it
// has rested since.
func (o *output) begins(at rig.Instant, rest time.Duration) {
	if at.Sub(o.on) < rest {
		o.ran += o.on.Sub(o.since)
	} else {
		o.ran = 0
	}
	o.since = at
}

// ran looks at how long a pump ran in one go.
func (c *checker) ran(at rig.Instant, name string, d time.Duration) {
	c.report.Longest = max(c.report.Longest, d)
	if d > c.limits.PumpOn+Reaction {
		c.find(at, name, OnTime, "ran for %v in one go; expected at most %v", d, c.limits.PumpOn)
	}
}

// water sums what the pumps deliver by the flows asked for.
type water struct {
	budget float64 // nl
	used   float64 // nl up to since
	flow   int64   // nl/min, of all pumps
	since  rig.Instant
	over   bool        // the budget is used up,
	spent  rig.Instant // since then,
	told   bool        // and the pumps ran on
}

// rounding allows for a supervisor that counts in whole nanoseconds and in
// floating point, in nl.
const rounding = 1000

// flow changes the sum of the flows by so many nl/min from an instant on.
// channel is the pump whose command that is.
func (c *checker) flow(at rig.Instant, channel string, change int64) {
	w := &c.water
	if d := at.Sub(w.since); d > 0 {
		more := float64(w.flow) * d.Minutes()
		if left := w.budget + rounding - w.used; more > left && !w.over {
			w.over, w.spent = true, w.since.Add(time.Duration(left/more*float64(d)))
		}
		w.used += more
		if w.over && w.flow > 0 && at.Sub(w.spent) > Reaction && !w.told {
			w.told = true
			c.find(at, channel, Water, "the pumps have delivered %v by the flows asked for; expected at most %v in a run", rig.Volume(w.used), rig.Volume(w.budget))
		}
		w.since = at
	}
	w.flow += change
}
