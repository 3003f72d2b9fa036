package interlock

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"drench/rig"
)

const (
	// testWithin is how long an input gets to open, and to close, after its test
	// line was set: relays take some 10 ms (common practice, no source), and a
	// bench hands out an edge some milliseconds after it.
	testWithin = 500 * time.Millisecond
	// testSettle is how long an input must have kept its level: contacts bounce
	// for some milliseconds (common practice, no source).
	testSettle = 20 * time.Millisecond
)

// Opening says that an interlock input was seen to open.
type Opening struct {
	Input string
	At    rig.Instant
	By    string // the test line that opened it, "" if it opened by itself
}

// Openings are, for each input that was seen closed and then open, the last
// time that it was, in the order of the configuration. It is how a caller
// knows what to tell the next run by LastOpened.
func (g *Guard) Openings() []Opening {
	var seen []Opening
	for _, name := range g.cfg.Inputs {
		if o, ok := g.openings[name]; ok {
			seen = append(seen, o)
		}
	}
	return seen
}

// level books what an interlock input was seen to have.
func (g *Guard) level(id rig.ID, v int64, at rig.Instant) {
	name := g.table[id].Name
	if v == 0 && g.closed[id] {
		o := Opening{Input: name, At: at}
		if slices.Contains(g.testing, id) {
			o.By = g.cfg.Tests[name]
		}
		g.openings[name] = o
	}
	g.closed[id] = v != 0
}

// wireTests finds the test lines.
func (g *Guard) wireTests() error {
	for _, name := range g.cfg.Inputs { // not the map: lines are tested in this order
		line, ok := g.cfg.Tests[name]
		if !ok {
			continue
		}
		id, ok := rig.Find(g.table, line)
		if !ok || g.table[id].Dir != rig.Output || g.table[id].Hazard != rig.Idle || line == rig.Deadman {
			return fmt.Errorf("test line %q of interlock input %s is not an output of this bench that energises nothing", line, name)
		}
		if !slices.Contains(g.tests, id) {
			g.tests = append(g.tests, id)
		}
	}
	for name := range g.cfg.Tests {
		if !slices.Contains(g.cfg.Inputs, name) {
			return fmt.Errorf("interlock.tests has a test line for %q, which is not among interlock.inputs", name)
		}
	}
	g.tested = len(g.tests) == 0
	return nil
}

// SelfTest looks whether the interlock inputs work, before anything is
// energised: each must read healthy; a test line opens the loops of its inputs,
// each of which must be seen to open and to close again, by its edges and by
// its level. What fails is a trip. What has no test line is not proved, and a
// note says when it was last seen to open.
//
// Until it has succeeded, Set energises nothing on a bench with test lines. The
// events go to record as they come; an error of record ends it.
func (g *Guard) SelfTest(ctx context.Context, record func(rig.Event) error) error {
	for _, id := range g.outputs {
		if c := g.table[id]; g.value[id] != 0 && c.Hazard != rig.Idle {
			return fmt.Errorf("self-test of the interlock inputs: %s is on; expected nothing energised", c.Name)
		}
	}
	g.polled = 0
	g.pass(ctx, g.bench.Now())
	for _, line := range g.tests {
		if err := g.pulse(ctx, line, record); err != nil {
			return err
		}
	}
	if g.trip != nil {
		return g.trip
	}
	g.tested = true
	for _, name := range g.cfg.Inputs {
		if err := record(rig.Event{At: g.bench.Now(), Kind: rig.Note, Text: "self-test: " + name + " " + g.proof(name)}); err != nil {
			return err
		}
	}
	return nil
}

// proof says what is known of an input that reads healthy.
func (g *Guard) proof(input string) string {
	if line, ok := g.cfg.Tests[input]; ok {
		return "opened and closed by " + line
	}
	const not = "reads healthy; not proved in this run"
	when, known := g.LastOpened[input]
	switch {
	case g.LastOpened == nil:
		return not
	case !known:
		return not + ", and never seen to open"
	}
	return not + "; last seen to open: " + when
}

// pulse opens and closes the inputs of a test line.
func (g *Guard) pulse(ctx context.Context, line rig.ID, record func(rig.Event) error) error {
	for _, id := range g.inputs {
		if g.cfg.Tests[g.table[id].Name] == g.table[line].Name {
			g.testing = append(g.testing, id)
		}
	}
	defer func() { g.testing = nil }()
	for _, step := range []struct {
		set, want int64
		fails     string
	}{
		{1, 0, "%s does not open %s: something bridges the loop, or it is not wired"},
		{0, 1, "after %s the loop stays open: %s"},
	} {
		if g.trip != nil {
			return g.trip
		}
		if err := g.drive(ctx, line, step.set, record); err != nil {
			return err
		}
		wrong, err := g.follow(ctx, step.want, record)
		if err != nil {
			return err
		}
		if len(wrong) > 0 {
			g.tripNow(g.bench.Now(), "self-test: "+fmt.Sprintf(step.fails, g.table[line].Name, strings.Join(wrong, ", ")))
			return g.trip
		}
	}
	return nil
}

// drive sets a test line.
func (g *Guard) drive(ctx context.Context, line rig.ID, v int64, record func(rig.Event) error) error {
	at, err := g.bench.Set(context.WithoutCancel(ctx), line, v)
	switch {
	case err != nil:
		g.failed(line, v, err)
		g.tripNow(g.bench.Now(), fmt.Sprintf("an output does not obey: set %s: %v", g.table[line].Name, err))
		return g.trip
	case at == rig.Pending:
		g.slow.give(line, v, true)
		return nil
	}
	g.account(line, v, at)
	return record(rig.Event{At: at, Kind: rig.Command, Channel: line, Value: v})
}

// follow waits until the inputs under test have a level, and returns those that
// don't have it, or whose edges did not come.
func (g *Guard) follow(ctx context.Context, want int64, record func(rig.Event) error) (wrong []string, err error) {
	deadline := g.bench.Now().Add(testWithin)
	there := map[rig.ID]bool{} // its last edge, or what stands for it, was to want
	until := deadline
	for {
		ev, ok, err := g.Await(ctx, until)
		if err != nil {
			return nil, err
		}
		if !ok {
			break
		}
		if err := record(ev); err != nil {
			return nil, err
		}
		if !slices.Contains(g.testing, ev.Channel) {
			continue
		}
		switch ev.Kind {
		case rig.Edge:
			there[ev.Channel] = ev.Value == want
		case rig.Gap: // an edge was lost, and the loss noticed
			there[ev.Channel] = true
		default:
			continue
		}
		if until = deadline; g.allOf(there) {
			until = min(deadline, g.bench.Now().Add(testSettle))
		}
	}
	for _, id := range g.testing {
		v, err := g.bench.Ask(ctx, id)
		if err != nil || v != want || !there[id] {
			wrong = append(wrong, g.table[id].Name)
			continue
		}
		g.level(id, v, g.bench.Now())
	}
	return wrong, nil
}

// allOf tells whether all inputs under test are there.
func (g *Guard) allOf(there map[rig.ID]bool) bool {
	return !slices.ContainsFunc(g.testing, func(id rig.ID) bool { return !there[id] })
}
