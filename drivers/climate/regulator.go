package climate

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"drench/rig"
)

// Line is an output, with active-low already undone: true switches on.
type Line interface {
	Set(ctx context.Context, level bool) error
}

// Sense says what an output does to the quantity.
type Sense int8

// A humidifier raises, a cooler lowers.
const (
	Raise Sense = +1
	Lower Sense = -1
)

// Reading is a value and when it was taken; At counts only if Valid is set.
type Reading[Q Quantity] struct {
	Value Q
	At    rig.Instant
	Valid bool
}

// fresh tells whether the reading still counts.
func (r Reading[Q]) fresh(now rig.Instant, stale time.Duration) bool {
	return r.Valid && now.Sub(r.At) <= stale
}

// Regulator keeps a quantity near a set-point by switching an output. It has
// no clock of its own. Its methods may be called from any goroutine.
type Regulator[Q Quantity] struct {
	line  Line
	sense Sense
	band  Band[Q]
	stale time.Duration

	mu     sync.Mutex
	target Q // 0 is off
	on     bool
	since  rig.Instant // of the last switching
}

// NewRegulator switches the output off, and counts that as a switching: what
// needs a pause before it is on again gets it.
func NewRegulator[Q Quantity](ctx context.Context, line Line, sense Sense, band Band[Q], stale time.Duration, now rig.Instant) (*Regulator[Q], error) {
	for _, p := range band.Check() {
		return nil, fmt.Errorf("regulator: %s; expected %s", p.What, p.Want)
	}
	if line == nil || stale <= 0 {
		return nil, errors.New("regulator: it needs a line, and a time after which readings are stale")
	}
	r := &Regulator[Q]{line: line, sense: sense, band: band, stale: stale, on: true}
	if err := r.Set(ctx, now, 0); err != nil {
		return nil, err
	}
	return r, nil
}

// Set changes the set-point. 0 switches the output off at once; anything else
// has its effect at the next Step.
func (r *Regulator[Q]) Set(ctx context.Context, now rig.Instant, target Q) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if target != 0 && (target < r.band.Lowest || target > r.band.Highest) {
		return fmt.Errorf("set-point %v can't be had; ask for %v to %v, or 0 for off", rig.Of(target), rig.Of(r.band.Lowest), rig.Of(r.band.Highest))
	}
	r.target = target
	if target == 0 {
		return r.turn(ctx, now, false)
	}
	return nil
}

// Step switches the output as the reading wants it. It is to be called again
// and again, the more so after an error.
func (r *Regulator[Q]) Step(ctx context.Context, now rig.Instant, reading Reading[Q]) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.target == 0 || !reading.fresh(now, r.stale) {
		return r.turn(ctx, now, false)
	}
	want, rest := r.on, r.band.MinOff
	if r.on {
		rest = r.band.MinOn
	}
	lacks := Q(r.sense) * (r.target - reading.Value) // above 0: on would help
	switch half := r.band.Hysteresis / 2; {
	case lacks > half:
		want = true
	case lacks < -half:
		want = false
	}
	if want != r.on && now.Sub(r.since) < rest {
		return nil
	}
	return r.turn(ctx, now, want)
}

// turn switches the output if it is not so already. An output that could not
// be switched off counts as on, so that the next call tries again.
func (r *Regulator[Q]) turn(ctx context.Context, now rig.Instant, on bool) error {
	if on == r.on {
		return nil
	}
	if !on {
		if err := r.line.Set(context.WithoutCancel(ctx), false); err != nil {
			return fmt.Errorf("switch %s off: %w", r.band.Line, err)
		}
	} else if err := r.line.Set(ctx, true); err != nil {
		r.on = true // it may be
		return errors.Join(fmt.Errorf("switch %s on: %w", r.band.Line, err), r.turn(ctx, now, false))
	}
	r.on, r.since = on, now
	return nil
}

// On tells whether the output is on.
func (r *Regulator[Q]) On() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.on
}
