package supply

import (
	"context"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Reset brings the supply to its *RST state, in which the output is off.
func (s *Supply) Reset(ctx context.Context) error {
	return s.do(ctx, "reset supply", func(ctx context.Context) error {
		if s.dialect.Commands.Reset == "" {
			return s.dialect.unsupported("reset")
		}
		if err := s.ready(ctx); err != nil {
			return err
		}
		s.belief = belief{}
		s.guarded = false
		return s.switched(ctx, change[bool]{message: s.dialect.Commands.Reset, moving: s.fall(), of: s.output(), want: false})
	})
}

// SetVoltage sets the level and reads it back. It returns when the output has
// settled, if it is on.
func (s *Supply) SetVoltage(ctx context.Context, v physic.ElectricPotential) error {
	return s.do(ctx, "set supply voltage", func(ctx context.Context) error { return s.setVoltage(ctx, v) })
}

func (s *Supply) setVoltage(ctx context.Context, v physic.ElectricPotential) error {
	span := s.dialect.Voltage
	if v < span.Min || v > span.Max {
		return &RangeError{"voltage", rig.Of(v), rig.Of(span.Min), rig.Of(span.Max)}
	}
	if err := s.ready(ctx); err != nil {
		return err
	}
	message, v := s.dialect.withVoltage(s.dialect.Commands.SetVoltage, v)
	moving := s.travel(v)
	s.belief.voltage = nil
	err := apply(ctx, s, change[physic.ElectricPotential]{message: message, moving: moving, again: true, of: s.voltage(), want: v})
	if err == nil {
		s.belief.voltage = &v
	}
	return err
}

// SetCurrent sets the current limit and reads it back.
func (s *Supply) SetCurrent(ctx context.Context, i physic.ElectricCurrent) error {
	return s.do(ctx, "set supply current limit", func(ctx context.Context) error {
		span := s.dialect.Current
		if i < span.Min || i > span.Max {
			return &RangeError{"current limit", rig.Of(i), rig.Of(span.Min), rig.Of(span.Max)}
		}
		if err := s.ready(ctx); err != nil {
			return err
		}
		message, i := s.dialect.withCurrent(s.dialect.Commands.SetCurrent, i)
		s.belief.current = nil
		err := apply(ctx, s, change[physic.ElectricCurrent]{message: message, moving: s.dialect.Settling, again: true, of: s.current(), want: i})
		if err == nil {
			s.belief.current = &i
		}
		return err
	})
}

// Output turns the output on or off and reads back that it is. Turning on
// returns when the output has settled; turning off does not wait for the fall.
func (s *Supply) Output(ctx context.Context, on bool) error {
	return s.do(ctx, "turn supply output "+s.output().show(on), func(ctx context.Context) error { return s.turnOutput(ctx, on) })
}

func (s *Supply) turnOutput(ctx context.Context, on bool) error {
	if !on {
		return s.turnOff(ctx)
	}
	if err := s.ready(ctx); err != nil {
		return err
	}
	rise := s.dialect.travel(0, s.dialect.Voltage.Max)
	if s.belief.voltage != nil {
		rise = s.dialect.travel(0, *s.belief.voltage)
	}
	return s.switched(ctx, change[bool]{message: s.dialect.Commands.OutputOn, moving: rise, of: s.output(), want: true})
}

// turnOff turns the output off whatever else is wrong.
func (s *Supply) turnOff(ctx context.Context) error {
	s.urgent = true
	defer func() { s.urgent = false }()
	off := s.dialect.Commands.OutputOff
	if s.wire != nil && s.unsure {
		// It has no answer, so it can't confuse the line further; a link that
		// fails is seen to below.
		_ = s.send(ctx, off)
	}
	return s.switched(ctx, change[bool]{message: off, again: true, of: s.output()})
}

// switched makes a change to the output's state.
func (s *Supply) switched(ctx context.Context, c change[bool]) error {
	s.belief.on = nil
	err := apply(ctx, s, c)
	if err == nil {
		s.belief.on = &c.want
	}
	return err
}

// travel is how long the output will move to a new level; 0 if it is off.
func (s *Supply) travel(to physic.ElectricPotential) time.Duration {
	switch {
	case s.belief.on != nil && !*s.belief.on:
		return 0
	case s.belief.voltage != nil:
		return s.dialect.travel(*s.belief.voltage, to)
	}
	return max(s.fall(), s.dialect.travel(0, s.dialect.Voltage.Max))
}

// fall is how long the output takes to fall from wherever it is.
func (s *Supply) fall() time.Duration { return s.dialect.travel(s.dialect.Voltage.Max, 0) }

// Voltage measures the voltage at the terminals.
func (s *Supply) Voltage(ctx context.Context) (v physic.ElectricPotential, err error) {
	err = s.do(ctx, "measure supply voltage", func(ctx context.Context) error {
		v, err = ask(ctx, s, s.dialect.Commands.MeasureVoltage, parseVoltage)
		return err
	})
	return v, err
}

// Current measures the current that the supply delivers.
func (s *Supply) Current(ctx context.Context) (i physic.ElectricCurrent, err error) {
	err = s.do(ctx, "measure supply current", func(ctx context.Context) error {
		if s.dialect.Commands.MeasureCurrent == "" {
			return s.dialect.unsupported("measure current")
		}
		i, err = ask(ctx, s, s.dialect.Commands.MeasureCurrent, parseCurrent)
		return err
	})
	return i, err
}

// Setpoint is what the supply is set to.
type Setpoint struct {
	Voltage physic.ElectricPotential
	Current physic.ElectricCurrent
	On      bool
}

// Setpoint reads back what the supply is set to. A part that can't be read
// back makes it fail with [ErrUnsupported].
func (s *Supply) Setpoint(ctx context.Context) (p Setpoint, err error) {
	err = s.do(ctx, "read supply settings", func(ctx context.Context) error {
		if p.Voltage, err = s.voltage().get(ctx, s); err != nil {
			return err
		}
		if p.Current, err = s.current().get(ctx, s); err != nil {
			return err
		}
		if p.On, err = s.output().get(ctx, s); err != nil {
			return err
		}
		s.belief = belief{&p.Voltage, &p.Current, &p.On}
		return nil
	})
	return p, err
}
