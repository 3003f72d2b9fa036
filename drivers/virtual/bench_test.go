package virtual

import (
	"context"
	"os"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

// profile is a DUT with its model, as in a profile file.
type profile struct {
	rig.DUT
	Model Model
}

func readProfile(t testing.TB, file string) profile {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var p struct {
		Name      string                   `yaml:"name"`
		Supply    physic.ElectricPotential `yaml:"supply"`
		Detect    rig.DetectSpec           `yaml:"detect"`
		Sampling  rig.SamplingSpec         `yaml:"sampling"`
		Heartbeat time.Duration            `yaml:"heartbeat"`
		StartUp   time.Duration            `yaml:"start_up"`
		DropOut   physic.ElectricPotential `yaml:"drop_out"`
		Recovery  physic.ElectricPotential `yaml:"recovery"`
		UART      rig.UARTSpec             `yaml:"uart"`
		Settings  map[string]string        `yaml:"settings"`
		Model     Model                    `yaml:"model"`
	}
	if err := config.Decode(file, text, &p); err != nil {
		t.Fatal(err)
	}
	return profile{rig.DUT{
		Name: p.Name, Supply: p.Supply, Detect: p.Detect, Sampling: p.Sampling, Heartbeat: p.Heartbeat,
		StartUp: p.StartUp, DropOut: p.DropOut, Recovery: p.Recovery, UART: p.UART, Settings: p.Settings,
	}, p.Model}
}

// driver works a bench the way a rig does: it keeps the dead-man line toggling
// and notes all events.
type driver struct {
	t      testing.TB
	ctx    context.Context
	b      *Bench
	beat   int64
	next   rig.Instant
	mute   bool // does not toggle the dead-man line
	events []rig.Event
}

func newDriver(t testing.TB, cfg Config, p profile, seed uint64) *driver {
	t.Helper()
	b, err := Open(cfg, p.DUT, p.Model, seed)
	if err != nil {
		t.Fatal(err)
	}
	return &driver{t: t, ctx: context.Background(), b: b}
}

// power supplies the DUT and waits until it has started.
func (d *driver) power() {
	d.t.Helper()
	d.set(rig.SupplySet, int64(3300*physic.MilliVolt))
	d.set(rig.RelayDUT, 1)
	d.run(2 * time.Second)
}

func (d *driver) id(name string) rig.ID {
	id, ok := rig.Find(d.b.Channels(), name)
	if !ok {
		d.t.Fatalf("no channel %s", name)
	}
	return id
}

func (d *driver) set(name string, v int64) {
	d.t.Helper()
	if err := d.b.Set(d.ctx, d.id(name), v); err != nil {
		d.t.Fatal(err)
	}
}

func (d *driver) ask(name string) int64 {
	d.t.Helper()
	v, err := d.b.Ask(d.ctx, d.id(name))
	if err != nil {
		d.t.Fatal(err)
	}
	return v
}

// run lets time pass.
func (d *driver) run(t time.Duration) {
	d.t.Helper()
	end := d.b.Now().Add(t)
	d.until(end, func(rig.Event) bool { return false })
}

// until lets time pass until an event is wanted; it returns whether one was.
func (d *driver) until(end rig.Instant, wanted func(rig.Event) bool) (rig.Event, bool) {
	d.t.Helper()
	for {
		if d.b.Now() >= d.next {
			d.next = d.b.Now().Add(100 * time.Millisecond)
			if d.beat ^= 1; !d.mute {
				d.set(rig.Deadman, d.beat)
			}
		}
		ev, ok, err := d.b.Await(d.ctx, min(end, d.next))
		if err != nil {
			d.t.Fatal(err)
		}
		if ok {
			d.events = append(d.events, ev)
			if wanted(ev) {
				return ev, true
			}
		} else if d.b.Now() >= end {
			return rig.Event{}, false
		}
	}
}

// edge waits for an edge of a line.
func (d *driver) edge(name string, level int64, within time.Duration) (rig.Event, bool) {
	d.t.Helper()
	id := d.id(name)
	return d.until(d.b.Now().Add(within), func(ev rig.Event) bool {
		return ev.Kind == rig.Edge && ev.Channel == id && ev.Value == level
	})
}

// dose runs the drip pump for a volume.
func (d *driver) dose(v rig.Volume, f rig.Flow) {
	d.t.Helper()
	d.set(rig.PumpDrip, int64(f))
	d.run(time.Duration(float64(v) / float64(f) * float64(time.Minute)))
	d.set(rig.PumpDrip, 0)
}

// prime fills the tube and dries the sensor.
func (d *driver) prime() {
	d.t.Helper()
	d.dose(3*rig.Millilitre, 30*rig.MlPerMin)
	d.run(2 * time.Second)
	d.dry()
}

func (d *driver) dry() {
	d.t.Helper()
	d.set(rig.ValveAir, 1)
	if _, ok := d.edge(rig.Witness, 0, time.Minute); !ok {
		d.t.Fatal("the sensor does not dry in a minute of air jet")
	}
	d.run(500 * time.Millisecond)
	d.set(rig.ValveAir, 0)
}

func TestDoseIsDetected(t *testing.T) {
	p := readProfile(t, "testdata/conductive.yaml")
	d := newDriver(t, Default(), p, 1)
	d.power()
	d.prime()
	d.run(3 * time.Second)
	before := len(d.b.Truth())
	d.dose(50*rig.Microlitre, 30*rig.MlPerMin)
	if _, ok := d.edge(rig.Detect, 1, 4*time.Second); !ok {
		t.Error("three drops are not detected")
	}
	if n := len(d.b.Truth()); n != before+1 {
		t.Errorf("%d wettings, want %d", n, before+1)
	}
	d.dry()
	if v := d.ask(rig.Detect); v != 0 {
		if _, ok := d.edge(rig.Detect, 0, 3*time.Second); !ok {
			t.Error("detect does not clear")
		}
	}
	for _, ev := range d.events {
		t.Logf("%v %v %s %d %s", ev.At, ev.Kind, d.b.Channels()[ev.Channel].Name, ev.Value, ev.Text)
	}
	t.Log(d.b.Truth())
}
