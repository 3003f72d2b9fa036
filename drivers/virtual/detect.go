package virtual

import (
	"math"
	"time"

	"drench/rig"
	"drench/rig/portable"
)

// detectLine is the DUT's detect output with all that faults make of it. The
// line is at 1 if the DUT has decided so or something forces it to.
type detectLine struct {
	d       *dut
	rnd     *portable.Rand
	decided bool
	forced  bool
	force   *timer // ends a forced pulse
	alarm   *timer // begins a false alarm
	glitch  *timer // begins a glitch
	chatter *timer
	stuck   *timer // a fault that begins later shows itself
}

func newDetectLine(d *dut) *detectLine {
	l := &detectLine{d: d, rnd: d.w.rand("detect faults")}
	l.force = newTimer(func() { l.hold(false) })
	l.alarm = newTimer(func() { l.random(l.alarm, falseAlarms, d.period()) })
	l.glitch = newTimer(func() { l.random(l.glitch, glitches, d.w.faults.fault[glitches].Time) })
	l.chatter = newTimer(l.chat)
	l.stuck = newTimer(l.drive)
	return l
}

func (l *detectLine) set(wet bool) {
	l.decided = wet
	l.drive()
}

func (l *detectLine) hold(on bool) {
	l.forced = on
	l.drive()
}

// drive puts the line where it belongs now.
func (l *detectLine) drive() {
	f := l.d.w.faults
	on := l.decided || l.forced || f.has(stuckWet)
	on = on && l.d.state == running && !f.has(stuckQuiet)
	var level int64
	if on {
		level = 1
	}
	l.d.w.wires.drive(chDetect, level)
}

// pulse forces the line for a time.
func (l *detectLine) pulse(width time.Duration) {
	l.hold(true)
	l.d.w.queue.set(l.force, l.d.w.now.Add(width))
}

// random is one of a fault's random pulses.
func (l *detectLine) random(t *timer, fault faultID, width time.Duration) {
	l.pulse(width)
	l.plan(t, fault)
}

// plan draws when a random pulse comes next.
func (l *detectLine) plan(t *timer, fault faultID) {
	begin := l.d.w.faults.begins(fault)
	if begin == rig.Never {
		return
	}
	gap := l.rnd.Gap(perSecond(l.d.w.faults.fault[fault].Rate))
	if math.IsInf(gap, 1) {
		return
	}
	l.d.w.queue.set(t, max(begin, l.d.w.now).Add(after(gap)))
}

// powerUp starts the faults of a DUT that has started.
func (l *detectLine) powerUp(again bool) {
	f := l.d.w.faults
	l.plan(l.alarm, falseAlarms)
	l.plan(l.glitch, glitches)
	l.d.w.queue.set(l.stuck, min(f.begins(stuckWet), f.begins(stuckQuiet)))
	if again && f.has(dipAlarm) {
		l.pulse(l.d.period())
	}
}

func (l *detectLine) powerDown() {
	for _, t := range []*timer{l.force, l.alarm, l.glitch, l.chatter, l.stuck} {
		l.d.w.queue.stop(t)
	}
	l.decided, l.forced = false, false
	l.drive()
}

// supplied starts chatter when a slow ramp brings the rail close to drop-out.
func (l *detectLine) supplied(v float64) {
	if l.d.w.faults.has(rampChatter) && l.inBand(v) && !l.chatter.pending() {
		l.d.w.queue.set(l.chatter, l.d.w.now)
	}
}

func (l *detectLine) inBand(v float64) bool {
	const slow = 1.0 // V/s
	edge := l.d.dropOut() + volts(l.d.w.faults.fault[rampChatter].Voltage)
	return l.d.state == running && v <= edge && math.Abs(l.d.w.rail.slope) < slow
}

func (l *detectLine) chat() {
	if !l.inBand(l.d.w.rail.value()) {
		l.hold(false)
		return
	}
	l.hold(!l.forced)
	l.d.beat ^= 1
	l.d.w.wires.drive(chHeartbeat, l.d.beat)
	wait := l.rnd.Uniform(0.003, 0.03)
	l.d.w.queue.set(l.chatter, l.d.w.now.Add(after(wait)))
}
