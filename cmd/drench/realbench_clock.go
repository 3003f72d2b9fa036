package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"drench/drivers/gpio"
	"drench/rig"
	"drench/rig/assembly"
)

const (
	// compareEvery is how often the time of day is held against the clock of the
	// bench, and stepFrom the difference that is a step: slewing, at 500 ppm at
	// the most (adjtimex(2)), makes half a millisecond in that time.
	compareEvery = time.Second
	stepFrom     = 100 * time.Millisecond
)

// clockNote ties the kernel's monotonic clock, which says nothing across a
// reboot, to the wall clock.
func clockNote() string {
	boot, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		boot = []byte("unknown")
	}
	return fmt.Sprintf("clock: %v on the monotonic clock of boot %s is %s", gpio.Now(), strings.TrimSpace(string(boot)), time.Now().UTC().Format(time.RFC3339Nano))
}

// clockWatch notes when the time of day is set during a run. Nothing is measured
// by it, but dates lean on it.
type clockWatch struct {
	every  time.Duration
	now    func() rig.Instant // the bench's clock
	wall   func() time.Time   // the time of day
	offset time.Duration      // of that, over the bench's clock
}

func newClockWatch(every time.Duration, now func() rig.Instant, wall func() time.Time) *clockWatch {
	w := &clockWatch{every: every, now: now, wall: wall}
	w.offset = w.compare()
	return w
}

// watchClock is the source of this machine's notes.
func watchClock() assembly.NamedSource {
	return assembly.NamedSource{Name: "the time of day", Source: newClockWatch(compareEvery, gpio.Now, time.Now)}
}

// compare reads both clocks. The monotonic one is read twice, so that an
// interruption between the two is no step.
func (w *clockWatch) compare() time.Duration {
	for {
		before := w.now()
		wall := w.wall().UnixNano()
		after := w.now()
		if took := after.Sub(before); took < stepFrom/2 {
			return time.Duration(wall - int64(before.Add(took/2)))
		}
	}
}

// Next implements assembly.Source.
func (w *clockWatch) Next(ctx context.Context, _ rig.Instant) (rig.Event, bool, error) {
	t := time.NewTicker(w.every)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return rig.Event{}, false, ctx.Err()
		case <-t.C:
		}
		offset := w.compare()
		step := offset - w.offset
		w.offset = offset
		if step.Abs() >= stepFrom {
			return rig.Event{At: w.now(), Kind: rig.Note, Text: fmt.Sprintf(
				"clock stepped by %v: the time of day was set during the run; the run's instants are those of the monotonic clock, which no setting moves", step.Round(100*time.Millisecond))}, true, nil
		}
	}
}
