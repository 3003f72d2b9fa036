package pump

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"drench/rig"

	"pgregory.net/rapid"
)

// 100 steps for 0.1 ml: a step is a microlitre, and 6 ml/min is 100 Hz.
var stepperConfig = StepperConfig{
	Step: "gpio_1", Dir: "gpio_2", Enable: "gpio_3",
	StepsPerTurn: 100, VolumePerTurn: 100 * rig.Microlitre, MaxRate: 200 * hertz, Pulse: 10 * time.Microsecond,
}

type motor struct {
	step, dir, enable *wire
	pump              *Stepper
}

// withMotor runs a test in virtual time.
func withMotor(t *testing.T, cfg StepperConfig, f func(t *testing.T, m motor)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		m := motor{step: &wire{}, dir: &wire{}, enable: &wire{level: true}}
		p, err := NewStepper(t.Context(), Lines{m.step, m.dir, m.enable}, cfg)
		if err != nil {
			t.Fatal(err)
		}
		if m.enable.on() {
			t.Fatal("the motor was left powered")
		}
		m.pump = p
		f(t, m)
		if err := p.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
}

func set(t *testing.T, p *Stepper, f rig.Flow) {
	t.Helper()
	if err := p.Set(t.Context(), f); err != nil {
		t.Fatal(err)
	}
}

func TestStepperCounts(t *testing.T) {
	for _, c := range []struct {
		flow rig.Flow
		want uint64 // steps in a minute
	}{
		{6 * rig.MlPerMin, 6000},
		{12 * rig.MlPerMin, 12000},
		{60e3, 60},
		{1000, 1},
		{7 * rig.MlPerMin, 7000}, // a period that is no whole number of nanoseconds
	} {
		withMotor(t, stepperConfig, func(t *testing.T, m motor) {
			set(t, m.pump, c.flow)
			time.Sleep(time.Minute + time.Millisecond)
			if got := m.pump.Stats(); got.Steps != c.want || got.Skipped != 0 {
				t.Errorf("%v: %+v, want %d steps", c.flow, got, c.want)
			}
			if got, want := m.pump.Delivered(), rig.Volume(c.want)*rig.Microlitre; got != want || m.pump.Flow() != c.flow {
				t.Errorf("delivered %v at %v, want %v at %v", got, m.pump.Flow(), want, c.flow)
			}
		})
	}
}

func TestStepperPaceIsEven(t *testing.T) {
	withMotor(t, stepperConfig, func(t *testing.T, m motor) {
		start := time.Now()
		set(t, m.pump, 6*rig.MlPerMin)
		time.Sleep(105 * time.Millisecond)
		set(t, m.pump, 0)
		if len(m.step.rises) != 10 {
			t.Fatalf("%d steps, want 10", len(m.step.rises))
		}
		for i, at := range m.step.rises {
			if got, want := at.Sub(start), time.Duration(i+1)*10*time.Millisecond; got != want {
				t.Errorf("step %d after %v, want %v", i, got, want)
			}
		}
	})
}

func TestStepperDirection(t *testing.T) {
	for _, reverse := range []bool{false, true} {
		cfg := stepperConfig
		cfg.Reverse = reverse
		withMotor(t, cfg, func(t *testing.T, m motor) {
			if m.dir.on() == reverse {
				t.Errorf("reverse = %v: dir is %v", reverse, m.dir.on())
			}
		})
	}
}

// Zero ends the steps then and there, powers the motor off, and can be asked
// for again; the next flow starts anew.
func TestStepperZero(t *testing.T) {
	withMotor(t, stepperConfig, func(t *testing.T, m motor) {
		set(t, m.pump, 6*rig.MlPerMin)
		time.Sleep(time.Second + time.Millisecond)
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		for range 2 {
			if err := m.pump.Set(ended, 0); err != nil {
				t.Fatal(err)
			}
			if m.enable.on() || m.step.on() || m.step.count() != 100 || m.pump.Flow() != 0 {
				t.Errorf("power %v, step %v, %d steps, flow %v", m.enable.on(), m.step.on(), m.step.count(), m.pump.Flow())
			}
			time.Sleep(time.Hour)
		}
		set(t, m.pump, 6*rig.MlPerMin)
		time.Sleep(time.Second + time.Millisecond)
		if got := m.pump.Stats().Steps; got != 200 || m.step.count() != 200 || !m.enable.on() {
			t.Errorf("%d steps counted, %d made, power %v", got, m.step.count(), m.enable.on())
		}
	})
}

