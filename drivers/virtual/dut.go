package virtual

import (
	"maps"
	"math"
	"time"

	"drench/rig"
	"drench/rig/portable"
)

type dutState int

const (
	off dutState = iota
	starting
	running
)

// dut is the device under test: it wakes every sampling period of its own
// clock, decides, drives its lines and prints.
type dut struct {
	w       *world
	spec    rig.DUT
	m       Model
	sensor  *sensor
	console *console
	rnd     *portable.Rand
	rate    float64 // of true time to its own

	state   dutState
	held    bool // in reset
	started bool // at least once
	wake    int64
	stopped rig.Instant
	forgot  bool // its settings are the factory's

	baseline float64
	over     int // readings in a row over the threshold
	under    int // below the release threshold
	wet      bool
	line     *detectLine
	beat     int64

	boot   *timer
	sample *timer
	extra  *timer // a sample asked for by the wake input
	answer *timer
	sleep  *timer
	pulse  *timer
}

func newDUT(w *world, spec rig.DUT, m Model) (*dut, error) {
	d := &dut{w: w, spec: spec, m: m, rnd: w.rand("dut")}
	var err error
	if d.sensor, err = newSensor(w, m.Sensor); err != nil {
		return nil, err
	}
	if d.console, err = newConsole(w, spec, m); err != nil {
		return nil, err
	}
	d.rate = w.rand("dut clock").Normal(1, share(m.Clock))
	d.line = newDetectLine(d)
	d.boot = newTimer(d.run)
	d.sample = newTimer(d.periodic)
	d.extra = newTimer(d.measure)
	d.answer = newTimer(func() { d.line.set(d.wet) })
	d.sleep = newTimer(func() { d.w.rail.draw(d.idleCurrent()) })
	d.pulse = newTimer(d.heartbeat)
	return d, nil
}

// dropOut and recovery are the voltages below which it stops and above which
// it starts.
func (d *dut) dropOut() float64 {
	if d.w.faults.has(highDropOut) {
		return volts(d.w.faults.fault[highDropOut].Voltage)
	}
	return volts(d.spec.DropOut)
}

func (d *dut) recovery() float64 {
	if d.w.faults.has(highDropOut) {
		return volts(d.w.faults.fault[highDropOut].Recovery)
	}
	return volts(d.spec.Recovery)
}

// thresholds are the rail's voltages at which supplied must be called.
func (d *dut) thresholds() [3]float64 {
	band := d.dropOut()
	if d.w.faults.has(rampChatter) {
		band += volts(d.w.faults.fault[rampChatter].Voltage)
	}
	return [3]float64{d.dropOut(), d.recovery(), band}
}

// supplied tells the DUT what voltage it has, at every threshold at the latest.
func (d *dut) supplied(v float64) {
	const same = 1e-9
	switch {
	case d.state != off && v <= d.dropOut()+same:
		d.stop()
	case d.state == off && v >= d.recovery()-same && !d.held:
		d.start()
	}
	d.line.supplied(v)
}

func (d *dut) start() {
	pause := d.w.now.Sub(d.stopped)
	forgets := d.w.faults.has(lostSettings) && pause < d.w.faults.fault[lostSettings].Time
	hangs := d.w.faults.has(hangAfterDip) && pause < d.w.faults.fault[hangAfterDip].Time
	d.state = starting
	d.forgot = d.forgot || forgets && d.started
	if !hangs || !d.started {
		wait := seconds(d.m.StartUp) * scatter(d.rnd, d.m.StartUpScatter) * d.w.faults.factor(slowStart)
		d.w.queue.set(d.boot, d.w.now.Add(after(wait)))
	}
	d.w.rail.draw(amperes(d.m.Starting))
}

// stop is a brown-out or a reset.
func (d *dut) stop() {
	d.state, d.stopped = off, d.w.now
	for _, t := range []*timer{d.boot, d.sample, d.extra, d.answer, d.sleep, d.pulse} {
		d.w.queue.stop(t)
	}
	d.over, d.under, d.wet = 0, 0, false
	d.line.powerDown()
	d.beat = 0
	d.w.wires.drive(chHeartbeat, 0)
	d.w.rail.draw(amperes(d.m.Off))
}

