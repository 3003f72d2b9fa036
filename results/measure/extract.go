package measure

import (
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"time"

	"drench/rig"
	"drench/rig/timeline"
)

// Extract reads a run's events once and returns its measures. It is a pure
// function of its arguments, and keeps memory for trials and quiet stretches,
// not for events.
//
// A *timeline.TailError ends the run early: what came before counts, and the
// set says that it was interrupted. Any other error from events, a trial that
// can't be read, or a DUT profile with an unreadable pattern is returned.
func Extract(h timeline.Header, events iter.Seq2[rig.Event, error]) (*Set, error) {
	x, err := newExtractor(h)
	if err != nil {
		return nil, err
	}
	for ev, err := range events {
		var tail *timeline.TailError
		if errors.As(err, &tail) {
			x.set.Interrupted = tail.Error()
			break
		}
		if err != nil {
			return nil, fmt.Errorf("read event %d: %w", x.set.Events+1, err)
		}
		if err := x.event(ev); err != nil {
			return nil, fmt.Errorf("event %d at %v: %w", x.set.Events, ev.At, err)
		}
	}
	return x.close(), nil
}

// extractor follows a run. Its parts follow one thing each.
type extractor struct {
	header timeline.Header
	roles  []role
	has    has
	set    *Set
	ledger ledger

	detect, witness line
	clock           exposure
	hearts          hearts
	uart            *uart
	glitch          glitch
	energy          energy
	rail            thin
	feed            feed

	trial    watcher // of the open trial, or nil
	outcomes []outcome
	watered  bool // since the open trial began
	letGo    bool // the DUT's UART is, so that lines may be missing
	ended    bool
}

func newExtractor(h timeline.Header) (*extractor, error) {
	u, err := newUART(h.Device)
	if err != nil {
		return nil, err
	}
	x := &extractor{header: h, roles: roles(h.Channels), has: has{}, set: &Set{}, ledger: ledger{}, uart: u}
	for _, r := range x.roles {
		x.has[r] = true
	}
	x.letGo = x.has[uartLink]
	x.hearts = hearts{interval: h.Device.Heartbeat, startUp: h.Device.StartUp, u: h.Calibration.Stamp.U}
	_, switched := rig.Find(h.Channels, rig.RelayDUT)
	_, supplied := rig.Find(h.Channels, rig.SupplySet)
	x.clock = exposure{dry: true, powered: !switched && !supplied}
	x.hearts.always = x.clock.powered
	return x, nil
}

// event takes the next event.
func (x *extractor) event(ev rig.Event) error {
	first := x.set.Events == 0
	x.set.Events++
	if first || ev.At < x.set.Begin {
		x.set.Begin = ev.At
	}
	if first || ev.At > x.set.End {
		x.set.End = ev.At
	}
	x.tick(ev.At)
	switch ev.Kind {
	case rig.Edge, rig.Command, rig.Reading, rig.Line, rig.Gap:
		if int(ev.Channel) >= len(x.roles) {
			return fmt.Errorf("%v on channel %d, but the bench has %d channels", ev.Kind, ev.Channel, len(x.roles))
		}
		x.onChannel(ev, x.roles[ev.Channel])
	case rig.TrialBegin:
		return x.begin(ev)
	case rig.TrialEnd:
		x.end(ev.At, "")
	case rig.Trip:
		x.set.Trips = append(x.set.Trips, ev.Text)
		x.off(ev.At)
	case rig.Mark:
		x.mark(ev.Text, ev.At)
	case rig.End:
		x.ended = true
		x.set.Interrupted = ev.Text
	}
	return nil
}

// tick lets time pass up to an event.
func (x *extractor) tick(at rig.Instant) {
	x.clock.inDip = x.inDip()
	x.clock.detected = x.detect.level != 0
	if x.trial != nil {
		x.clock.dry = x.trial.dry()
	}
	x.clock.tick(at)
}

func (x *extractor) inDip() bool {
	return x.trial != nil && x.current().Spec.Kind == rig.Dip
}

func (x *extractor) current() *Trial { return x.outcomes[len(x.outcomes)-1].trial }

