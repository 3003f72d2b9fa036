package supply

import (
	"context"
	"fmt"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Protection is where the supply switches its output off by itself. A level of
// 0 is none.
type Protection struct {
	OverVoltage physic.ElectricPotential
	OverCurrent physic.ElectricCurrent
}

// SetProtection sets and arms the protections that p has a level for, and
// reads back that they are as wanted. It leaves the others as they are.
func (s *Supply) SetProtection(ctx context.Context, p Protection) error {
	return s.do(ctx, "set supply protection", func(ctx context.Context) error {
		c := s.dialect.Commands
		if p.OverVoltage < 0 || p.OverCurrent < 0 {
			return fmt.Errorf("%v and %v; expected levels of 0 or more", rig.Of(p.OverVoltage), rig.Of(p.OverCurrent))
		}
		if p.OverVoltage > 0 {
			message, v := s.dialect.withVoltage(c.SetOverVoltage, p.OverVoltage)
			if err := protect(ctx, s, message, s.level("over-voltage level", c.OverVoltage), v); err != nil {
				return err
			}
			if err := s.arm(ctx, c.ArmOverVoltage, onOff("over-voltage protection", c.OverVoltageArmed)); err != nil {
				return err
			}
		}
		if p.OverCurrent > 0 {
			message, i := s.dialect.withCurrent(c.SetOverCurrent, p.OverCurrent)
			if err := protect(ctx, s, message, s.limit("over-current level", c.OverCurrent), i); err != nil {
				return err
			}
			return s.arm(ctx, c.ArmOverCurrent, onOff("over-current protection", c.OverCurrentArmed))
		}
		return nil
	})
}

// protect sets a protection's level; one that can't be verified is none.
func protect[T any](ctx context.Context, s *Supply, message string, level property[T], want T) error {
	if message == "" || level.query == "" {
		return s.dialect.unsupported("set and read back " + level.what)
	}
	s.guarded = true
	return apply(ctx, s, change[T]{message: message, again: true, of: level, want: want})
}

// arm switches a protection on. A supply without a command for it has it on
// always.
func (s *Supply) arm(ctx context.Context, message string, armed property[bool]) error {
	if message == "" {
		return nil
	}
	return apply(ctx, s, change[bool]{message: message, again: true, of: armed, want: true})
}

// Protection reads back the levels; a level that can't be read is 0.
func (s *Supply) Protection(ctx context.Context) (p Protection, err error) {
	err = s.do(ctx, "read supply protection", func(ctx context.Context) error {
		c := s.dialect.Commands
		if c.OverVoltage != "" {
			if p.OverVoltage, err = s.level("over-voltage level", c.OverVoltage).get(ctx, s); err != nil {
				return err
			}
		}
		if c.OverCurrent != "" {
			p.OverCurrent, err = s.limit("over-current level", c.OverCurrent).get(ctx, s)
		}
		return err
	})
	return p, err
}

// Trips says which protections hold the output off.
type Trips struct{ OverVoltage, OverCurrent bool }

// Trips reads which protections have tripped.
func (s *Supply) Trips(ctx context.Context) (t Trips, err error) {
	err = s.do(ctx, "read supply trips", func(ctx context.Context) error {
		c := s.dialect.Commands
		if c.OverVoltageTripped == "" && c.OverCurrentTripped == "" {
			return s.dialect.unsupported("read trips")
		}
		t, err = s.trips(ctx)
		return err
	})
	return t, err
}

func (s *Supply) trips(ctx context.Context) (t Trips, err error) {
	c := s.dialect.Commands
	if c.OverVoltageTripped != "" {
		if t.OverVoltage, err = ask(ctx, s, c.OverVoltageTripped, parseBool); err != nil {
			return t, err
		}
	}
	if c.OverCurrentTripped != "" {
		t.OverCurrent, err = ask(ctx, s, c.OverCurrentTripped, parseBool)
	}
	return t, err
}

// ClearTrips turns the output off and then clears the protections that have
// tripped: supplies return a cleared output to what it was, which may be on.
func (s *Supply) ClearTrips(ctx context.Context) error {
	return s.do(ctx, "clear supply trips", func(ctx context.Context) error {
		if err := s.turnOff(ctx); err != nil {
			return err
		}
		t, err := s.trips(ctx)
		if err != nil {
			return err
		}
		c := s.dialect.Commands
		if t.OverVoltage {
			if err := s.clearTrip(ctx, c.ClearOverVoltage, onOff("over-voltage trip", c.OverVoltageTripped)); err != nil {
				return err
			}
		}
		if t.OverCurrent {
			return s.clearTrip(ctx, c.ClearOverCurrent, onOff("over-current trip", c.OverCurrentTripped))
		}
		return nil
	})
}

func (s *Supply) clearTrip(ctx context.Context, message string, tripped property[bool]) error {
	if message == "" {
		return s.dialect.unsupported("clear " + tripped.what)
	}
	return apply(ctx, s, change[bool]{message: message, of: tripped, want: false})
}
