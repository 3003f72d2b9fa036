package power

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

var errBus = errors.New("no acknowledge")

// part is a monitor with its registers, on a bus of its own.
type part struct {
	mu    sync.Mutex
	reg   [8]uint16
	amps  func() float64
	volts float64
	over  bool
	dead  bool
}

func (p *part) String() string                  { return "part" }
func (p *part) SetSpeed(physic.Frequency) error { return nil }

func (p *part) Tx(addr uint16, w, r []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.dead || addr != 0x40 {
		return errBus
	}
	if len(w) == 3 {
		if p.reg[w[0]] = uint16(w[1])<<8 | uint16(w[2]); w[0] == 0 && p.reg[0] == resetBit {
			p.reset()
		}
		return nil
	}
	p.reg[regShunt] = uint16(int16(math.Round(p.amps() * 0.1 / 10e-6)))
	p.reg[regRail] = uint16(math.Round(p.volts/4e-3))<<3 | readyBit
	if p.over {
		p.reg[regRail] |= overflowBit
	}
	r[0], r[1] = byte(p.reg[w[0]]>>8), byte(p.reg[w[0]])
	return nil
}

func (p *part) reset() { p.reg[regConfiguration], p.reg[regCalibration] = 0x399f, 0 }

func (p *part) change(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
}

func (p *part) load(amps float64) { p.change(func() { p.amps = func() float64 { return amps } }) }

// withMeter runs a meter in virtual time on a rail of 3.2 V with 100 mA.
func withMeter(t *testing.T, f func(t *testing.T, m *Meter, p *part)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		p := &part{volts: 3.2}
		p.load(0.1)
		cfg := good
		cfg.Every = 10 * time.Millisecond
		m, err := Open(t.Context(), p, cfg, func() rig.Instant { return rig.Instant(time.Since(start)) })
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		var run sync.WaitGroup
		run.Go(func() { m.Run(ctx) })
		defer run.Wait()
		defer cancel()
		time.Sleep(cfg.Every / 2) // between the ticks
		f(t, m, p)
	})
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*max(1, math.Abs(b)) }

func TestSteadyLoad(t *testing.T) {
	withMeter(t, func(t *testing.T, m *Meter, _ *part) {
		time.Sleep(10 * time.Millisecond)
		m.Reset()
		time.Sleep(10 * time.Second)
		rail, err1 := m.Rail()
		current, err2 := m.Current()
		energy, err3 := m.Energy()
		if err := errors.Join(err1, err2, err3); err != nil || rail != 3200*physic.MilliVolt || current != 100*physic.MilliAmpere || energy != 3200*physic.MilliJoule {
			t.Errorf("got %v, %v, %v, %v; want 3.2 V, 100 mA, 3.2 J", rail, current, energy, err)
		}
		want := Totals{Energy: 3200 * physic.MilliJoule, Measured: 10 * time.Second, Longest: 10 * time.Millisecond, Readings: 1000}
		if got := m.Totals(); got != want {
			t.Errorf("got %+v, want %+v", got, want)
		}
	})
}

// The current is the mean since it was asked for.
func TestMeanCurrent(t *testing.T) {
	withMeter(t, func(t *testing.T, m *Meter, p *part) {
		current := func(want float64) {
			t.Helper()
			if got, err := m.Current(); err != nil || !near(float64(got)/1e9, want) {
				t.Errorf("got %v, %v; want %v A", got, err, want)
			}
		}
		time.Sleep(time.Second)
		current(0.1)
		p.load(0.3)
		time.Sleep(20 * time.Millisecond) // a rise over one interval, then one at 0.3 A
		current(0.25)
		current(0.3) // nothing new: the last reading
		time.Sleep(time.Second)
		current(0.3)
		p.load(-0.1)
		time.Sleep(10 * time.Millisecond)
		current(0.1)
	})
}

// An overload shows at once, as the highest current that was read, and makes
// the energy incomplete until the sums begin anew.
func TestOverload(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*part)
		want  physic.ElectricCurrent // at least
	}{
		{"beyond the range", func(p *part) { p.amps = func() float64 { return 0.41 } }, 400 * physic.MilliAmpere},
		{"overflow", func(p *part) { p.over = true; p.amps = func() float64 { return 0.39 } }, 390 * physic.MilliAmpere},
		{"backwards", func(p *part) { p.amps = func() float64 { return -0.41 } }, 100 * physic.MilliAmpere},
		{"rail beyond the range", func(p *part) { p.volts = 16 }, 100 * physic.MilliAmpere},
	} {
		t.Run(c.name, func(t *testing.T) {
			withMeter(t, func(t *testing.T, m *Meter, p *part) {
				time.Sleep(time.Second)
				p.change(func() { c.spoil(p) })
				time.Sleep(10 * time.Millisecond)
				if _, err := m.Energy(); err == nil || !strings.Contains(err.Error(), "incomplete: 1 readings above max_current of 400 mA") {
					t.Errorf("during: %v", err)
				}
				p.change(func() { p.over, p.volts, p.amps = false, 3.2, func() float64 { return 0.1 } })
				time.Sleep(time.Second)
				if got, err := m.Current(); err != nil || got < c.want {
					t.Errorf("got %v, %v; want %v", got, err, c.want)
				}
				if got, err := m.Current(); err != nil || got != 100*physic.MilliAmpere {
					t.Errorf("afterwards: %v, %v", got, err)
				}
				if got, err := m.Energy(); err == nil || math.Abs(float64(got)/1e9-0.32*2) > 0.02 {
					t.Errorf("got %v, %v; want about 0.64 J, incomplete", got, err)
				}
				m.Reset()
				time.Sleep(time.Second)
				if _, err := m.Energy(); err != nil {
					t.Errorf("after a reset: %v", err)
				}
			})
		})
	}
}

