package supply

import (
	"context"
	"fmt"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Set drives the supply as an output channel of a bench, in nanovolt. 0 turns
// the output off and then brings the level down; more sets the level, reads it
// back, and turns the output on unless it is on. An output that was on and is
// found off is a [StateError], so that whatever switched it off is not
// overruled unseen; the next call turns it on.
//
// An output that a protection of [Supply.SetProtection] holds off is a
// [TripError].
func (s *Supply) Set(ctx context.Context, nV int64) error {
	v := physic.ElectricPotential(nV)
	return s.do(ctx, fmt.Sprintf("set supply to %v", rig.Of(v)), func(ctx context.Context) error {
		if v == 0 {
			if err := s.turnOff(ctx); err != nil {
				return err
			}
			s.urgent = true // what has changed is for the next call to tell
			defer func() { s.urgent = false }()
			return s.setVoltage(ctx, s.dialect.Voltage.Min)
		}
		if err := s.setVoltage(ctx, v); err != nil {
			return err
		}
		return s.ensureOn(ctx)
	})
}

// ensureOn turns the output on if it is not seen to be on.
func (s *Supply) ensureOn(ctx context.Context) error {
	if s.guarded {
		t, err := s.trips(ctx)
		if err != nil {
			return err
		}
		if t != (Trips{}) {
			return &TripError{t}
		}
	}
	if s.dialect.Commands.Output != "" {
		on, err := s.output().get(ctx, s)
		if err != nil {
			return err
		}
		before := s.belief.on
		if s.belief.on = &on; on {
			return nil
		}
		if before != nil && *before {
			return &StateError{[]Difference{*s.output().differs(true, false)}}
		}
	}
	return s.turnOutput(ctx, true)
}

// Read measures the voltage at the supply's terminals as a channel of a bench,
// in nanovolt.
func (s *Supply) Read(ctx context.Context) (int64, error) {
	v, err := s.Voltage(ctx)
	return int64(v), err
}