// A change of flow keeps the part of a step that has passed: 5 s at a step in
// 10 s and 5 s at a step in 10 s are a step, with another flow between as well.
func TestStepperRetimes(t *testing.T) {
	withMotor(t, stepperConfig, func(t *testing.T, m motor) {
		const slow, fast = 6e3, 60e3 // steps of 10 s and 1 s
		set(t, m.pump, slow)
		time.Sleep(5 * time.Second)
		set(t, m.pump, fast)
		time.Sleep(400 * time.Millisecond) // 0.9 of a step now
		set(t, m.pump, slow)
		time.Sleep(999 * time.Millisecond)
		if got := m.pump.Stats(); got.Steps != 0 {
			t.Errorf("too early: %+v", got)
		}
		time.Sleep(2 * time.Millisecond)
		if got := m.pump.Stats(); got.Steps != 1 || got.Skipped != 0 || got.Late > time.Microsecond {
			t.Errorf("got %+v, want a step in time", got)
		}
	})
}

func TestStepperRefuses(t *testing.T) {
	withMotor(t, stepperConfig, func(t *testing.T, m motor) {
		set(t, m.pump, 6*rig.MlPerMin)
		for _, f := range []rig.Flow{12*rig.MlPerMin + 1, -1, 16} {
			if err := m.pump.Set(t.Context(), f); err == nil || !strings.Contains(err.Error(), "12 ml/min") {
				t.Errorf("%v: %v", f, err)
			}
			if m.pump.Flow() != 6*rig.MlPerMin {
				t.Errorf("%v changed the flow to %v", f, m.pump.Flow())
			}
		}
	})
}

// After a stall the pace goes on; what is lost is told, and no two steps come
// closer than the motor can follow.
func TestStepperStalled(t *testing.T) {
	withMotor(t, stepperConfig, func(t *testing.T, m motor) {
		n := 0
		m.step.spoil(func(level bool) error {
			if n++; level && n == 11 { // the sixth step
				time.Sleep(47 * time.Millisecond)
			}
			return nil
		})
		set(t, m.pump, 6*rig.MlPerMin)
		time.Sleep(time.Second + time.Millisecond)
		set(t, m.pump, 0)
		got := m.pump.Stats()
		if got.Steps+got.Skipped != 100 || got.Skipped != 4 || got.Late != 47*time.Millisecond {
			t.Errorf("got %+v, want 100 steps with 4 skipped", got)
		}
		for i := range len(m.step.rises) - 1 {
			if d := m.step.rises[i+1].Sub(m.step.rises[i]); d < 5*time.Millisecond {
				t.Errorf("steps %d and %d are %v apart", i, i+1, d)
			}
		}
	})
}

func TestStepperLineFails(t *testing.T) {
	withMotor(t, stepperConfig, func(t *testing.T, m motor) {
		set(t, m.pump, 6*rig.MlPerMin)
		time.Sleep(55 * time.Millisecond)
		m.step.spoil(times(1, true))
		time.Sleep(time.Second)
		if m.enable.on() || m.step.count() != 5 {
			t.Errorf("power %v after %d steps", m.enable.on(), m.step.count())
		}
		if err := m.pump.Set(t.Context(), 6*rig.MlPerMin); !errors.Is(err, errBroken) || m.pump.Flow() != 0 {
			t.Errorf("got %v, flow %v", err, m.pump.Flow())
		}
		set(t, m.pump, 6*rig.MlPerMin) // it was told once
		time.Sleep(105 * time.Millisecond)
		if m.step.count() != 15 {
			t.Errorf("%d steps, want 15", m.step.count())
		}
		m.step.spoil(always(false))
		time.Sleep(time.Second)
		m.step.spoil(nil)
		if err := m.pump.Set(t.Context(), 0); !errors.Is(err, errBroken) || m.step.on() || m.pump.Flow() != 0 {
			t.Errorf("got %v, step %v, flow %v", err, m.step.on(), m.pump.Flow())
		}
	})
}

