package safety

import (
	"errors"
	"fmt"
	"time"

	"drench/rig"
)

// checker follows a run.
type checker struct {
	table     []rig.Channel
	limits    Limits
	interlock []*line  // by channel, nil for what is no interlock line
	lines     []*line  // all of them, in the order of the limits
	outputs   []output // by channel
	water     water

	off     *reason     // why all must be off, nil while all may be on
	tripped bool        // a trip was recorded
	safe    rig.Hazard  // of the last output made safe after the trip
	heard   rig.Instant // latest stamp from outside
	ordered rig.Instant // latest stamp of a command
	ended   bool
	end     rig.Instant
	found   map[Rule]int
	report  Report
}

// output is what the record says of one.
type output struct {
	value int64
	since rig.Instant   // when it was last turned on
	on    rig.Instant   // latest instant at which it was on, 0 if it never was
	ran   time.Duration // before since, in the same go
	told  bool          // to go off, in vain, and nothing else since
	why   string        // it did not do as it was told last, "" if it did
}

// reason is the first cause to have all off.
type reason struct {
	at      rig.Instant
	channel string // of the interlock line, "" for a trip without one
	what    string
}

func newChecker(table []rig.Channel, l Limits) (*checker, error) {
	c := &checker{table: table, limits: l, interlock: make([]*line, len(table)), outputs: make([]output, len(table)), found: map[Rule]int{}}
	c.water = water{budget: float64(l.Volume)}
	for _, name := range l.Inputs {
		id, ok := rig.Find(table, name)
		if !ok || table[id].Dir != rig.Input {
			return nil, fmt.Errorf("limits: interlock input %q is not an input line of the run's bench", name)
		}
		n, err := newLine(name, l, table)
		if err != nil {
			return nil, err
		}
		c.interlock[id] = n
		c.lines = append(c.lines, n)
	}
	for _, ch := range table {
		if ch.Dir == rig.Output && ch.Hazard == rig.Pump && (len(l.Inputs) == 0 || l.PumpOn <= 0 || l.Volume <= 0) {
			return nil, fmt.Errorf("limits: the run's bench has a pump (%s); expected at least one interlock input, and budgets for on-time and volume above 0", ch.Name)
		}
	}
	return c, nil
}

func (c *checker) find(at rig.Instant, channel string, rule Rule, format string, args ...any) {
	c.report.Breaches++
	if c.found[rule]++; c.found[rule] <= MaxFindings {
		c.report.Findings = append(c.report.Findings, Finding{at, channel, rule, fmt.Sprintf(format, args...)})
	}
}

func (c *checker) event(ev rig.Event) error {
	c.report.Events++
	if c.ended {
		return errors.New("comes after the run's end")
	}
	switch ev.Kind {
	case rig.Edge:
		if int(ev.Channel) >= len(c.table) {
			return fmt.Errorf("edge on channel %d, but the bench has %d channels", ev.Channel, len(c.table))
		}
		c.heard = max(c.heard, ev.At)
		if n := c.interlock[ev.Channel]; n != nil {
			c.moved(n, ev)
		}
	case rig.Line, rig.Gap:
		c.heard = max(c.heard, ev.At)
		if ev.Kind == rig.Gap && int(ev.Channel) < len(c.table) && c.interlock[ev.Channel] != nil {
			c.interlock[ev.Channel].gap(ev.At)
		}
	case rig.Command:
		return c.command(ev)
	case rig.Failed:
		return c.failed(ev)
	case rig.Trip:
		if !c.tripped {
			c.tripped, c.report.Trip = true, ev.Text
			c.mustBeOff(reason{at: ev.At, what: "trip: " + ev.Text})
		}
	case rig.End:
		c.ended, c.end = true, ev.At
	}
	return nil
}

// moved looks at an edge of an interlock line. One that opens by itself has all
// to be off.
func (c *checker) moved(n *line, ev rig.Event) {
	byItself := ev.Value == 0 && !n.underTest(ev.At)
	if n.edge(ev.At, ev.Value); byItself {
		n.Opened = true
		c.mustBeOff(reason{ev.At, n.Input, "interlock line " + n.Input + " opened"})
	}
}

// mustBeOff notes the first cause to have all off. A command may be stamped
// later than the cause and yet be recorded before it, as the rig learns of an
// edge a little after its stamp.
func (c *checker) mustBeOff(r reason) {
	if c.off != nil {
		return
	}
	c.off = &r
	for id, o := range c.outputs {
		if o.value == 0 {
			c.inTime(rig.ID(id), o.on)
		}
	}
}