// Sums that begin in an overload lack what came before its end.
func TestResetInOverload(t *testing.T) {
	withMeter(t, func(t *testing.T, m *Meter, p *part) {
		p.load(0.5)
		time.Sleep(time.Second)
		m.Reset()
		p.load(0.1)
		time.Sleep(time.Second)
		if _, err := m.Energy(); err == nil {
			t.Error("the energy is complete")
		}
	})
}

func TestMonitorGone(t *testing.T) {
	withMeter(t, func(t *testing.T, m *Meter, p *part) {
		time.Sleep(time.Second)
		p.change(func() { p.dead = true })
		time.Sleep(400 * time.Millisecond)
		p.change(func() { p.dead = false })
		time.Sleep(time.Second)
		if _, err := m.Energy(); err != nil { // bridged
			t.Errorf("after a short gap: %v", err)
		}
		if got := m.Totals(); got.Longest != 410*time.Millisecond || got.Lost != 0 {
			t.Errorf("got %+v", got)
		}
		p.change(func() { p.dead = true })
		time.Sleep(600 * time.Millisecond)
		_, err1 := m.Rail()
		_, err2 := m.Current()
		_, err3 := m.Energy()
		for _, err := range []error{err1, err2, err3} {
			if !errors.Is(err, errBus) {
				t.Errorf("got %v", err)
			}
		}
		before := m.Totals()
		p.change(func() { p.dead = false })
		time.Sleep(15 * time.Millisecond)
		if _, err := m.Rail(); err != nil {
			t.Errorf("back: %v", err)
		}
		if got, err := m.Energy(); err == nil || !strings.Contains(err.Error(), "1 gaps") || float64(got-before.Energy)/1e9 > 0.01 {
			t.Errorf("back: %v after %v, %v", got, before.Energy, err)
		}
	})
}

// A monitor that was reset is set up again, and the energy is not vouched for.
func TestMonitorReset(t *testing.T) {
	withMeter(t, func(t *testing.T, m *Meter, p *part) {
		time.Sleep(time.Second)
		p.change(p.reset)
		time.Sleep(2 * time.Second)
		p.change(func() {
			if p.reg[regConfiguration] != 0x01e7 || p.reg[regCalibration] != 33554 {
				t.Errorf("registers %#x", p.reg)
			}
		})
		if _, err := m.Energy(); err == nil || !strings.Contains(err.Error(), "1 gaps") {
			t.Errorf("got %v", err)
		}
		if _, err := m.Rail(); err != nil {
			t.Error(err)
		}
	})
}

func TestMeterStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		p := &part{volts: 3.2}
		p.load(0.1)
		m, err := Open(t.Context(), p, good, func() rig.Instant { return rig.Instant(time.Since(start)) })
		if err != nil {
			t.Fatal(err)
		}
		if got, err := m.Current(); err != nil || got != 100*physic.MilliAmpere {
			t.Errorf("the first reading: %v, %v", got, err)
		}
		time.Sleep(time.Second)
		if _, err := m.Rail(); err == nil || !strings.Contains(err.Error(), "see that the meter runs") {
			t.Errorf("got %v", err)
		}
	})
}

func TestOpenErrors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := func() rig.Instant { return 0 }
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		p := &part{volts: 3.2}
		p.load(0.1)
		for _, c := range []struct {
			name string
			ctx  context.Context
			part *part
			cfg  Config
			want string
		}{
			{"no configuration", t.Context(), p, Config{}, "address"},
			{"no monitor", t.Context(), &part{dead: true}, good, "no acknowledge"},
			{"no time", ended, p, good, "canceled"},
		} {
			if _, err := Open(c.ctx, c.part, c.cfg, clock); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: got %v, want %q", c.name, err, c.want)
			}
		}
		go func() { // gone between set-up and reading
			time.Sleep(time.Millisecond)
			p.change(func() { p.dead = true })
		}()
		if _, err := Open(t.Context(), p, good, clock); !errors.Is(err, errBus) {
			t.Errorf("got %v", err)
		}
	})
}

// On a rail that does not change, a load that rises evenly gives the same
// energy however the readings fall.
func TestEnergyOfRamp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const volts, slope = 5.0, 0.02 // A/s
		n := integrator{longest: time.Hour}
		at := rig.Instant(rapid.Int64Range(0, 1e15).Draw(t, "start"))
		start := at
		for range rapid.IntRange(2, 50).Draw(t, "readings") {
			i := slope * at.Sub(start).Seconds()
			n.add(at, reading{rail: 5 * physic.Volt, current: physic.ElectricCurrent(math.Round(i * 1e9))})
			at = at.Add(time.Duration(rapid.Int64Range(0, 1e9).Draw(t, "dt")))
		}
		d := n.at.Sub(start).Seconds()
		if got, want := n.joules, volts*slope*d*d/2; math.Abs(got-want) > 1e-6 {
			t.Fatalf("%v J in %v s, want %v", got, d, want)
		}
	})
}
