package scenarios

import (
	"fmt"
	"time"

	"drench/results/adaptive"
	"drench/rig"

	"go.starlark.net/starlark"
)

// seen is what the trials of a run came to, as the searches choose by it. What
// is judged afterwards is read from the timeline alone.
type seen struct {
	doses  []adaptive.DoseTrial
	levels []disturbance
	test   *rig.TestSpec // that wet trials belong to, nil before
	wet    int           // trials since the test began
	missed int
	result adaptive.Decision // of the test so far
	plan   adaptive.DosePlan
	ready  *adaptive.Doses // the plan made ready
}

// condition is a supply disturbance as the searches tell them apart.
type condition struct {
	verb   string // dip, hold, rise
	level  int64  // nV
	width  time.Duration
	source string
}

type disturbance struct {
	condition
	held bool
}

// trial takes a trial with water.
func (s *seen) trial(t rig.Trial, found bool) {
	switch {
	case t.Kind == rig.Probe && t.Dose > 0:
		s.doses = append(s.doses, adaptive.DoseTrial{Dose: int64(t.Dose), Hit: found})
	case t.Test != nil:
		s.wet++
		if !found {
			s.missed++
		}
	}
}

func (s *seen) disturbance(c condition, held bool) {
	s.levels = append(s.levels, disturbance{c, held})
}

// open is the test that the next wet trial belongs to: one that was decided
// takes no more.
func (s *seen) open() *rig.TestSpec {
	if s.result != adaptive.Continue {
		return nil
	}
	return s.test
}

// nextDose returns the dose for the next probe, or None.
func (s *session) nextDose(a arguments) (starlark.Value, error) {
	plan := adaptive.DosePlan{Low: a.quantity("low").N, High: a.quantity("high").N, Step: a.quantity("step").N, Ratio: 2, Least: 16}
	if a.has("ratio") {
		plan.Ratio = a.float("ratio")
	}
	var err error
	if plan.Least, err = a.count("least", plan.Least); err != nil {
		return nil, err
	}
	if s.seen.ready == nil || s.seen.plan != plan {
		ready, err := plan.Doses()
		if err != nil {
			return nil, fmt.Errorf("next_dose: %w", err)
		}
		s.seen.plan, s.seen.ready = plan, ready
	}
	next, err := s.seen.ready.Next(s.seen.doses)
	switch {
	case err != nil:
		return nil, fmt.Errorf("next_dose: %w", err)
	case next.Settled:
		return starlark.None, nil
	}
	return Quantity{rig.Quantity{N: next.Dose, Unit: rig.Litre}}, nil
}

// repeats is how often a level must be held, unless the script says otherwise.
const repeats = 3

// nextLevel returns the level for the next disturbance, or None.
func (s *session) nextLevel(a arguments) (starlark.Value, error) {
	plan := adaptive.LevelPlan{Low: s.absolute(a.quantity("low")).N, High: s.absolute(a.quantity("high")).N, Resolution: a.quantity("resolution").N}
	var err error
	if plan.Repeats, err = a.count("repeats", repeats); err != nil {
		return nil, err
	}
	of := a.text("of")
	if (of == "dip") != a.has("width") {
		return nil, fmt.Errorf(`next_level(of=%q): expected a width with "dip", and with nothing else`, of)
	}
	var trials []adaptive.LevelTrial
	for _, d := range s.seen.levels {
		if d.verb == of && d.width == a.duration("width") && d.source != "high" {
			trials = append(trials, adaptive.LevelTrial{Level: d.level, Held: d.held})
		}
	}
	b, err := plan.Next(trials)
	return s.next("next_level", b, rig.Volt, 1, err)
}

// nextWidth returns the width for the next interruption of high impedance, or
// None. A shorter one is held where a longer is, so widths count from 0 down.
func (s *session) nextWidth(a arguments) (starlark.Value, error) {
	plan := adaptive.LevelPlan{Low: -a.quantity("high").N, High: -a.quantity("low").N, Resolution: a.quantity("resolution").N}
	var err error
	if plan.Repeats, err = a.count("repeats", repeats); err != nil {
		return nil, err
	}
	var trials []adaptive.LevelTrial
	for _, d := range s.seen.levels {
		if d.verb == "dip" && d.level == 0 && d.source == "high" {
			trials = append(trials, adaptive.LevelTrial{Level: -int64(d.width), Held: d.held})
		}
	}
	b, err := plan.Next(trials)
	return s.next("next_width", b, rig.Second, -1, err)
}

// next is a search's answer to a script.
func (s *session) next(verb string, b adaptive.Bracket, u rig.Unit, sign int64, err error) (starlark.Value, error) {
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s: %w", verb, err)
	case b.Settled:
		return starlark.None, nil
	}
	return Quantity{rig.Quantity{N: sign * b.Next, Unit: u}}, nil
}

// usualRisk is a sequential test's risk of either error, unless the script says
// otherwise.
const usualRisk rig.Share = 5e7

// assured says what the sequential test has come to. Its first call begins the
// test, a call with other numbers another.
func (s *session) assured(a arguments) (starlark.Value, error) {
	spec := rig.TestSpec{Good: rig.Share(a.quantity("good").N), Bad: rig.Share(a.quantity("bad").N), Alpha: usualRisk, Beta: usualRisk}
	if a.has("alpha") {
		spec.Alpha = rig.Share(a.quantity("alpha").N)
	}
	if a.has("beta") {
		spec.Beta = rig.Share(a.quantity("beta").N)
	}
	var err error
	if spec.Most, err = a.count("most", 0); err != nil {
		return nil, err
	}
	if s.seen.test == nil || *s.seen.test != spec {
		s.seen.test, s.seen.wet, s.seen.missed, s.seen.result = &spec, 0, 0, adaptive.Continue
	}
	if s.seen.result == adaptive.Continue {
		if s.seen.result, err = adaptive.TestOf(spec).Decide(s.seen.wet, s.seen.missed); err != nil {
			return nil, fmt.Errorf("assured: %w", err)
		}
	}
	return starlark.String(s.seen.result), nil
}

// count is a whole number that counts something.
func (a arguments) count(name string, otherwise int) (int, error) {
	if !a.has(name) {
		return otherwise, nil
	}
	n, err := starlark.AsInt32(a[name])
	if err != nil || n < 1 {
		return 0, fmt.Errorf("%s is %v: expected a whole number of 1 or more", name, a[name])
	}
	return n, nil
}
