package rig

import (
	"context"
)

// Pending is what Set returns for an output that is slow to obey, as an
// instrument behind a wire is: the order is given, and the outcome comes from
// Await. That is a Command event, stamped when it had obeyed, or a [SetError]. An
// order that a later 0 overtakes has no outcome.
const Pending = Instant(-1 << 63)

// SetError says that an output that is slow to obey did not. Await returns it
// once; the bench goes on.
type SetError struct {
	Channel ID
	Err     error
}

func (e *SetError) Error() string { return e.Err.Error() }

// Unwrap returns the cause.
func (e *SetError) Unwrap() error { return e.Err }

// Sampler is a bench that reads some gauges in the background, since they are
// slow to answer.
type Sampler interface {
	// Sample returns the newest reading of a gauge, which is no older than at,
	// and has a newer one taken.
	Sample(ctx context.Context, ch ID) (v int64, at Instant, err error)
}

// Sample reads a gauge of any bench. One that is no [Sampler] reads it now.
func Sample(ctx context.Context, b Bench, ch ID) (v int64, at Instant, err error) {
	if s, ok := b.(Sampler); ok {
		return s.Sample(ctx, ch)
	}
	v, err = b.Ask(ctx, ch)
	if err != nil {
		return 0, 0, err
	}
	return v, b.Now(), nil
}
