package climate

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

// probe is a sensor that can fail, or hang on its bus.
type probe[T any] struct {
	mu    sync.Mutex
	value T
	err   error
	hang  chan struct{}
}

func (p *probe[T]) Read(context.Context) (T, error) {
	p.mu.Lock()
	hang := p.hang
	p.mu.Unlock()
	if hang != nil {
		<-hang
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.value, p.err
}

func (p *probe[T]) set(value T, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.value, p.err = value, err
}

func (p *probe[T]) block(hang chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.hang = hang
}

func chamberConfig() Config {
	wet, cold := moistening, cooling
	cold.MinOn, cold.MinOff = 0, 0
	return Config{Bus: "1", Air: &AirConfig{"0x44"}, Plate: &PlateConfig{"0x48", 12}, Humidifier: &wet, Cooler: &cold}
}

type bench struct {
	air                *probe[Air]
	plate              *probe[physic.Temperature]
	humidifier, cooler *wire
	chamber            *Chamber
	stop               func() error
}

// withChamber runs a chamber at 23 °C and 50 % in virtual time.
func withChamber(t *testing.T, f func(t *testing.T, b *bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := &bench{
			air:        &probe[Air]{value: Air{celsius(23), percent(50)}},
			plate:      &probe[physic.Temperature]{value: celsius(23)},
			humidifier: &wire{level: true}, cooler: &wire{level: true},
		}
		start := time.Now()
		c, err := New(t.Context(), chamberConfig(), Parts{b.air, b.plate, b.humidifier, b.cooler,
			func() rig.Instant { return rig.Instant(time.Since(start)) }})
		if err != nil {
			t.Fatal(err)
		}
		b.chamber = c
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- c.Run(ctx) }()
		b.stop = sync.OnceValue(func() error { cancel(); return <-ended })
		defer func() {
			if err := b.stop(); err != nil {
				t.Error(err)
			}
		}()
		time.Sleep(pace / 2) // between the ticks
		f(t, b)
	})
}

func TestChamber(t *testing.T) {
	withChamber(t, func(t *testing.T, b *bench) {
		c := b.chamber
		temp, err1 := c.AirTemp()
		rh, err2 := c.AirRH()
		plate, err3 := c.PlateTemp()
		if err := errors.Join(err1, err2, err3); err != nil || temp != celsius(23) || rh != percent(50) || plate != celsius(23) {
			t.Errorf("got %v, %v, %v, %v", temp, rh, plate, err)
		}
		if b.humidifier.on() || b.cooler.on() {
			t.Error("on before anything was asked for")
		}
		if err := errors.Join(c.SetHumidity(t.Context(), percent(85)), c.SetPlate(t.Context(), celsius(10))); err != nil {
			t.Fatal(err)
		}
		time.Sleep(pace)
		if !b.humidifier.on() || !b.cooler.on() {
			t.Errorf("humidifier %v, cooler %v; want both on", b.humidifier.on(), b.cooler.on())
		}
		b.air.set(Air{celsius(23), percent(87)}, nil)
		b.plate.set(celsius(9), nil)
		time.Sleep(2 * time.Second)
		if b.humidifier.on() || b.cooler.on() {
			t.Errorf("humidifier %v, cooler %v; want both off", b.humidifier.on(), b.cooler.on())
		}
		b.air.set(Air{celsius(23), percent(80)}, nil)
		b.plate.set(celsius(12), nil)
		time.Sleep(2 * time.Second)
		if err := errors.Join(c.SetHumidity(t.Context(), 0), c.SetPlate(t.Context(), 0)); err != nil || b.humidifier.on() || b.cooler.on() {
			t.Errorf("set to 0: %v, humidifier %v, cooler %v", err, b.humidifier.on(), b.cooler.on())
		}
	})
}

func TestChamberEnds(t *testing.T) {
	withChamber(t, func(t *testing.T, b *bench) {
		if err := errors.Join(b.chamber.SetHumidity(t.Context(), percent(85)), b.chamber.SetPlate(t.Context(), celsius(10))); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if !b.humidifier.on() || !b.cooler.on() {
			t.Fatal("not on")
		}
		if err := b.stop(); err != nil || b.humidifier.on() || b.cooler.on() {
			t.Errorf("ended: %v, humidifier %v, cooler %v", err, b.humidifier.on(), b.cooler.on())
		}
	})
}

// A sensor that fails, or hangs, takes its own output with it and no other,
// and its gauge says why.
func TestChamberSensorFails(t *testing.T) {
	for _, hangs := range []bool{false, true} {
		withChamber(t, func(t *testing.T, b *bench) {
			c := b.chamber
			if err := errors.Join(c.SetHumidity(t.Context(), percent(85)), c.SetPlate(t.Context(), celsius(10))); err != nil {
				t.Fatal(err)
			}
			hang := make(chan struct{})
			if hangs {
				b.plate.block(hang)
			} else {
				b.plate.set(0, errBus)
			}
			time.Sleep(3 * time.Second)
			if _, err := c.PlateTemp(); err != nil || !b.cooler.on() {
				t.Errorf("too early: %v, cooler %v", err, b.cooler.on())
			}
			time.Sleep(3500 * time.Millisecond)
			_, err := c.PlateTemp()
			if err == nil || !hangs && !errors.Is(err, errBus) || b.cooler.on() {
				t.Errorf("hangs = %v: %v, cooler %v", hangs, err, b.cooler.on())
			}
			if _, err := c.AirRH(); err != nil || !b.humidifier.on() {
				t.Errorf("humidifier %v, %v", b.humidifier.on(), err)
			}
			if err := c.SetPlate(t.Context(), celsius(11)); err == nil {
				t.Error("took a set-point without a sensor")
			}
			if err := c.SetPlate(t.Context(), 0); err != nil {
				t.Error(err)
			}
			close(hang)
			b.plate.block(nil)
			b.plate.set(celsius(20), nil)
			time.Sleep(2 * time.Second)
			if got, err := c.PlateTemp(); err != nil || got != celsius(20) || b.cooler.on() {
				t.Errorf("back: %v, %v, cooler %v", got, err, b.cooler.on())
			}
		})
	}
}

