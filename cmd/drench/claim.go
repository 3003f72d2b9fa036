package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"drench/drivers/gpio"
	"drench/results/store"
	"drench/rig/interlock"
)

// claim is a real bench in the hands of this process. A nil one is a virtual
// bench, which nobody needs to look after.
type claim struct {
	st    *store.Store
	bench string
	lock  *benchLock
	alone bool // the store is its own
	trips bool // the daemon books trips by itself
}

// claim takes a real bench for this process, before anything on it is opened.
// It refuses one that another process has, and one with an open trip.
func (b *bench) claim(ctx context.Context, st *store.Store) (*claim, error) {
	if !b.isReal() {
		return nil, nil
	}
	lock, err := lockBench(filepath.Dir(st.Path()), b.rig.Name)
	if err != nil {
		return nil, err
	}
	c := &claim{st: st, bench: b.rig.Name, lock: lock}
	if err := mayRun(ctx, st, b.rig.Name); err != nil {
		return nil, errors.Join(err, c.release())
	}
	return c, nil
}

// claimAlone is claim for a command that keeps no run: it opens the store for
// the claim, and release closes it.
func (b *bench) claimAlone(ctx context.Context) (*claim, error) {
	if !b.isReal() {
		return nil, nil
	}
	st, err := openStoreIn(ctx, b.data)
	if err != nil {
		return nil, err
	}
	c, err := b.claim(ctx, st)
	if err != nil {
		return nil, errors.Join(err, st.Close())
	}
	c.alone = true
	return c, nil
}

func (c *claim) release() error {
	if c == nil {
		return nil
	}
	err := c.lock.release()
	if c.alone {
		err = errors.Join(err, c.st.Close())
	}
	return err
}

// keepTrip remembers the trip in err, if there is one, beyond this process. run
// is 0 where none is recorded.
func (c *claim) keepTrip(ctx context.Context, run int64, err error) error {
	var trip *interlock.TripError
	if c == nil || c.trips || !errors.As(err, &trip) {
		return nil
	}
	at := time.Now().Add(-gpio.Now().Sub(trip.At)) // a real bench's clock is the kernel's
	_, err = c.st.AddTrip(context.WithoutCancel(ctx), store.Trip{At: at, Bench: c.bench, Run: run, Reason: trip.Reason})
	return err
}

// trippedError says that a bench has open trips.
type trippedError struct{ trips []store.Trip }

func (e *trippedError) Error() string {
	var said []string
	for _, t := range e.trips {
		said = append(said, tripText(t))
	}
	return fmt.Sprintf("bench %s is stopped: %s; look at the bench, then: drench clear --by NAME [--note TEXT]",
		e.trips[0].Bench, strings.Join(said, "; "))
}

// tripText says what tripped, when, and in which run.
func tripText(t store.Trip) string {
	text := fmt.Sprintf("%s, on %s UTC", t.Reason, t.At.Format("2006-01-02 15:04:05"))
	if t.Run != 0 {
		text += fmt.Sprintf(", in run %d", t.Run)
	}
	return text
}

// mayRun returns a *trippedError while a trip of the bench is open.
func mayRun(ctx context.Context, st *store.Store, bench string) error {
	trips, err := st.Trips(ctx, bench, true)
	if err == nil && len(trips) > 0 {
		err = &trippedError{trips}
	}
	return err
}
