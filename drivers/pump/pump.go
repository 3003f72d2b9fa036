// Package pump sets the flow of a pump through whatever drives it: a relay,
// the kernel's pulse-width modulator, or a stepping motor.
//
// All three have the same methods. Set with a flow of 0 stops the pump at
// once, as often as it is asked, whatever the state of its context: what fails
// on that way is tried again, and what still fails is returned. Set with any
// other flow than can be had is refused and changes nothing; if it fails
// half-way the pump is stopped. Methods may be called from any goroutine.
package pump

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"drench/rig"
)

// Line is an output, with active-low already undone: true switches on. It must
// stand calls from several goroutines.
type Line interface {
	Set(ctx context.Context, level bool) error
}

// tries is how often switching off is attempted.
const tries = 3

// insist does f until it succeeds, a few times at most.
func insist(f func() error) error {
	var err error
	for range tries {
		if err = f(); err == nil {
			return nil
		}
	}
	return fmt.Errorf("%w (tried %d times)", err, tries)
}

// off switches a line off.
func off(ctx context.Context, name string, l Line) error {
	if l == nil {
		return nil
	}
	if err := insist(func() error { return l.Set(context.WithoutCancel(ctx), false) }); err != nil {
		return fmt.Errorf("switch %s off: %w", name, err)
	}
	return nil
}

// Relay is a pump that is on or off.
type Relay struct {
	cfg  RelayConfig
	line Line

	mu   sync.Mutex
	flow rig.Flow
}

// NewRelay stops the pump on line.
func NewRelay(ctx context.Context, line Line, cfg RelayConfig) (*Relay, error) {
	if err := first("pump on a relay", cfg.Check()); err != nil {
		return nil, err
	}
	if line == nil {
		return nil, errors.New("pump on a relay: no line")
	}
	r := &Relay{cfg: cfg, line: line}
	if err := r.Set(ctx, 0); err != nil {
		return nil, err
	}
	return r, nil
}

// Set switches the pump on if f is the flow that it has, within its tolerance.
func (r *Relay) Set(ctx context.Context, f rig.Flow) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if f == 0 {
		return r.stop(ctx)
	}
	away := max(f-r.cfg.Flow, r.cfg.Flow-f)
	if f < 0 || float64(away) > float64(r.cfg.Flow)*float64(r.cfg.Tolerance)/float64(whole) {
		return fmt.Errorf("the pump can't be set to %v: its relay gives %v or nothing; ask for that, widen tolerance in the rig file, or drive the pump by pwm or stepper", f, r.cfg.Flow)
	}
	if err := r.line.Set(ctx, true); err != nil {
		return errors.Join(fmt.Errorf("switch the pump on: %w", err), r.stop(ctx))
	}
	r.flow = r.cfg.Flow
	return nil
}

func (r *Relay) stop(ctx context.Context) error {
	if err := off(ctx, "the pump", r.line); err != nil {
		return err
	}
	r.flow = 0
	return nil
}

// Flow is what the pump delivers now, by its calibration.
func (r *Relay) Flow() rig.Flow {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.flow
}

// Close stops the pump.
func (r *Relay) Close() error { return r.Set(context.Background(), 0) }