// number is the open trial's, 0 without one.
func (x *extractor) number() int {
	if x.trial == nil {
		return 0
	}
	return x.current().N
}

func (x *extractor) onChannel(ev rig.Event, r role) {
	switch ev.Kind {
	case rig.Edge:
		x.edge(r, ev.At.Add(-x.header.Calibration.Stamp.Lag), ev.Value, ev.At == x.set.Begin)
	case rig.Command:
		x.command(r, ev.At, ev.Value)
	case rig.Reading:
		x.reading(r, ev.At, ev.Value)
	case rig.Line:
		if r == uartText {
			x.line(ev)
		}
	case rig.Gap:
		x.lost(r, ev.At, time.Duration(ev.Value))
	}
}

func (x *extractor) command(r role, at rig.Instant, v int64) {
	if (r == dripPump || r == sprayPump) && v > 0 {
		x.watered = true
		if x.trial == nil {
			x.clock.dry = false
		}
	}
	if r == uartLink {
		x.letGo = v == 0
		x.uart.forget()
	}
	x.feed.command(r, v)
	if v == 0 && (r == supplyRelay || r == supplySet) && !x.inDip() {
		x.off(at) // also where no mark says so: at the end, and after a trip
	}
	if x.trial != nil {
		x.trial.command(r, at, v)
	}
}

// edge takes an edge; those at the very beginning of a run tell levels only.
func (x *extractor) edge(r role, at rig.Instant, v int64, initial bool) {
	changed := true
	switch r {
	case detectLine:
		changed = x.detect.edge(v)
	case witnessLine:
		changed = x.witness.edge(v)
	case heartLine:
		changed = x.hearts.line.edge(v)
	}
	if !changed || initial {
		return
	}
	switch {
	case r == heartLine:
		x.hearts.beat(at)
	case r == detectLine:
		if v != 0 && x.clock.atRisk() {
			x.alarm()
		}
		x.glitch.edge(at, v, x.clock.powered)
		x.uart.detectEdge(at)
	}
	if x.trial != nil {
		x.trial.edge(r, at, v)
	} else if v != 0 && (r == witnessLine || r == gateLine) {
		x.clock.dry = false
	}
}

// alarm books a detect edge on a dry sensor.
func (x *extractor) alarm() {
	m := x.ledger.of(FalseAlarms)
	m.Count++
	m.blame(x.number())
}

func (x *extractor) reading(r role, at rig.Instant, v int64) {
	switch r {
	case detectLine: // its edges were lost
		if v != 0 && x.detect.level == 0 && x.clock.atRisk() {
			x.alarm()
		}
		x.detect.level = v
	case witnessLine:
		x.witness.level = v
	case railGauge:
		x.rail.add(at, v)
		if x.has[supplyRelay] {
			x.feed.reading(v, int64(x.header.Device.Supply))
		}
	case energyGauge:
		x.energy.reading(at, v, x.clock.powered)
	}
	if x.trial != nil {
		x.trial.reading(r, at, v)
	}
}

func (x *extractor) line(ev rig.Event) {
	l := x.uart.parse(ev.At, ev.Text)
	x.uart.take(l, uartScene{detect: x.detect.level, compare: x.clock.powered && !x.inDip() && !x.detect.unsure && !x.letGo, trial: x.number(), dry: x.clock.dry})
	if x.trial != nil {
		x.trial.line(l)
	}
}

// lost takes a report that edges of a line were lost in the time before at.
func (x *extractor) lost(r role, at rig.Instant, before time.Duration) {
	x.set.Lost++
	from := at.Add(-max(before, 0))
	switch r {
	case detectLine:
		x.detect.unsure = true
		x.clock.lost(from, at)
		x.uart.forget() // what lines say can't be held against it
	case witnessLine:
		x.witness.unsure = true
	case heartLine:
		x.hearts.lost(from, at)
	}
	for i := len(x.outcomes) - 1; i >= 0; i-- {
		o := &x.outcomes[i]
		open := i == len(x.outcomes)-1 && x.trial != nil
		if !open && o.trial.End < from {
			return
		}
		if !touches(r, o.trial.Spec.Kind) {
			continue
		}
		if open {
			o.why = edgesLost
		} else {
			o.doubt(edgesLost)
		}
	}
}

