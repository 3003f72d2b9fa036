package scenarios

import (
	"errors"
	"fmt"
	"time"

	"drench/rig"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"
)

// watched is a verb that disturbs the supply, and tells in addition whether the
// DUT ran through it.
func watched(do func(*session, arguments) (starlark.Value, error)) func(*session, arguments) (starlark.Value, error) {
	return func(s *session, a arguments) (starlark.Value, error) {
		s.life.watch()
		v, err := do(s, a)
		if err != nil {
			return nil, err
		}
		dead, err := v.(*starlarkstruct.Struct).Attr("detected")
		if err != nil {
			return nil, err
		}
		held := !s.life.broken && !bool(dead.Truth())
		s.seen.disturbance(s.disturbed(a), held)
		return withHeld(v, held), nil
	}
}

// withHeld adds to an answer whether the DUT held.
func withHeld(answer starlark.Value, held bool) starlark.Value {
	d := starlark.StringDict{}
	answer.(*starlarkstruct.Struct).ToStringDict(d)
	d["held"] = starlark.Bool(held)
	return starlarkstruct.FromStringDict(starlark.String("answer"), d)
}

// disturbed says what a call of hold or dip did.
func (s *session) disturbed(a arguments) condition {
	c := condition{level: s.absolute(a.quantity("level")).N}
	if a.has("width") {
		c.verb, c.width, c.source = "dip", a.duration("width"), a.text("source")
		return c
	}
	c.verb = "hold"
	return c
}

// standing checks what hold and rise have in common.
func (s *session) standing(level, from int64) error {
	if !s.powered {
		return errors.New("the DUT is off; expected power() before")
	}
	if level < 0 || level >= from {
		return fmt.Errorf("a level of %v is none to go down to from %v; expected one below it",
			rig.Quantity{N: level, Unit: rig.Volt}, rig.Quantity{N: from, Unit: rig.Volt})
	}
	return s.pause()
}

// hold is a trial: the supply stands at a level.
func (s *session) hold(a arguments) (starlark.Value, error) {
	level, width, from := s.absolute(a.quantity("level")).N, a.duration("time"), s.run.Last(rig.SupplySet)
	if err := s.standing(level, from); err != nil {
		return nil, err
	}
	if err := s.wait(s.phase()); err != nil {
		return nil, err
	}
	spec := rig.Trial{Kind: rig.Dip, Within: s.recoverWithin(a),
		Dip: &rig.DipSpec{Shape: rig.Hold, Level: millivolt(level), From: millivolt(from), Width: width}}
	return s.disturb(spec, func() error {
		if err := s.set(rig.SupplySet, level, rig.Volt); err != nil {
			return err
		}
		return errors.Join(s.wait(width), s.set(rig.SupplySet, from, rig.Volt))
	})
}

// rise is a trial: the DUT is stopped at a low level, and the supply raised to
// a level at which it may start or not.
func (s *session) rise(a arguments) (starlark.Value, error) {
	level, low, from := s.absolute(a.quantity("level")).N, s.absolute(a.quantity("low")).N, s.run.Last(rig.SupplySet)
	if err := s.standing(level, from); err != nil {
		return nil, err
	}
	if low < 0 || low >= level {
		return nil, fmt.Errorf("a rise from %v to %v is none; expected a low level below the other",
			rig.Quantity{N: low, Unit: rig.Volt}, rig.Quantity{N: level, Unit: rig.Volt})
	}
	width := s.recoverWithin(arguments{})
	if a.has("time") {
		width = a.duration("time")
	}
	if err := s.wait(s.phase()); err != nil {
		return nil, err
	}
	spec := rig.Trial{Kind: rig.Dip, Within: s.recoverWithin(a),
		Dip: &rig.DipSpec{Shape: rig.Rise, Level: millivolt(level), From: millivolt(from), Width: width, Low: millivolt(low)}}
	started := false
	v, err := s.disturb(spec, func() (err error) {
		started, err = s.startsAt(level, low, from, width)
		return err
	})
	if err != nil {
		return nil, err
	}
	s.seen.disturbance(condition{verb: "rise", level: level}, started)
	return withHeld(v, started), nil
}

// startsAt takes the supply to low, to the level, and back, and tells whether
// the heart beat at the level.
func (s *session) startsAt(level, low, from int64, width time.Duration) (bool, error) {
	if err := s.set(rig.SupplySet, low, rig.Volt); err != nil {
		return false, err
	}
	if err := s.wait(settle + time.Second); err != nil {
		return false, err
	}
	if err := s.set(rig.SupplySet, level, rig.Volt); err != nil {
		return false, err
	}
	s.life.watch()
	err := s.wait(width)
	return s.life.beats > 0, errors.Join(err, s.set(rig.SupplySet, from, rig.Volt))
}