// inTime finds an output that was still on at an instant too late.
func (c *checker) inTime(id rig.ID, at rig.Instant) {
	ch := c.table[id]
	if c.off == nil || ch.Hazard == rig.Idle {
		return
	}
	if after := at.Sub(c.off.at); after > Reaction {
		c.find(at, ch.Name, Late, "was on %v after %v (%s); expected off within %v", after, c.off.at, c.off.what, Reaction)
	}
}

// stepBack is how far commands may go back in time. A trip's own commands
// wait in the supervisor while a script that was told of the trip still
// cleans up; more than this no clean-up takes.
const stepBack = time.Second

func (c *checker) command(ev rig.Event) error {
	if int(ev.Channel) >= len(c.table) || c.table[ev.Channel].Dir != rig.Output {
		return fmt.Errorf("command on channel %d, which is not an output of the bench", ev.Channel)
	}
	if ev.Value < 0 {
		return fmt.Errorf("command is %d; expected 0 or more", ev.Value)
	}
	if c.ordered.Sub(ev.At) > stepBack {
		return fmt.Errorf("command is stamped %v before an earlier one: on-times can't be told", c.ordered.Sub(ev.At))
	}
	c.ordered = max(c.ordered, ev.At)
	ch := c.table[ev.Channel]
	if ch.Name == rig.Deadman {
		c.find(ev.At, ch.Name, Deadman, "was set to %d by the run; expected the supervisor alone to toggle it, unrecorded", ev.Value)
		return nil
	}
	c.tests(ev)
	o := &c.outputs[ev.Channel]
	switch {
	case ev.Value != 0:
		c.energised(ev, ch)
		if o.value == 0 {
			o.begins(ev.At, c.limits.PumpRest)
		}
		o.on = ev.At
	case o.value != 0:
		o.on = ev.At
		c.released(ev.Channel, o)
	}
	if ch.Hazard == rig.Pump {
		c.flow(ev.At, ch.Name, ev.Value-o.value)
	}
	o.value, o.told, o.why = ev.Value, false, ""
	return nil
}

// energised looks at a command that turns, or keeps, an output on.
func (c *checker) energised(ev rig.Event, ch rig.Channel) {
	if ch.Hazard == rig.Idle {
		return
	}
	if c.unproved(ev, ch); c.off == nil {
		return
	}
	rule := Opened
	if c.tripped {
		rule = Latched
	}
	c.find(ev.At, ch.Name, rule, "was set to %v, %v after %v (%s)", rig.Quantity{N: ev.Value, Unit: ch.Unit}, ev.At.Sub(c.off.at), c.off.at, c.off.what)
}

// released looks at an output that has just been turned off.
func (c *checker) released(id rig.ID, o *output) {
	ch := c.table[id]
	slow := c.cutInTime(id, o.on)
	if !slow {
		c.inTime(id, o.on)
	}
	if ch.Hazard == rig.Pump {
		c.ran(o.on, ch.Name, o.ran+o.on.Sub(o.since))
	}
	if !c.tripped {
		return
	}
	if ch.Hazard < c.safe && !(slow && c.safe == rig.Idle) {
		c.find(o.on, ch.Name, Order, "was made safe (hazard %v) after an output of hazard %v; expected it before", ch.Hazard, c.safe)
	}
	c.safe = max(c.safe, ch.Hazard)
}

// close judges what is still on. Where the record breaks off, an output left
// on counts against the run only as long as it is known to have gone on: up
// to the last event from outside. The supervisor hands out its own events
// before it takes another of those.
func (c *checker) close() Report {
	until := c.heard
	if c.ended {
		until = c.end
	} else if c.report.Cut == "" {
		c.report.Cut = "the timeline has no end"
	}
	for id, o := range c.outputs {
		if o.value != 0 {
			c.leftOn(rig.ID(id), o, until)
		}
	}
	c.flow(until, "", 0)
	for _, n := range c.lines {
		c.report.Inputs = append(c.report.Inputs, n.Proof)
	}
	c.report.Delivered = rig.Volume(c.water.used + 0.5)
	if c.ended && c.off != nil && !c.tripped {
		c.find(c.off.at, c.off.channel, Untripped, "%s, and no trip is recorded", c.off.what)
	}
	return c.report
}

func (c *checker) leftOn(id rig.ID, o output, until rig.Instant) {
	ch := c.table[id]
	if c.ended {
		if c.unreached(id, o) {
			return
		}
		why := ""
		if o.why != "" {
			why = "; it was told to be, and " + o.why
		}
		c.find(until, ch.Name, AtEnd, "is at %v at the end of the run; expected 0%s", rig.Quantity{N: o.value, Unit: ch.Unit}, why)
	} else {
		c.report.On = append(c.report.On, ch.Name)
	}
	c.inTime(id, until)
	if ch.Hazard == rig.Pump {
		c.ran(until, ch.Name, o.ran+until.Sub(o.since))
	}
}
