package instrument

import (
	"context"
	"time"
)

// Clock is the time that an instrument lives in. A clock of its own lets a
// virtual bench run it faster than the machine's.
type Clock interface {
	Now() time.Time
	// Sleep returns once the clock has moved on by d, or the context's error.
	Sleep(ctx context.Context, d time.Duration) error
}

// machine is the machine's clock.
type machine struct{}

func (machine) Now() time.Time { return time.Now() }

func (machine) Sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
