package virtual

import (
	"math"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/physics"

	"periph.io/x/conn/v3/physic"
)

// exactWater is the default bench without errors and scatter in its water, and
// with a drip pump that the tests' figures are for.
func exactWater() Config {
	c := Default()
	c.Drip.Lag, c.Drip.LateFrom = 40*time.Millisecond, rig.Share(5e8)
	c.Drip.Gate, c.Drip.Fall = 20*physic.MilliMetre, 200*physic.MilliMetre
	c.Drip.Gain, c.Drip.Ripple, c.Drip.DropCV, c.Drip.LagScatter, c.Drip.Scatter = 0, 0, 0, 0, 0
	c.Spray.Gain, c.Spray.Scatter = 0, 0
	c.Lines.StampLag, c.Lines.StampScatter, c.Lines.WitnessScatter = 0, 0, 0
	return c
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

// The first drop needs the pump's lag, the line's fill, a drop's growth and the
// fall: √(2h/g) is 63.866 ms from 20 mm and 201.962 ms from 200 mm (computed
// with g = 9.80665 m/s², as the check values of physics are).
func TestFirstDrop(t *testing.T) {
	d := newDriver(t, exactWater(), readProfile(t, "testdata/conductive.yaml"), 1)
	d.set(rig.PumpDrip, int64(30*rig.MlPerMin))
	gate, ok := d.edge(rig.DropGate, 1, 10*time.Second)
	if !ok {
		t.Fatal("no drop")
	}
	hangs := 0.040 + 2.016667/0.5 // s: lag, (line + drop) at 0.5 ml/s
	near(t, "first drop at the gate", gate.At.Sub(0).Seconds(), hangs+0.063866, 2e-6)
	if ev, _ := d.edge(rig.DropGate, 0, time.Second); ev.At.Sub(gate.At) != Default().Lines.Beam {
		t.Errorf("the beam is broken for %v", ev.At.Sub(gate.At))
	}
	wet, ok := d.edge(rig.Witness, 1, time.Second)
	if !ok {
		t.Fatal("the witness stays dry")
	}
	truth := d.b.Truth()[0].At
	near(t, "first drop on the sensor", truth.Sub(0).Seconds(), hangs+0.201962, 2e-6)
	near(t, "gate to sensor", truth.Sub(gate.At).Seconds(), 0.201962-0.063866, 2e-6)
	near(t, "witness lag", wet.At.Sub(truth).Seconds(), 0.001, 1e-9)
}

// gateCount is how many drops the gate has seen.
func (d *driver) gateCount() int {
	n := 0
	for _, ev := range d.events {
		if ev.Kind == rig.Edge && ev.Channel == chDropGate && ev.Value == 1 {
			n++
		}
	}
	return n
}

func TestDropsMakeTheVolume(t *testing.T) {
	tests := []struct {
		name  string
		fault string
		from  Config
		want  float64
		tol   float64 // of the gain and of drops cut off
	}{
		{"exact", "", exactWater(), 600, 1},
		{"with scatter", "", Default(), 600, 4*6 + 1},
		{"worn tube", "worn_tube", exactWater(), 480, 1},
		{"blocked nozzle", "blocked_nozzle", exactWater(), 0, 0},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			if test.fault != "" {
				if err := test.from.SetFault(test.fault); err != nil {
					t.Fatal(err)
				}
			}
			d := newDriver(t, test.from, readProfile(t, "testdata/conductive.yaml"), 2)
			// The gain is in the time that the line takes too: fill it first.
			d.dose(rig.Volume(2.5*float64(rig.Millilitre)/test.from.wear()), 30*rig.MlPerMin)
			d.run(2 * time.Second)
			before := d.gateCount()
			d.dose(10*rig.Millilitre, 30*rig.MlPerMin)
			d.run(2 * time.Second)
			near(t, "drops of 10 ml", float64(d.gateCount()-before), test.want, test.tol)
		})
	}
}

// wear is the share that a worn tube delivers.
func (c Config) wear() float64 {
	if _, ok := c.Faults["worn_tube"]; ok {
		return 0.8
	}
	return 1
}

