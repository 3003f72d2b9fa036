package scenarios

import (
	"errors"
	"fmt"
	"time"

	"drench/rig"

	"go.starlark.net/starlark"
	"periph.io/x/conn/v3/physic"
)

const (
	background = time.Second            // rail and energy are read this often all the time
	settle     = 500 * time.Millisecond // supplies get this long to reach a level
	railWithin = 3 * time.Second        // to see the rail at its level
	between    = 10 * time.Second       // from one disturbance to the next (IEC 61000-4-29: at least 10 s, from memory)
)

func (s *session) power(a arguments) (starlark.Value, error) {
	level := int64(s.Device.Supply)
	if a.has("level") {
		level = a.quantity("level").N
	}
	s.run.Watch(rig.Rail, background)
	s.run.Watch(rig.DUTEnergy, background)
	if !s.probed {
		s.probed = true
		if fed, err := s.fed(); err != nil || fed {
			if err == nil {
				err = s.run.Note("the rail is up before the supply is: two sources could fight; unplug the other one")
			}
			if err != nil {
				return nil, err
			}
		}
	}
	if err := s.set(rig.SupplySet, level, rig.Volt); err != nil {
		return nil, err
	}
	if err := s.wait(settle); err != nil {
		return nil, err
	}
	if err := s.close(level); err != nil {
		return nil, err
	}
	return starlark.None, s.start()
}

// close connects the DUT and marks the instant at which its rail is good.
func (s *session) close(level int64) error {
	if err := s.switchOn(rig.RelayDUT); err != nil {
		return err
	}
	s.powered = true
	deadline := s.run.Now().Add(railWithin)
	for {
		q, err := s.run.Ask(s.ctx, rig.Rail)
		if err != nil {
			return err
		}
		if q.N >= level/20*19 {
			return errors.Join(s.run.Mark(rig.MarkPowered), s.takeUART())
		}
		if s.run.Now() >= deadline {
			return fmt.Errorf("the DUT's rail reads %v, %v after switching on; expected %v: look at supply, relay and current limit",
				q, railWithin, physic.ElectricPotential(level))
		}
		if err := s.wait(time.Millisecond); err != nil {
			return err
		}
	}
}

// start waits for the first heartbeat, at most three claimed start-up times
// (a slow one is a measure, not an error), and lets the DUT take its first
// readings.
func (s *session) start() error {
	if s.run.Has(rig.Heartbeat) {
		if _, err := s.run.NextEdge(s.ctx, rig.Heartbeat, 3*s.Device.StartUp); err != nil {
			return err
		}
	}
	return s.wait(2 * s.Device.Sampling.Period)
}

func (s *session) powerOff(arguments) (starlark.Value, error) { return starlark.None, s.open() }

// open disconnects the DUT on purpose.
func (s *session) open() error {
	if err := s.run.Mark(rig.MarkOff); err != nil {
		return err
	}
	s.powered = false
	if _, err := s.letGo(); err != nil {
		return err
	}
	return s.switchOff(rig.RelayDUT)
}

// fed tells whether the rail is up although the supply line is open, and marks
// it.
func (s *session) fed() (bool, error) {
	for range 2 { // a rail that is still falling gets a second
		q, err := s.run.Ask(s.ctx, rig.Rail)
		if err != nil {
			return false, err
		}
		if q.N < int64(s.Device.Supply)/10 {
			return false, nil
		}
		if err := s.wait(time.Second); err != nil {
			return false, err
		}
	}
	return true, s.run.Mark(rig.MarkBackfed)
}

// backfedVerb drains the rail into a dip rail at 0 V, opens the supply line,
// and looks whether the rail climbs.
func (s *session) backfedVerb(arguments) (starlark.Value, error) {
	wasOn := s.powered
	level := s.run.Last(rig.SupplySet)
	steps := []func() error{
		func() error { return s.run.Mark(rig.MarkOff) },
		func() error { _, err := s.letGo(); return err },
		func() error { return s.set(rig.DipRail, 0, rig.Volt) },
		func() error { return s.switchOn(rig.RelayDip) },
		func() error { return s.wait(settle) },
		s.open,
		func() error { return s.switchOff(rig.RelayDip) },
		func() error { return s.wait(2 * time.Second) },
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return nil, err
		}
	}
	fed, err := s.fed()
	if err != nil || !wasOn {
		return starlark.Bool(fed), err
	}
	if err := s.close(level); err != nil {
		return nil, err
	}
	return starlark.Bool(fed), s.start()
}

func (s *session) reset(arguments) (starlark.Value, error) { return starlark.None, s.pulseReset() }

func (s *session) pulseReset() error {
	if err := s.run.Mark(rig.MarkOff); err != nil {
		return err
	}
	if err := s.pulse(rig.Reset, 50*time.Millisecond); err != nil {
		return err
	}
	if err := s.run.Mark(rig.MarkPowered); err != nil {
		return err
	}
	return s.start()
}

func (s *session) wake(arguments) (starlark.Value, error) {
	return starlark.None, s.pulse(rig.Wake, 10*time.Millisecond)
}

func (s *session) pulse(name string, width time.Duration) error {
	if err := s.switchOn(name); err != nil {
		return err
	}
	if err := s.wait(width); err != nil {
		return err
	}
	return s.switchOff(name)
}

func (s *session) waitVerb(a arguments) (starlark.Value, error) {
	return starlark.None, s.wait(a.duration("time"))
}

func (s *session) quiet(a arguments) (starlark.Value, error) {
	if err := s.run.Mark(rig.MarkQuiet); err != nil {
		return nil, err
	}
	if err := s.wait(a.duration("time")); err != nil {
		return nil, err
	}
	return starlark.None, s.run.Mark(rig.MarkBusy)
}
