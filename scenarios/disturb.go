package scenarios

import (
	"errors"
	"fmt"
	"time"

	"drench/rig"

	"go.starlark.net/starlark"
)

// recoverWithin is how long a DUT gets to show a heartbeat after a
// disturbance, unless the script says otherwise: three claimed start-ups and
// three beats, so that a slow one is a measure and only a dead one a miss.
func (s *session) recoverWithin(a arguments) time.Duration {
	if a.has("within") {
		return a.duration("within")
	}
	return 3*s.Device.StartUp + 3*s.Device.Heartbeat
}

// absolute turns a share of the nominal supply into a level.
func (s *session) absolute(q rig.Quantity) rig.Quantity {
	if q.Unit == rig.Proportion {
		return rig.Quantity{N: int64(float64(s.Device.Supply) * float64(q.N) / 1e9), Unit: rig.Volt}
	}
	return q
}

// dip is a trial: the supply goes to a level and back.
func (s *session) dip(a arguments) (starlark.Value, error) {
	level, width := s.absolute(a.quantity("level")), a.duration("width")
	from := s.run.Last(rig.SupplySet)
	spec := rig.Trial{Kind: rig.Dip, Within: s.recoverWithin(a), Dip: &rig.DipSpec{
		Shape: rig.VoltageDip, Level: millivolt(level.N), From: millivolt(from), Width: width}}
	line := rig.RelayDip
	if level.N == 0 {
		spec.Dip.Shape, spec.Dip.Source = rig.Interruption, rig.LowImpedance
		if a.text("source") == "high" {
			spec.Dip.Source, line = rig.HighImpedance, rig.RelayDUT
		}
	} else if a.text("source") == "high" {
		return nil, errors.New(`source "high" opens the supply line; expected level 0 with it`)
	}
	if err := s.canDip(width); err != nil {
		return nil, err
	}
	if err := s.pause(); err != nil {
		return nil, err
	}
	if line == rig.RelayDip {
		if err := s.set(rig.DipRail, level.N, rig.Volt); err != nil {
			return nil, err
		}
		if err := s.wait(settle); err != nil {
			return nil, err
		}
	}
	if err := s.wait(s.phase()); err != nil {
		return nil, err
	}
	return s.disturb(spec, func() error { return s.swing(line, width) })
}

func millivolt(nv int64) rig.Millivolt { return rig.Millivolt(nv / 1e6) }

// canDip refuses a disturbance that this rig can't make.
func (s *session) canDip(width time.Duration) error {
	if !s.powered {
		return errors.New("the DUT is off; expected power() before a disturbance")
	}
	if sw := s.Calibration.Supply.Switch; width < 5*sw {
		return fmt.Errorf("a disturbance of %v can't be made: this rig's dip switch takes %v, so %v is the shortest; use a solid-state switch", width, sw, 5*sw)
	}
	return nil
}

// pause keeps disturbances apart.
func (s *session) pause() error {
	if s.lastDip == 0 {
		return nil
	}
	return s.wait(s.lastDip.Add(between).Sub(s.run.Now()))
}

// swing switches the dip line for the width. RelayDip is on during a dip,
// RelayDUT is off.
func (s *session) swing(line string, width time.Duration) error {
	during, after := int64(1), int64(0)
	if line == rig.RelayDUT {
		during, after = 0, 1
	}
	if err := s.set(line, during, rig.Level); err != nil {
		return err
	}
	return errors.Join(s.wait(width), s.set(line, after, rig.Level))
}

// disturb runs a trial in which the rail is read fast, waits for the DUT to
// show life, and then long enough to see a false alarm.
func (s *session) disturb(spec rig.Trial, act func() error) (starlark.Value, error) {
	restore, err := s.letGo()
	if err != nil {
		return nil, err
	}
	if err := s.run.Begin(spec); err != nil {
		return nil, err
	}
	look := min(max(spec.Dip.Width/50, 100*time.Microsecond), 20*time.Millisecond)
	s.run.Watch(rig.Rail, look)
	if err = act(); err == nil {
		err = restore()
	}
	if err == nil {
		err = s.wait(3*look + 5*time.Millisecond) // sees the rail come back
	}
	s.run.Watch(rig.Rail, background)
	restored := s.run.Now()
	alive := false
	if err == nil {
		alive, err = s.run.NextEdge(s.ctx, rig.Heartbeat, spec.Within)
	}
	took := s.run.Now().Sub(restored)
	if err == nil {
		err = s.wait(2*s.Device.Sampling.Period + s.Device.Heartbeat)
	}
	s.lastDip = s.run.Now()
	if err != nil {
		return nil, err
	}
	return s.answer(!alive, took), s.run.End()
}

const rampStep = 100 * time.Millisecond

// ramp is a trial: down slowly, a while at the bottom, up as slowly.
func (s *session) ramp(a arguments) (starlark.Value, error) {
	if !s.powered {
		return nil, errors.New("the DUT is off; expected power() before a ramp")
	}
	slope, low, from := a.quantity("slope").N, s.absolute(a.quantity("low")).N, s.run.Last(rig.SupplySet)
	if slope <= 0 || low < 0 || low >= from {
		return nil, fmt.Errorf("a ramp from %v down to %v is none; expected a low level under the present one and a positive slope",
			rig.Quantity{N: from, Unit: rig.Volt}, rig.Quantity{N: low, Unit: rig.Volt})
	}
	if err := s.pause(); err != nil {
		return nil, err
	}
	spec := rig.Trial{Kind: rig.Dip, Within: s.recoverWithin(a), Dip: &rig.DipSpec{Shape: rig.Ramp, Level: millivolt(low), From: millivolt(from),
		Width: time.Duration(float64(from-low) / float64(slope) * 2e9)}}
	if err := s.wait(s.phase()); err != nil {
		return nil, err
	}
	return s.disturb(spec, func() error {
		if err := s.slope(from, low, slope); err != nil {
			return err
		}
		if err := s.wait(s.Device.Heartbeat + 2*time.Second); err != nil {
			return err
		}
		return s.slope(low, from, slope)
	})
}

// slope moves the supply in small steps.
func (s *session) slope(from, to, rate int64) error {
	step := int64(float64(rate) * rampStep.Seconds())
	if to < from {
		step = -step
	}
	for v := from; v != to; {
		if v += step; (step > 0) == (v > to) {
			v = to
		}
		if err := s.set(rig.SupplySet, v, rig.Volt); err != nil {
			return err
		}
		if err := s.wait(rampStep); err != nil {
			return err
		}
	}
	return nil
}

// cycle is a trial: off, and on again.
func (s *session) cycle(a arguments) (starlark.Value, error) {
	if !s.powered {
		return nil, errors.New("the DUT is off; expected power() before a cycle")
	}
	off, level := a.duration("off"), s.run.Last(rig.SupplySet)
	if err := s.pause(); err != nil {
		return nil, err
	}
	spec := rig.Trial{Kind: rig.Dip, Within: s.recoverWithin(a),
		Dip: &rig.DipSpec{Shape: rig.PowerCycle, From: millivolt(level), Width: off, Source: rig.HighImpedance}}
	if err := s.wait(s.phase()); err != nil {
		return nil, err
	}
	return s.disturb(spec, func() error {
		if err := s.open(); err != nil {
			return err
		}
		if err := s.wait(off); err != nil {
			return err
		}
		return s.close(level)
	})
}