// A dose is short by what ran back during a long pause.
func TestDrainBack(t *testing.T) {
	for _, test := range []struct {
		pause time.Duration
		short int // drops
	}{
		{time.Minute, 0},
		{2*time.Minute + 5*time.Minute, 3},  // 5 min at 10 µl/min are 50 µl
		{2*time.Minute + 60*time.Minute, 4}, // 60 µl at the most
	} {
		c := exactWater()
		c.Drip.LateFrom = rig.Share(2e9) // no late drops
		d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
		d.dose(2*rig.Millilitre+c.Drip.Drop*10+c.Drip.Drop/10, 30*rig.MlPerMin)
		d.run(test.pause)
		before := d.gateCount()
		d.dose(10*c.Drip.Drop, 30*rig.MlPerMin)
		d.run(time.Second)
		if got := d.gateCount() - before; got != 10-test.short {
			t.Errorf("after a pause of %v a dose of 10 drops gives %d, want %d", test.pause, got, 10-test.short)
		}
	}
}

// What hangs at the tip when the pump stops falls soon if it is large.
func TestLateDrop(t *testing.T) {
	for _, test := range []struct {
		left  float64 // of a drop
		drops int
	}{{0.3, 3}, {0.7, 4}} {
		c := exactWater()
		d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
		d.dose(c.Drip.Line+rig.Volume((3+test.left)*float64(c.Drip.Drop)), 30*rig.MlPerMin)
		stop := d.b.Now().Add(c.Drip.Lag)
		d.run(2 * time.Second)
		if got := d.gateCount(); got != test.drops {
			t.Errorf("%v drops make %d", 3+test.left, got)
		}
		last := d.events[len(d.events)-1]
		for _, ev := range d.events {
			if ev.Channel == chDropGate {
				last = ev
			}
		}
		if test.left > 0.5 && (last.At < stop || last.At > stop.Add(c.Drip.LateWithin+100*time.Millisecond)) {
			t.Errorf("the late drop comes %v after the stop", last.At.Sub(stop))
		}
	}
}

// Spray of 1 mm/min over an area is 1 l/(m² min).
func TestSprayRate(t *testing.T) {
	c := exactWater()
	c.Film.Drain = 1000 * time.Hour
	d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
	d.set(rig.PumpSpray, int64((3 * rig.MmPerMin).Flow(c.Spray.Area)))
	wet, ok := d.edge(rig.Witness, 1, time.Second)
	if !ok {
		t.Fatal("the witness stays dry")
	}
	near(t, "first water", wet.At.Sub(0).Seconds(), 0.300+0.001, 1e-6)
	d.run(wet.At.Sub(d.b.Now()) + 10*time.Second)
	d.set(rig.PumpSpray, 0)
	d.run(time.Second)
	// 3 mm/min for 10.2 s (lag and tail differ by 0.1 s, the witness by 1 ms) on 2 cm²
	near(t, "water on the sensor", float64(d.b.Truth()[0].Volume), 3*200*10.199/60*1e3, 200)
}

// A plate under the dew point gains the flux that physics says for the plate's
// own temperature; one above it stays dry.
func TestDew(t *testing.T) {
	c := Default()
	c.Chamber.PlateWarms = 0
	c.Film.Drain = 1000 * time.Hour
	for _, test := range []struct {
		name  string
		rh    physic.RelativeHumidity
		plate physic.Temperature
		hour  float64 // g/m², in an hour of steady state
	}{
		{"dew", 80 * physic.PercentRH, physic.ZeroCelsius + 10*physic.Kelvin,
			3.6e6 * flux(10, 23, 0.80, 10)},
		{"no dew", 60 * physic.PercentRH, physic.ZeroCelsius + 18*physic.Kelvin, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
			d.forget = true
			d.set(rig.Humidity, int64(test.rh))
			d.set(rig.Plate, int64(test.plate))
			d.run(time.Hour)
			f := d.b.w.film
			f.advance()
			before := f.dewed
			d.run(time.Hour)
			f.advance()
			near(t, "dew of an hour in g/m²", (f.dewed-before)/f.area*1e3, test.hour, 0.001*test.hour)
			if wet := d.ask(rig.Witness) == 1; wet != (test.hour > 0) {
				t.Errorf("witness wet: %v", wet)
			}
			near(t, "air humidity", float64(d.ask(rig.AirRH)), float64(test.rh), 5*float64(c.Chamber.RHError+c.Chamber.RHNoise))
			near(t, "plate", float64(d.ask(rig.PlateTemp)), float64(test.plate), 5*float64(c.Chamber.TempError+c.Chamber.TempNoise))
			near(t, "air", float64(d.ask(rig.AirTemp)), float64(c.Chamber.RoomTemp), 5*float64(c.Chamber.TempError+c.Chamber.TempNoise))
		})
	}
}

