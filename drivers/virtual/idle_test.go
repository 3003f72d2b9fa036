package virtual

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/interlock"
)

// TestIdle: an idle virtual bench is watched for an hour of its time with its
// pumps' relay held, and trips as one in use does.
func TestIdle(t *testing.T) {
	allowed := interlock.Config{Inputs: []string{rig.EStop, rig.Tray, rig.Lid, rig.Reservoir}, PumpOn: time.Minute, Volume: rig.Millilitre, Poll: 200 * time.Millisecond, Stale: time.Second}
	for _, test := range []struct{ fault, trip string }{
		{"", ""}, {"estop_pressed", "emergency stop pressed"}, {"tray_full", "water in the tray"}, {"supply_link", "supply has not answered for 1s"},
	} {
		c := Default()
		if test.fault != "" {
			c.Faults = map[string]Fault{test.fault: {From: 30 * time.Minute}}
		}
		p := readProfile(t, "testdata/conductive.yaml")
		b, err := Open(c, p.DUT, p.Model, 1)
		if err != nil {
			t.Fatal(err)
		}
		g, err := interlock.New(t.Context(), b, allowed)
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		g.OnPass = func(now rig.Instant) {
			if on := b.Energised(); !b.w.safety.alive || len(on) > 0 {
				t.Errorf("at %v the relay is held: %v; energised %v", now, b.w.safety.alive, on)
			}
			if now >= rig.Instant(time.Hour) {
				stop()
			}
		}
		var events []rig.Event
		err = g.Watch(ctx, func(ev rig.Event) { events = append(events, ev) })
		if test.trip == "" {
			if err != nil || len(events) > 0 {
				t.Errorf("healthy: %v, %v", events, err)
			}
			continue
		}
		var trip *interlock.TripError
		late := 1500 * time.Millisecond
		if !errors.As(err, &trip) || !strings.Contains(trip.Reason, test.trip) || trip.At.Sub(rig.Instant(30*time.Minute)) > late {
			t.Errorf("%s: %v", test.fault, err)
		}
		if !slices.ContainsFunc(events, func(ev rig.Event) bool { return ev.Kind == rig.Trip }) {
			t.Errorf("%s: observed %v", test.fault, events)
		}
	}
}
