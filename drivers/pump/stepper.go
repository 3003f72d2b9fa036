package pump

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"drench/rig"
)

// Lines are the outputs to a stepping motor's driver. Dir and Enable may be nil.
type Lines struct{ Step, Dir, Enable Line }

// Stepper is a pump with a stepping motor, whose steps a goroutine makes.
//
// What that can and can't do: steps come late by as long as the operating
// system keeps the program waiting, commonly 0.1 ms, on a busy machine some ms,
// with rare outliers beyond (common practice, no source). The grid that they
// are late against is fixed, so the mean flow has no error from it; but steps
// that a stall made impossible are left out, not made up for in a burst that
// the motor could not follow. Stats tells of both. There is no ramp: the motor
// starts and stops at full rate. Single drops from a stepper are timed by a drop
// gate or a witness, not by the command.
type Stepper struct {
	cfg   StepperConfig
	lines Lines

	mu   sync.Mutex
	flow rig.Flow
	gen  *generator // nil while stopped
	hung bool       // gen was told to end and does not
	past Stats      // of generators that have ended
}

// Stats tells how well steps were made.
type Stats struct {
	Steps   uint64
	Skipped uint64        // that were due and could not be made in time
	Late    time.Duration // the latest of all that were made
}

func (s Stats) and(t Stats) Stats {
	return Stats{s.Steps + t.Steps, s.Skipped + t.Skipped, max(s.Late, t.Late)}
}

// NewStepper stops the pump and sets its direction.
func NewStepper(ctx context.Context, lines Lines, cfg StepperConfig) (*Stepper, error) {
	if err := first("pump on a stepping motor", cfg.Check()); err != nil {
		return nil, err
	}
	if lines.Step == nil {
		return nil, errors.New("pump on a stepping motor: no step line")
	}
	s := &Stepper{cfg: cfg, lines: lines}
	if err := s.Set(ctx, 0); err != nil {
		return nil, err
	}
	if lines.Dir != nil {
		if err := lines.Dir.Set(ctx, !cfg.Reverse); err != nil {
			return nil, fmt.Errorf("set the pump's direction: %w", err)
		}
	}
	return s, nil
}

// Set makes the pump deliver f; the first step comes a step's time from now.
// If steps have failed since the last call, that is returned and the pump is
// stopped.
func (s *Stepper) Set(ctx context.Context, f rig.Flow) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.gen.failure(); err != nil || f == 0 {
		return errors.Join(err, s.stop(ctx))
	}
	if s.hung {
		if err := s.stop(ctx); err != nil {
			return err
		}
	}
	if least, most := s.cfg.minFlow(), s.cfg.maxFlow(); f < least || f > most {
		return fmt.Errorf("the pump can't be set to %v; ask for %v, which is a step an hour, to %v, which is max_rate in the rig file", f, least, most)
	}
	if s.gen != nil {
		s.gen.retime(s.cfg.period(f))
		s.flow = f
		return nil
	}
	if s.lines.Enable != nil {
		if err := s.lines.Enable.Set(ctx, true); err != nil {
			return errors.Join(fmt.Errorf("power the pump's motor: %w", err), s.stop(ctx))
		}
	}
	s.gen = start(s.lines, s.cfg, s.cfg.period(f))
	s.flow = f
	return nil
}

// stop ends the steps and takes the motor's power. The power goes first: it
// works even if the goroutine hangs in the step line.
func (s *Stepper) stop(ctx context.Context) error {
	const patience = 20 * time.Millisecond
	if s.gen != nil {
		s.gen.cancel()
	}
	errs := []error{off(ctx, "the pump's motor", s.lines.Enable)}
	if s.gen != nil {
		select {
		case <-s.gen.done:
			s.past, s.gen, s.hung = s.past.and(s.gen.stats()), nil, false
		case <-time.After(patience):
			s.hung = true
			errs = append(errs, errors.New("stop the pump: its step line hangs"))
		}
	}
	if s.gen == nil { // or it would hang here too
		errs = append(errs, off(ctx, "the pump's step line", s.lines.Step))
	}
	err := errors.Join(errs...)
	if err == nil {
		s.flow = 0
	}
	return err
}

// Flow is what the pump delivers now, by its calibration.
func (s *Stepper) Flow() rig.Flow {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.flow
}

// Stats sums up all steps since the start.
func (s *Stepper) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.gen == nil {
		return s.past
	}
	return s.past.and(s.gen.stats())
}

// Delivered is the volume of all steps since the start, by the calibration.
func (s *Stepper) Delivered() rig.Volume {
	return rig.Volume(math.Round(float64(s.Stats().Steps) / float64(s.cfg.StepsPerTurn) * float64(s.cfg.VolumePerTurn)))
}

// Close stops the pump.
func (s *Stepper) Close() error { return s.Set(context.Background(), 0) }
