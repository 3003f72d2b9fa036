package climate

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

var errBroken = errors.New("line broken")

// wire is an output that can be broken in one direction or both.
type wire struct {
	mu             sync.Mutex
	level          bool
	noOn, noOff    bool
	switches, offs int
}

func (w *wire) Set(ctx context.Context, level bool) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case level && w.noOn, !level && w.noOff:
		return errBroken
	}
	if !level {
		w.offs++
	}
	if level != w.level {
		w.switches++
	}
	w.level = level
	return nil
}

func (w *wire) on() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.level
}

func (w *wire) spoil(noOn, noOff bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.noOn, w.noOff = noOn, noOff
}

const second = rig.Instant(time.Second)

func celsius(t float64) physic.Temperature {
	return physic.ZeroCelsius + physic.Temperature(math.Round(t*1e9))
}

func percent(rh float64) physic.RelativeHumidity {
	return physic.RelativeHumidity(math.Round(rh * float64(physic.PercentRH)))
}

var (
	cooling = Band[physic.Temperature]{
		Line: "cooler", Lowest: celsius(2), Highest: celsius(40), Hysteresis: 1 * physic.Kelvin,
		MinOn: 10 * time.Second, MinOff: 20 * time.Second,
	}
	moistening = Band[physic.RelativeHumidity]{
		Line: "humidifier", Lowest: 40 * physic.PercentRH, Highest: 95 * physic.PercentRH, Hysteresis: 2 * physic.PercentRH,
	}
)

const stale = 5 * time.Second

