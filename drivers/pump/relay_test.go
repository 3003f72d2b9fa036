package pump

import (
	"context"
	"errors"
	"strings"
	"testing"

	"drench/rig"

	"pgregory.net/rapid"
)

var relayConfig = RelayConfig{Line: "relay_1", Flow: 30 * rig.MlPerMin, Tolerance: 5e7} // 5 %

func newRelay(t *testing.T, w *wire) *Relay {
	t.Helper()
	r, err := NewRelay(t.Context(), w, relayConfig)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestRelay(t *testing.T) {
	for _, c := range []struct {
		name string
		flow rig.Flow
		ok   bool
	}{
		{"its flow", 30 * rig.MlPerMin, true},
		{"5 % more", 31.5e6, true},
		{"5 % less", 28.5e6, true},
		{"a little over 5 % more", 31.5e6 + 1, false},
		{"a little over 5 % less", 28.5e6 - 1, false},
		{"half", 15 * rig.MlPerMin, false},
		{"the least there is", 1, false},
		{"backwards", -30 * rig.MlPerMin, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := &wire{}
			r := newRelay(t, w)
			err := r.Set(t.Context(), c.flow)
			if (err == nil) != c.ok || w.on() != c.ok || (r.Flow() == relayConfig.Flow) != c.ok {
				t.Errorf("got %v, on = %v, flow %v", err, w.on(), r.Flow())
			}
			if err != nil && !strings.Contains(err.Error(), "30 ml/min") {
				t.Errorf("%q does not say what can be had", err)
			}
			if err := r.Close(); err != nil || w.on() || r.Flow() != 0 {
				t.Errorf("closed: %v, on = %v, flow %v", err, w.on(), r.Flow())
			}
		})
	}
}

func TestRelayStopsAtFirst(t *testing.T) {
	w := &wire{level: true}
	newRelay(t, w)
	if w.on() {
		t.Error("it was left running")
	}
	w.spoil(always(false))
	if _, err := NewRelay(t.Context(), w, relayConfig); !errors.Is(err, errBroken) {
		t.Errorf("got %v", err)
	}
	if _, err := NewRelay(t.Context(), nil, relayConfig); err == nil {
		t.Error("made without a line")
	}
	if _, err := NewRelay(t.Context(), w, RelayConfig{}); err == nil {
		t.Error("made without a flow")
	}
}

func TestRelayRefusalChangesNothing(t *testing.T) {
	w := &wire{}
	r := newRelay(t, w)
	if err := r.Set(t.Context(), relayConfig.Flow); err != nil {
		t.Fatal(err)
	}
	if err := r.Set(t.Context(), 1); err == nil || !w.on() || r.Flow() != relayConfig.Flow {
		t.Errorf("got %v, on = %v, flow %v", err, w.on(), r.Flow())
	}
}

func TestRelayZero(t *testing.T) {
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		name  string
		fail  func(bool) error
		level bool // afterwards
		err   bool
	}{
		{"works", nil, false, false},
		{"works the second time", times(1, false), false, false},
		{"works the third time", times(2, false), false, false},
		{"never works", always(false), true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := &wire{}
			r := newRelay(t, w)
			if err := r.Set(t.Context(), relayConfig.Flow); err != nil {
				t.Fatal(err)
			}
			w.spoil(c.fail)
			err := r.Set(ended, 0)
			if (err != nil) != c.err || w.on() != c.level || (r.Flow() != 0) != c.level {
				t.Errorf("got %v, on = %v, flow %v", err, w.on(), r.Flow())
			}
		})
	}
}

func TestRelayFailingOn(t *testing.T) {
	w := &wire{}
	r := newRelay(t, w)
	before := w.sets
	w.spoil(always(true))
	if err := r.Set(t.Context(), relayConfig.Flow); !errors.Is(err, errBroken) || r.Flow() != 0 {
		t.Errorf("got %v, flow %v", err, r.Flow())
	}
	if w.sets-before != 2 {
		t.Errorf("the line was set %d times, want on and off", w.sets-before)
	}
}

// Whatever is asked for, and whatever fails now and then, a zero that reports
// no error leaves the relay off.
func TestRelayZeroIsZero(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := &wire{}
		r := newRelay(t, w)
		for range rapid.IntRange(1, 20).Draw(rt, "steps") {
			w.spoil(times(rapid.IntRange(0, 5).Draw(rt, "failures"), rapid.Bool().Draw(rt, "level")))
			f := rapid.SampledFrom([]rig.Flow{0, relayConfig.Flow, 1}).Draw(rt, "flow")
			err := r.Set(t.Context(), f)
			if err == nil && w.on() != (f != 0) || w.on() != (r.Flow() != 0) {
				rt.Fatalf("set to %v: %v, on = %v, flow %v", f, err, w.on(), r.Flow())
			}
		}
	})
}