// run is the end of the start-up.
func (d *dut) run() {
	d.state = running
	d.console.hello(d.printed())
	d.baseline = float64(d.sensor.read())
	d.line.powerUp(d.started)
	d.started = true
	d.heartbeat()
	d.periodic()
}

// period and level are the settings in force.
func (d *dut) period() time.Duration {
	if d.forgot {
		return d.m.Factory.Period
	}
	return d.spec.Sampling.Period
}

func (d *dut) level() int {
	if d.forgot {
		return d.m.Factory.Level
	}
	return d.m.Level
}

// printed are the settings as the DUT prints them.
func (d *dut) printed() map[string]string {
	values := maps.Clone(d.spec.Settings)
	if d.forgot {
		maps.Copy(values, d.m.Factory.Settings)
	}
	return values
}

// own turns a time of the DUT's clock into true time.
func (d *dut) own(t time.Duration) time.Duration {
	return after(seconds(t) * d.rate * d.w.faults.factor(slowClock))
}

func (d *dut) heartbeat() {
	if !d.w.faults.has(deadHeartbeat) {
		d.beat ^= 1
		d.w.wires.drive(chHeartbeat, d.beat)
	}
	d.w.queue.set(d.pulse, d.w.now.Add(d.own(d.spec.Heartbeat)))
}

func (d *dut) periodic() {
	d.w.queue.set(d.sample, d.w.now.Add(d.own(d.period())))
	d.measure()
}

func (d *dut) measure() {
	d.w.rail.draw(amperes(d.m.Active))
	if d.state != running {
		return // that was too much for the rail
	}
	d.w.queue.set(d.sleep, d.w.now.Add(d.m.ActiveTime))
	raw := d.sensor.read()
	diff := int(math.Round(float64(raw) - d.baseline))
	was := d.wet
	d.decide(diff)
	done := d.w.now.Add(d.spec.Sampling.Conversion)
	if d.wet != was {
		d.w.queue.set(d.answer, done.Add(d.lateness()))
	}
	d.console.reading(done, raw, diff, d.wet)
	d.track(raw, diff)
}

// track lets the baseline follow slow drift, and a sensor that was wet when the
// DUT started: nothing is drier than dry.
func (d *dut) track(raw, diff int) {
	const share = 1.0 / 64 // of the difference
	switch {
	case diff < -d.m.Track:
		d.baseline = float64(raw)
	case diff <= d.m.Track && !d.wet:
		d.baseline += float64(share * (float64(raw) - d.baseline))
	}
}

// decide counts readings in a row.
func (d *dut) decide(diff int) {
	readings := d.spec.Sampling.Readings
	threshold := float64(d.m.Thresholds[d.level()-1]) * d.w.faults.factor(insensitive)
	switch {
	case float64(diff) >= threshold:
		d.over, d.under = d.over+1, 0
	case diff < d.m.Release:
		d.over, d.under = 0, d.under+1
	default:
		d.over, d.under = 0, 0
	}
	switch {
	case d.over >= readings:
		d.wet = true
	case d.under >= readings && !d.spec.Detect.Latching && !d.w.faults.has(noRelease):
		d.wet = false
	}
}

func (d *dut) lateness() time.Duration {
	if d.w.faults.has(late) {
		return d.w.faults.fault[late].Time
	}
	return 0
}

func (d *dut) idleCurrent() float64 {
	if d.w.faults.has(hungrySleep) {
		return amperes(d.w.faults.fault[hungrySleep].Current)
	}
	return amperes(d.m.Sleep)
}

// setWake drives the wake input: a rising edge asks for a sample.
func (d *dut) setWake(v int64) error {
	if err := atMost(v, 1, rig.Level); err != nil {
		return err
	}
	if v > d.wake && d.state == running && !d.extra.pending() {
		const latency = time.Millisecond
		d.w.queue.set(d.extra, d.w.now.Add(latency))
	}
	d.wake = v
	return nil
}

// setReset drives the reset input: 1 holds the DUT.
func (d *dut) setReset(v int64) error {
	if err := atMost(v, 1, rig.Level); err != nil {
		return err
	}
	held := v == 1
	if held == d.held {
		return nil
	}
	d.held = held
	switch {
	case held && d.state != off:
		d.stop()
	case !held && d.w.rail.value() > d.dropOut():
		d.start()
	}
	return nil
}