func newCooler(t *testing.T, w *wire) *Regulator[physic.Temperature] {
	t.Helper()
	r, err := NewRegulator(t.Context(), w, Lower, cooling, stale, 0)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A story of a plate cooler at 10 °C, on above 10.5 and off below 9.5 °C.
func TestRegulatorStory(t *testing.T) {
	w := &wire{level: true}
	r := newCooler(t, w)
	if w.on() {
		t.Fatal("left on")
	}
	if err := r.Set(t.Context(), 0, celsius(10)); err != nil {
		t.Fatal(err)
	}
	for _, s := range []struct {
		name string
		now  rig.Instant
		temp float64
		age  rig.Instant
		on   bool
	}{
		{"warm, but just switched off", 19 * second, 23, 0, false},
		{"warm", 20 * second, 23, 0, true},
		{"within the band", 25 * second, 10.4, 0, true},
		{"cold, but just switched on", 29 * second, 9.4, 0, true},
		{"at the edge", 30 * second, 9.5, 0, true},
		{"cold", 31 * second, 9.499, 0, false},
		{"within the band", 60 * second, 10.5, 0, false},
		{"warm", 61 * second, 10.501, 0, true},
		{"a reading as old as it may be", 62 * second, 23, 5 * second, true},
		{"stale, though just switched on", 63 * second, 23, 5*second + 1, false},
		{"fresh again, but just switched off", 82 * second, 23, 0, false},
		{"warm", 83 * second, 23, 0, true},
	} {
		reading := Reading[physic.Temperature]{celsius(s.temp), s.now - s.age, true}
		if err := r.Step(t.Context(), s.now, reading); err != nil {
			t.Fatal(err)
		}
		if w.on() != s.on || r.On() != s.on {
			t.Errorf("%s, at %v: on = %v, want %v", s.name, s.now, w.on(), s.on)
		}
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := errors.Join(r.Set(ended, 84*second, 0), r.Set(ended, 84*second, 0)); err != nil || w.on() {
		t.Errorf("set to 0: %v, on = %v", err, w.on())
	}
	if err := r.Step(t.Context(), 1000*second, Reading[physic.Temperature]{celsius(30), 1000 * second, true}); err != nil || w.on() {
		t.Errorf("later: %v, on = %v", err, w.on())
	}
}

func TestRegulatorRaises(t *testing.T) {
	w := &wire{}
	r, err := NewRegulator(t.Context(), w, Raise, moistening, stale, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Set(t.Context(), 0, percent(85)); err != nil {
		t.Fatal(err)
	}
	for _, s := range []struct {
		rh float64
		on bool
	}{{50, true}, {84.5, true}, {86, true}, {86.1, false}, {85, false}, {84, false}, {83.9, true}} {
		if err := r.Step(t.Context(), 1, Reading[physic.RelativeHumidity]{percent(s.rh), 1, true}); err != nil || w.on() != s.on {
			t.Errorf("%v %%: %v, on = %v", s.rh, err, w.on())
		}
	}
	if err := r.Step(t.Context(), 1, Reading[physic.RelativeHumidity]{}); err != nil || w.on() {
		t.Errorf("without a reading: %v, on = %v", err, w.on())
	}
}

func TestRegulatorRefuses(t *testing.T) {
	w := &wire{}
	r := newCooler(t, w)
	for _, bad := range []physic.Temperature{celsius(1.9), celsius(40.1), -1} {
		if err := r.Set(t.Context(), 0, bad); err == nil {
			t.Errorf("%v was taken", bad)
		}
	}
	if _, err := NewRegulator(t.Context(), w, Lower, Band[physic.Temperature]{}, stale, 0); err == nil {
		t.Error("made without a band")
	}
	if _, err := NewRegulator(t.Context(), nil, Lower, cooling, stale, 0); err == nil {
		t.Error("made without a line")
	}
	w.spoil(false, true)
	if _, err := NewRegulator(t.Context(), w, Lower, cooling, stale, 0); !errors.Is(err, errBroken) {
		t.Errorf("made on a broken line: %v", err)
	}
}

func TestRegulatorBrokenLine(t *testing.T) {
	w := &wire{}
	r := newCooler(t, w)
	warm := func(now rig.Instant) Reading[physic.Temperature] {
		return Reading[physic.Temperature]{celsius(23), now, true}
	}
	if err := r.Set(t.Context(), 0, celsius(10)); err != nil {
		t.Fatal(err)
	}
	w.spoil(true, false)
	offs := w.offs
	if err := r.Step(t.Context(), 20*second, warm(20*second)); !errors.Is(err, errBroken) || r.On() || w.offs != offs+1 {
		t.Errorf("can't switch on: %v, on = %v, switched off %d times", err, r.On(), w.offs-offs)
	}
	w.spoil(true, true)
	if err := r.Step(t.Context(), 40*second, warm(40*second)); !errors.Is(err, errBroken) || !r.On() {
		t.Errorf("can't be switched at all: %v, on = %v; it may be", err, r.On())
	}
	if err := r.Set(t.Context(), 41*second, 0); !errors.Is(err, errBroken) || !r.On() {
		t.Errorf("set to 0: %v, on = %v", err, r.On())
	}
	w.spoil(false, false)
	if err := r.Step(t.Context(), 42*second, warm(42*second)); err != nil || r.On() || w.on() {
		t.Errorf("mended: %v, on = %v", err, r.On())
	}
}

// plant is a first-order system: where it goes when off, how far its output
// moves that, and how fast.
type plant struct{ rest, gain, tau, value float64 }

func (p *plant) advance(dt float64, on bool) {
	goal := p.rest
	if on {
		goal += p.gain
	}
	p.value = goal + (p.value-goal)*math.Exp(-dt/p.tau)
}

// With a plate that relaxes with 120 s to room temperature, and could be
// cooled to 30 K below, the temperature gets to the set-point and stays.
func TestRegulatorHoldsPlate(t *testing.T) {
	const dt, room, target = 0.2, 23.0, 8.0
	w := &wire{}
	r := newCooler(t, w)
	if err := r.Set(t.Context(), 0, celsius(target)); err != nil {
		t.Fatal(err)
	}
	p := plant{rest: room, gain: -30, tau: 120, value: room}
	lowest, highest := math.Inf(1), math.Inf(-1)
	for i := range int(3600 / dt) {
		now := rig.Instant(float64(i) * dt * 1e9)
		if err := r.Step(t.Context(), now, Reading[physic.Temperature]{celsius(p.value), now, true}); err != nil {
			t.Fatal(err)
		}
		p.advance(dt, w.on())
		if now > 600*second {
			lowest, highest = min(lowest, p.value), max(highest, p.value)
		}
	}
	// In MinOff it warms at no more than (23-7.5)/120 K/s, in MinOn it cools at
	// no more than (8.5+7)/120 K/s, from the edge of the band.
	if highest > target+0.5+20*15.5/120 || lowest < target-0.5-10*15.5/120 || highest < target+0.5 || lowest > target-0.5 {
		t.Errorf("between %.2f and %.2f °C, want about %v", lowest, highest, target)
	}
	if w.switches < 20 {
		t.Errorf("switched %d times in an hour", w.switches)
	}
}

// Whatever is read and asked for: the output is never on without a set-point
// and a fresh reading, it is off for at least MinOff, and on for at least MinOn
// unless it had to go off; and it never works against the need.
func TestRegulatorKeepsItsRules(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := &wire{}
		r := newCooler(t, w)
		var now, since rig.Instant
		target := physic.Temperature(0)
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			now += rig.Instant(rapid.Int64Range(1, 8e9).Draw(rt, "dt"))
			was := w.on()
			if rapid.IntRange(0, 9).Draw(rt, "set") == 0 {
				target = rapid.SampledFrom([]physic.Temperature{0, celsius(5), celsius(20)}).Draw(rt, "target")
				if err := r.Set(t.Context(), now, target); err != nil {
					rt.Fatal(err)
				}
			}
			age := rig.Instant(rapid.Int64Range(0, 6e9).Draw(rt, "age"))
			reading := Reading[physic.Temperature]{celsius(rapid.Float64Range(0, 30).Draw(rt, "temp")), now - age, rapid.IntRange(0, 19).Draw(rt, "valid") > 0}
			if err := r.Step(t.Context(), now, reading); err != nil {
				rt.Fatal(err)
			}
			must := target == 0 || !reading.Valid || age > rig.Instant(stale)
			on, held := w.on(), now.Sub(since)
			switch {
			case must && on:
				rt.Fatal("on without a set-point or a fresh reading")
			case !was && on && (held < cooling.MinOff || reading.Value <= target):
				rt.Fatalf("on after %v, at %v for %v", held, reading.Value, target)
			case was && !on && !must && (held < cooling.MinOn || reading.Value >= target):
				rt.Fatalf("off after %v, at %v for %v", held, reading.Value, target)
			}
			if was != on {
				since = now
			}
		}
	})
}