// Power goes although the goroutine hangs in the step line, and the pump says
// so until the line is free.
func TestStepperHangs(t *testing.T) {
	withMotor(t, stepperConfig, func(t *testing.T, m motor) {
		set(t, m.pump, 6*rig.MlPerMin)
		time.Sleep(55 * time.Millisecond)
		hang := make(chan struct{})
		m.step.mu.Lock()
		m.step.hang = hang
		m.step.mu.Unlock()
		time.Sleep(time.Second)
		for _, f := range []rig.Flow{0, 0, 6 * rig.MlPerMin} {
			if err := m.pump.Set(t.Context(), f); err == nil || !strings.Contains(err.Error(), "hangs") || m.enable.on() {
				t.Errorf("set to %v: %v, power %v", f, err, m.enable.on())
			}
		}
		close(hang)
		m.step.mu.Lock()
		m.step.hang = nil
		m.step.mu.Unlock()
		synctest.Wait()
		set(t, m.pump, 0)
		if m.step.on() || m.pump.Flow() != 0 {
			t.Errorf("step %v, flow %v", m.step.on(), m.pump.Flow())
		}
		set(t, m.pump, 6*rig.MlPerMin)
		before := m.step.count()
		time.Sleep(105 * time.Millisecond)
		if got := m.step.count() - before; got != 10 {
			t.Errorf("%d steps afterwards, want 10", got)
		}
	})
}

func TestStepperPowerFails(t *testing.T) {
	withMotor(t, stepperConfig, func(t *testing.T, m motor) {
		m.enable.spoil(always(true))
		if err := m.pump.Set(t.Context(), 6*rig.MlPerMin); !errors.Is(err, errBroken) || m.pump.Flow() != 0 {
			t.Errorf("got %v, flow %v", err, m.pump.Flow())
		}
		time.Sleep(time.Second)
		if m.step.count() != 0 {
			t.Errorf("%d steps without power", m.step.count())
		}
		m.enable.spoil(nil)
		set(t, m.pump, 6*rig.MlPerMin)
		m.enable.spoil(always(false))
		if err := m.pump.Set(t.Context(), 0); !errors.Is(err, errBroken) {
			t.Errorf("got %v", err)
		}
		steps := m.step.count()
		time.Sleep(time.Second)
		if m.step.count() != steps {
			t.Error("steps go on without end")
		}
		m.enable.spoil(nil)
	})
}

func TestNewStepper(t *testing.T) {
	broken := &wire{fail: func(bool) error { return errBroken }}
	for _, c := range []struct {
		name  string
		lines Lines
		cfg   StepperConfig
		want  string
	}{
		{"no step line", Lines{}, stepperConfig, "no step line"},
		{"no configuration", Lines{Step: &wire{}}, StepperConfig{}, "step is missing"},
		{"step line broken", Lines{Step: broken}, stepperConfig, "step line"},
		{"dir line broken", Lines{Step: &wire{}, Dir: broken}, stepperConfig, "direction"},
	} {
		if _, err := NewStepper(t.Context(), c.lines, c.cfg); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	s, err := NewStepper(t.Context(), Lines{Step: &wire{}}, stepperConfig) // the least that there is
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.Set(t.Context(), rig.MlPerMin), s.Close()); err != nil {
		t.Error(err)
	}
}

// Whatever flows follow each other, the steps made are the volume asked for,
// to a step, and none comes after zero.
func TestStepperVolume(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		type leg struct {
			flow rig.Flow
			last time.Duration
		}
		var legs []leg
		for range rapid.IntRange(1, 6).Draw(rt, "legs") {
			legs = append(legs, leg{rig.Flow(rapid.Int64Range(1e3, 6e6).Draw(rt, "flow")), time.Duration(rapid.Int64Range(0, 5e9).Draw(rt, "time"))})
		}
		synctest.Test(t, func(t *testing.T) {
			w := &wire{}
			s, err := NewStepper(t.Context(), Lines{Step: w}, stepperConfig)
			if err != nil {
				t.Fatal(err)
			}
			want := 0.0 // steps
			for _, l := range legs {
				set(t, s, l.flow)
				time.Sleep(l.last)
				want += float64(l.flow) * l.last.Minutes() / float64(rig.Microlitre)
			}
			set(t, s, 0)
			time.Sleep(time.Hour)
			if got := float64(w.count()); got < want-1.01 || got > want+0.01 {
				t.Errorf("%v steps, want %.3f: %v", got, want, legs)
			}
		})
	})
}
