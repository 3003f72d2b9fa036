package safety

import (
	"fmt"
	"time"

	"drench/rig"
)

// bounce is how long after it has closed at the end of a test an interlock line
// may open again without that being its own doing: contacts bounce for some
// milliseconds (common practice, no source).
const bounce = 50 * time.Millisecond

// line is an interlock line and how far its proof is.
type line struct {
	Proof
	test  rig.ID // the test line, if By is not ""
	level int64  // by its last edge
	step  step
	asked rig.Instant // when the test line was set,
	done  rig.Instant // and set back
	told  bool        // of its lack of proof
}

// step is how far a proof is.
type step uint8

const (
	untouched step = iota
	opening        // the test line is set
	opened         // and the interlock line has opened
	closing        // and the test line is set back
	proved         // and the interlock line has closed
)

func newLine(name string, l Limits, table []rig.Channel) (*line, error) {
	n := &line{Proof: Proof{Input: name, By: l.Tests[name]}, level: 1}
	if n.By == "" {
		return n, nil
	}
	var ok bool
	if n.test, ok = rig.Find(table, n.By); !ok || table[n.test].Dir != rig.Output || table[n.test].Hazard != rig.Idle {
		return nil, fmt.Errorf("limits: test line %q of interlock input %s is not an output of the run's bench that energises nothing", n.By, name)
	}
	return n, nil
}

// underTest tells whether it may be the test line that moves the line.
func (n *line) underTest(at rig.Instant) bool {
	switch n.step {
	case untouched:
		return false
	case proved:
		return at.Sub(n.done.Add(n.Closes)) <= bounce
	}
	return true
}

// edge notes where the line went.
func (n *line) edge(at rig.Instant, level int64) {
	n.level = level
	switch {
	case n.step == opening && level == 0:
		n.step, n.Opens = opened, at.Sub(n.asked)
	case n.step == closing && level != 0:
		n.step, n.Closes, n.Proved = proved, at.Sub(n.done), true
	}
}

// gap notes that the line moved and its edge was lost.
func (n *line) gap(at rig.Instant) {
	switch n.step {
	case opening:
		n.edge(at, 0)
	case closing:
		n.edge(at, 1)
	}
}

// set notes a command to the test line.
func (n *line) set(at rig.Instant, v int64) {
	switch {
	case v != 0 && n.step != opening && n.step != opened:
		n.step, n.asked, n.Proved = opening, at, false
	case v == 0 && n.step == opened:
		n.step, n.done = closing, at
	case v == 0 && n.step == opening: // in vain
		n.step = untouched
	}
}

// tests notes a command to a test line, which may be set only while nothing is
// energised.
func (c *checker) tests(ev rig.Event) {
	of := ""
	for _, n := range c.lines {
		if n.By != "" && n.test == ev.Channel {
			n.set(ev.At, ev.Value)
			of = n.By
		}
	}
	if of == "" || ev.Value == 0 {
		return
	}
	for id, o := range c.outputs {
		if ch := c.table[id]; o.value != 0 && ch.Hazard != rig.Idle {
			c.find(ev.At, of, Tested, "was set while %s was on; expected nothing energised during a test of interlock lines", ch.Name)
			return
		}
	}
}

// unproved finds the lines whose proof is missing when something is energised,
// once each.
func (c *checker) unproved(ev rig.Event, ch rig.Channel) {
	for _, n := range c.lines {
		if n.By == "" || n.told || n.step == proved && n.level != 0 {
			continue
		}
		n.told = true
		c.find(ev.At, ch.Name, Unproved, "was set to %v; expected interlock line %s to have been opened and closed by %s before", rig.Quantity{N: ev.Value, Unit: ch.Unit}, n.Input, n.By)
	}
}