const edgesLost = "edges were lost"

func (x *extractor) mark(name string, at rig.Instant) {
	switch name {
	case rig.MarkPowered:
		x.clock.powered = true
		x.hearts.power(at, x.number())
		x.energy.cut()
	case rig.MarkOff:
		x.off(at)
	case rig.MarkBackfed:
		x.feed.backfed = true
	case rig.MarkQuiet:
		if x.trial == nil && x.detect.level == 0 {
			x.clock.dry = true
		}
		x.energy.quiet(at, x.clock.powered)
	case rig.MarkBusy:
		x.energy.busy(at, x.header.Device.Sampling.Period)
	}
	if x.trial != nil {
		x.trial.mark(name, at)
	}
}

// off is the end of the DUT's supply.
func (x *extractor) off(at rig.Instant) {
	x.clock.powered = false
	x.hearts.end(at)
	x.energy.cut()
	x.uart.forget()
}

func (x *extractor) begin(ev rig.Event) error {
	if x.trial != nil {
		x.end(ev.At, "the next trial began before this one had ended")
	}
	t := &Trial{N: int(ev.Value), Begin: ev.At}
	if err := json.Unmarshal([]byte(ev.Text), &t.Spec); err != nil {
		return fmt.Errorf("read what trial %d is: %w", ev.Value, err)
	}
	w, ok := watch(scene{
		spec: t.Spec, begin: ev.At, cal: &x.header.Calibration, device: &x.header.Device, has: x.has,
		detect: x.detect.level, wet: x.witness.level, isDry: x.clock.dry,
		before: when{x.hearts.last, x.hearts.powered.ok && x.hearts.whole}, feed: x.feed, letGo: x.letGo,
	})
	if !ok {
		return fmt.Errorf("trial %d is of unknown kind %q", ev.Value, t.Spec.Kind)
	}
	x.trial, x.watered = w, false
	x.outcomes = append(x.outcomes, outcome{trial: t})
	if t.Spec.Kind == rig.Wet || t.Spec.Kind == rig.Probe {
		x.uart.begin(ev.At, t.N)
	}
	if x.inDip() {
		x.hearts.pause(ev.At)
		x.uart.forget()
	}
	return nil
}

// end closes the open trial; why says what makes it doubtful, if anything.
func (x *extractor) end(at rig.Instant, why string) {
	if x.trial == nil {
		return
	}
	o := &x.outcomes[len(x.outcomes)-1]
	o.trial.End = at
	o.findings = x.trial.finish(o.trial)
	if why = first(why, o.why); why != "" {
		o.doubt(why)
	}
	if x.inDip() {
		x.hearts.resume(at)
	} else {
		x.clock.dry = x.trial.dry() && !x.watered
	}
	x.trial = nil
}

func first(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// close ends the run and puts the set together.
func (x *extractor) close() *Set {
	end := x.set.End
	if !x.ended && x.set.Interrupted == "" {
		x.set.Interrupted = "the timeline stops without its last event"
	}
	x.end(end, "the run was cut short during this trial")
	x.hearts.end(end)
	x.energy.busy(end, x.header.Device.Sampling.Period)
	for i := range x.outcomes {
		x.outcomes[i].enter(x.ledger)
		x.set.Trials = append(x.set.Trials, *x.outcomes[i].trial)
	}
	x.clock.enter(x.ledger, x.has)
	x.hearts.enter(x.ledger, x.has)
	x.glitch.enter(x.ledger, x.has, x.clock.on)
	x.uart.enter(x.ledger, end)
	x.energy.enter(x.ledger, x.header.Calibration.Power)
	x.ledger.records(x.header.Records)
	x.set.Boundaries = boundaries(x.set.Trials)
	x.ledger.boundaries(x.set.Boundaries, int64(x.header.Calibration.Supply.RailU))
	x.ledger.unproven(x.set.Trials)
	x.set.Tests = tests(x.set.Trials)
	x.ledger.tests(x.set.Tests)
	x.set.Measures = x.ledger.inOrder()
	x.set.Beats, x.set.Rail = x.hearts.plot.highest(), x.rail.extremes()
	return x.set
}
