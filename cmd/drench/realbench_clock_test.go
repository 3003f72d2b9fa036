package main

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"drench/rig"
)

// TestClockWatch: a step of the time of day is noted once, slewing is not.
func TestClockWatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var shift atomic.Int64 // ns that the time of day was set by
		now := func() rig.Instant { return rig.Instant(time.Since(began)) }
		wall := func() time.Time { return time.Now().Add(time.Duration(shift.Load()) + time.Since(began)/2000) } // slewed by 500 ppm
		w := newClockWatch(time.Second, now, wall)
		for _, step := range []time.Duration{-time.Hour, time.Hour, 200 * time.Millisecond} {
			time.Sleep(10 * time.Minute)
			time.AfterFunc(10*time.Second+500*time.Millisecond, func() { shift.Add(int64(step)) })
			asked := now()
			// What slewing adds up to while nobody compares is another matter.
			w.offset = w.compare()
			ev, ok, err := w.Next(t.Context(), rig.Never)
			if err != nil || !ok || ev.Kind != rig.Note || !strings.HasPrefix(ev.Text, "clock stepped by "+step.String()[:2]) {
				t.Fatalf("step of %v: %+v, %v, %v", step, ev, ok, err)
			}
			if at := ev.At.Sub(asked); at != 11*time.Second {
				t.Errorf("noted %v after it was looked for, want 11 s", at)
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		if ev, _, err := w.Next(ctx, rig.Never); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("an hour without a step: %+v, %v", ev, err)
		}
	})
}