func TestChamberOutputFails(t *testing.T) {
	withChamber(t, func(t *testing.T, b *bench) {
		c := b.chamber
		if err := c.SetPlate(t.Context(), celsius(10)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		b.cooler.spoil(false, true)
		if err := c.SetPlate(t.Context(), 0); !errors.Is(err, errBroken) {
			t.Errorf("got %v", err)
		}
		time.Sleep(time.Second)
		if err := c.Err(); !errors.Is(err, errBroken) {
			t.Errorf("got %v", err)
		}
		b.cooler.spoil(false, false)
		time.Sleep(time.Second)
		if err := c.Err(); err != nil || b.cooler.on() {
			t.Errorf("mended: %v, cooler %v", err, b.cooler.on())
		}
	})
}

func TestNewChamber(t *testing.T) {
	clock := func() rig.Instant { return 0 }
	air, plate := &probe[Air]{}, &probe[physic.Temperature]{}
	stuck := &wire{noOff: true}
	for _, c := range []struct {
		name  string
		spoil func(*Config, *Parts)
		want  string
	}{
		{"good", func(*Config, *Parts) {}, ""},
		{"nothing", func(c *Config, p *Parts) { *c, *p = Config{}, Parts{Now: clock} }, ""},
		{"no clock", func(_ *Config, p *Parts) { p.Now = nil }, "parts"},
		{"no cooler's line", func(_ *Config, p *Parts) { p.Cooler = nil }, "parts"},
		{"no plate sensor", func(_ *Config, p *Parts) { p.Plate = nil }, "parts"},
		{"a line too many", func(c *Config, _ *Parts) { c.Humidifier = nil }, "parts"},
		{"no bus", func(c *Config, _ *Parts) { c.Bus = "" }, "bus is missing"},
		{"cooler stuck", func(_ *Config, p *Parts) { p.Cooler = stuck }, "plate cooler"},
		{"humidifier stuck", func(_ *Config, p *Parts) { p.Humidifier = stuck }, "humidifier"},
		{"air sensor absent", func(_ *Config, p *Parts) { p.Air = &probe[Air]{err: errBus} }, "no acknowledge"},
		{"plate sensor absent", func(_ *Config, p *Parts) { p.Plate = &probe[physic.Temperature]{err: errBus} }, "no acknowledge"},
	} {
		cfg, parts := chamberConfig(), Parts{air, plate, &wire{}, &wire{}, clock}
		c.spoil(&cfg, &parts)
		_, err := New(t.Context(), cfg, parts)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
	none, err := New(t.Context(), Config{}, Parts{Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(none.SetHumidity(t.Context(), 0), none.SetPlate(t.Context(), 0)); err != nil {
		t.Errorf("off, of nothing: %v", err)
	}
	if none.SetHumidity(t.Context(), percent(50)) == nil || none.SetPlate(t.Context(), celsius(10)) == nil {
		t.Error("on, of nothing")
	}
	if _, err := none.AirTemp(); err == nil {
		t.Error("a reading of nothing")
	}
}

const chamber = `
chamber:
  bus: "1"
  air: {address: "0x44"}
  plate: {address: "0x48", bits: 12}
  humidifier: {line: relay_3, lowest: 40 %RH, highest: 95 %RH, hysteresis: 2 %RH}
  cooler: {line: relay_4, lowest: 2 °C, highest: 40 °C, hysteresis: 0.5 K, min_on: 10 s, min_off: 20 s}
  every: 1 s
  stale: 5 s
`

func TestRigFile(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"", "", ""},
		{`bus: "1"`, `bus: ""`, "rig.yaml:3:3: bus is missing"},
		{`air: {address: "0x44"}`, "", "there is no air sensor to regulate by"},
		{`plate: {address: "0x48", bits: 12}`, "", "there is no plate sensor to regulate by"},
		{`"0x44"`, `"0x80"`, `rig.yaml:4:9: address is "0x80"`},
		{`"0x48"`, `"48h"`, `address is "48h"`},
		{"bits: 12", "bits: 13", "bits is 13"},
		{"line: relay_3, ", "", "line is missing"},
		{"lowest: 40 %RH", "lowest: 96 %RH", "set-points go from 96 %RH to 95 %RH"},
		{"hysteresis: 0.5 K", "hysteresis: 0.5 °C", `expected a difference such as "0.5 K"`},
		{"hysteresis: 2 %RH", "hysteresis: 0 %RH", "hysteresis is missing, not above 0"},
		{"min_on: 10 s", "min_on: -10 s", "min_on is negative"},
		{"min_off: 20 s", "min_off: -20 s", "min_off is negative"},
		{"every: 1 s", "every: 10 ms", "every is 10ms"},
		{"stale: 5 s", "stale: 1 s", "stale is 1s, not longer than every"},
	} {
		var got struct {
			Chamber Config `yaml:"chamber"`
		}
		text := strings.Replace(chamber, c.old, c.new, 1)
		err := config.Decode("rig.yaml", []byte(text), &got)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.new, err, c.want)
		}
		if b := got.Chamber.Cooler; c.want == "" && (b.Hysteresis != physic.Kelvin/2 || b.Lowest != celsius(2) || b.MinOff != 20*time.Second) {
			t.Errorf("cooler: %+v", b)
		}
	}
}