// flux is the mass that a plate gains, kg/(m² s).
func flux(h, air, rh, plate float64) float64 {
	return float64(physics.CondensationFlux(physics.HeatTransfer(h), physics.Air{T: physics.Celsius(air), RH: physics.RelHumidity(rh)}, physics.Celsius(plate)))
}

// The latent heat of dew warms the plate.
func TestDewWarmsThePlate(t *testing.T) {
	c := Default()
	c.Chamber.TempError, c.Chamber.TempNoise = 0, 0
	d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
	d.forget = true
	d.set(rig.Humidity, int64(90*physic.PercentRH))
	set := physic.ZeroCelsius + 5*physic.Kelvin
	d.set(rig.Plate, int64(set))
	d.run(time.Hour)
	rise := float64(d.ask(rig.PlateTemp)-int64(set)) / 1e9
	m := flux(10, 23, 0.90, 5+rise)
	near(t, "rise of the plate", rise, m*float64(physics.LatentHeat(5))*c.Chamber.PlateWarms, 1e-3)
}

// Water dries in the still air at the rate of physics, and much faster under
// the jet.
func TestDrying(t *testing.T) {
	c := exactWater()
	d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
	d.forget = true
	f := d.b.w.film
	f.land(20)
	d.run(time.Second)
	d.run(time.Hour)
	f.advance()
	covered := f.spread() // the puddle keeps the ground that it took
	near(t, "covered", f.cover, 20/(200*0.6), 0.005)
	want := -flux(4, 23, 0.5, 23) * 3600 * f.area * f.cover
	near(t, "evaporated in an hour", f.evaporated, want, 0.02*want)
	if covered >= f.cover {
		t.Errorf("the puddle would cover %v now, more than %v", covered, f.cover)
	}
	d.set(rig.ValveAir, 1)
	begin := d.b.Now()
	if _, ok := d.edge(rig.Witness, 0, 20*time.Second); !ok {
		t.Fatal("the jet does not dry the sensor")
	}
	if took := d.b.Now().Sub(begin); took > 15*time.Second {
		t.Errorf("the jet takes %v", took)
	}
	if f.volume != 0 || f.residue() <= 0 {
		t.Errorf("after drying there are %v µl and a residue of %v mm", f.volume, f.residue())
	}
}

// Vessels run dry and over.
func TestVessels(t *testing.T) {
	c := exactWater()
	c.Water.Reservoir, c.Water.Low, c.Water.Tray = 8*rig.Millilitre, 5*rig.Millilitre, 3*rig.Millilitre
	d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
	d.set(rig.PumpDrip, int64(30*rig.MlPerMin))
	if ev, ok := d.edge(rig.Reservoir, 0, time.Minute); !ok {
		t.Error("the reservoir is never low")
	} else {
		near(t, "reservoir low", ev.At.Sub(0).Seconds(), 0.04+3/0.5, 1.1)
	}
	if _, ok := d.edge(rig.Tray, 0, time.Minute); !ok {
		t.Error("the tray never overflows")
	}
	d.run(20 * time.Second)
	near(t, "pumped in all, µl", d.b.w.drip.pumped, 8000, 500*1.1)
	if d.b.w.drip.flow != 0 {
		t.Error("the pump pumps from an empty reservoir")
	}
}
