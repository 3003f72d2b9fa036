package virtual

import (
	"context"
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

// readProfile reads a stock profile, or a file by its path.
func readProfile(t testing.TB, name string) profile {
	t.Helper()
	var p profile
	var err error
	if p.DUT, _, err = config.LoadProfile(name, ".", &p.Model); err != nil {
		t.Fatal(err)
	}
	return p
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
	forget bool // does not keep events
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
	if _, err := d.b.Set(d.ctx, d.id(name), v); err != nil {
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
			if !d.forget {
				d.events = append(d.events, ev)
			}
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

// edges are the levels that a line went to.
func (d *driver) edges(name string) (levels []int64) {
	d.t.Helper()
	id := d.id(name)
	for _, ev := range d.events {
		if ev.Kind == rig.Edge && ev.Channel == id {
			levels = append(levels, ev.Value)
		}
	}
	return levels
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
