package supply

import (
	"context"
	"errors"
	"fmt"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// belief is what the supply was last seen or made to have; nil is unknown.
type belief struct {
	voltage *physic.ElectricPotential
	current *physic.ElectricCurrent
	on      *bool
}

// property is a setting that can be read back.
type property[T any] struct {
	what  string
	query string // "": it can't be, with this supply
	parse func(string) (T, error)
	same  func(a, b T) bool
	show  func(T) string
}

func onOff(what, query string) property[bool] {
	show := func(on bool) string {
		if on {
			return "on"
		}
		return "off"
	}
	return property[bool]{what, query, parseBool, func(a, b bool) bool { return a == b }, show}
}

func (s *Supply) output() property[bool] { return onOff("output", s.dialect.Commands.Output) }

// level is a voltage. Readback may differ by half a step: a setting that was
// lost differs by a whole one at least.
func (s *Supply) level(what, query string) property[physic.ElectricPotential] {
	most := s.dialect.Voltage.Step / 2
	return property[physic.ElectricPotential]{what, query, parseVoltage,
		func(a, b physic.ElectricPotential) bool { return max(a-b, b-a) <= most },
		func(v physic.ElectricPotential) string { return rig.Of(v).String() }}
}

// limit is a current. Readback may differ by half a step.
func (s *Supply) limit(what, query string) property[physic.ElectricCurrent] {
	most := s.dialect.Current.Step / 2
	return property[physic.ElectricCurrent]{what, query, parseCurrent,
		func(a, b physic.ElectricCurrent) bool { return max(a-b, b-a) <= most },
		func(i physic.ElectricCurrent) string { return rig.Of(i).String() }}
}

func (s *Supply) voltage() property[physic.ElectricPotential] {
	return s.level("voltage", s.dialect.Commands.Voltage)
}

func (s *Supply) current() property[physic.ElectricCurrent] {
	return s.limit("current limit", s.dialect.Commands.Current)
}

// get asks for the property.
func (p property[T]) get(ctx context.Context, s *Supply) (T, error) {
	if p.query == "" {
		var none T
		return none, s.dialect.unsupported("read " + p.what)
	}
	return ask(ctx, s, p.query, p.parse)
}

// recall reads what was believed to be before into now; nothing if nothing was.
func (p property[T]) recall(ctx context.Context, s *Supply, before *T, now **T) (*Difference, error) {
	if before == nil {
		return nil, nil
	}
	if p.query == "" {
		return &Difference{p.what, p.show(*before), "not known"}, nil
	}
	have, err := read(ctx, s, p.query, 0, p.parse)
	if err != nil {
		return nil, err
	}
	*now = &have
	return p.differs(*before, have), nil
}

func (p property[T]) differs(want, have T) *Difference {
	if p.same(want, have) {
		return nil
	}
	return &Difference{p.what, p.show(want), p.show(have)}
}

// change is a command that sets something to a value, however often it is
// executed.
type change[T any] struct {
	message string
	moving  time.Duration // how long the output moves; 0 is not waited for
	again   bool          // may be sent once more if its outcome is unknown
	of      property[T]
	want    T
}

// apply makes a change, and sees to it that it was made if that can be read
// back. See the package comment for what happens when the link fails.
func apply[T any](ctx context.Context, s *Supply, c change[T]) error {
	for first := true; ; first = false {
		if err := s.ready(ctx); err != nil {
			return err
		}
		err := s.command(ctx, c.message, c.moving)
		var doubt *OutcomeError
		if err != nil && !errors.As(err, &doubt) {
			return err
		}
		once := !c.again || !first
		if doubt != nil {
			s.log.Warn("supply command in doubt", "command", c.message, "error", err)
			if e := s.ready(ctx); e != nil {
				return errors.Join(err, e)
			}
			err = errors.Join(err, join(s.takeReported(c.message)))
		}
		d, unread := c.readback(ctx, s)
		switch {
		case unread != nil:
			return errors.Join(err, fmt.Errorf("read back: %w", unread))
		case d == nil && (doubt == nil || c.of.query != ""):
			return nil
		case doubt == nil && (once || !s.urgent):
			return &ReadbackError{c.message, *d}
		case once && d != nil:
			return fmt.Errorf("%w; %v, and it is not sent again", err, *d)
		case once:
			return err
		}
	}
}

// readback returns how the supply differs from what is wanted; nil if it does
// not, or can't be read.
func (c change[T]) readback(ctx context.Context, s *Supply) (*Difference, error) {
	if c.of.query == "" {
		return nil, nil
	}
	have, err := c.of.get(ctx, s)
	if err != nil {
		return nil, err
	}
	return c.of.differs(c.want, have), nil
}
