package virtual

import (
	"math"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/physics"

	"periph.io/x/conn/v3/physic"
)

const milli = int64(physic.MilliVolt)

// exactPower is the default bench without errors in its supply.
func exactPower() Config {
	c := exactWater()
	c.Supply.Gain, c.Supply.Noise, c.Supply.CurrentError, c.Supply.Resistance = 0, 0, 0, 0
	return c
}

// steady is the test DUT with one current, awake and asleep.
func steady(t testing.TB, i physic.ElectricCurrent) profile {
	p := readProfile(t, "testdata/conductive.yaml")
	p.Model.Sleep, p.Model.Active, p.Model.Starting, p.Model.Off = i, i, i, i
	return p
}

// The capacitor of 47 µF takes 12 mA from 3.3 V to 2.0 V in 5.092 ms
// (C ΔU/I, computed).
func TestDischargeTime(t *testing.T) {
	p := steady(t, 12*physic.MilliAmpere)
	p.DropOut, p.Recovery = 2000*physic.MilliVolt, 2200*physic.MilliVolt
	d := newDriver(t, exactPower(), p, 1)
	d.power()
	for d.ask(rig.Heartbeat) == 0 { // its fall tells of the brown-out
		d.run(100 * time.Millisecond)
	}
	d.set(rig.RelayDUT, 0)
	open := d.b.Now().Add(Default().Supply.Switch)
	ev, ok := d.edge(rig.Heartbeat, 0, time.Second)
	if !ok {
		t.Fatal("the DUT never stops")
	}
	near(t, "time to drop-out in ms", ev.At.Sub(open).Seconds()*1e3, 5.0917, 0.0005)
	near(t, "rail at drop-out", float64(d.ask(rig.Rail)), 2e9, 1e5)
	d.run(time.Second)
	near(t, "rail in the end", float64(d.ask(rig.Rail)), 0, 1)
}

// Energy is that of the mean current: (I_a t_a + I_s (T - t_a))/T at 3.3 V.
func TestEnergyIsThatOfTheMeanCurrent(t *testing.T) {
	c := exactPower()
	p := readProfile(t, "testdata/conductive.yaml")
	p.Model.Clock = 0
	d := newDriver(t, c, p, 1)
	d.power()
	d.run(3*time.Second + 100*time.Millisecond)
	before := d.ask(rig.DUTEnergy)
	d.ask(rig.DUTCurrent) // the next reading is the mean since this one
	const periods = 500
	d.run(periods * p.Sampling.Period)
	duty := physics.Duty{
		Active: physics.Ampere(amperes(p.Model.Active)), Sleep: physics.Ampere(amperes(p.Model.Sleep)),
		On: physics.Seconds(p.Model.ActiveTime), Period: physics.Seconds(p.Sampling.Period),
	}
	mean := float64(duty.Mean())
	near(t, "mean current in µA", float64(d.ask(rig.DUTCurrent))/1e3, mean*1e6, mean*1e6*1e-4)
	want := mean * 3.3 * periods * 2
	near(t, "energy in mJ", float64(d.ask(rig.DUTEnergy)-before)/1e6, want*1e3, want*1e3*1e-4)
}

// On a slow ramp the DUT stops and starts at its drop-out and recovery
// voltages.
func TestBrownoutThresholds(t *testing.T) {
	for _, test := range []struct {
		fault          string
		stops, recover int64 // mV
	}{
		{"", 2500, 2700},
		{"high_drop_out", 2900, 3100},
	} {
		c := exactPower()
		if test.fault != "" {
			if err := c.SetFault(test.fault); err != nil {
				t.Fatal(err)
			}
		}
		p := readProfile(t, "testdata/conductive.yaml")
		d := newDriver(t, c, p, 1)
		d.power()
		running := func() bool { return d.b.w.dut.state != off }
		mv := int64(3300)
		for ; running() && mv > 0; mv -= 5 {
			d.set(rig.SupplySet, mv*milli)
			d.run(100 * time.Millisecond)
		}
		near(t, "drop-out", float64(mv+5), float64(test.stops), 5)
		for ; !running() && mv < 3300; mv += 5 {
			d.set(rig.SupplySet, mv*milli)
			d.run(100 * time.Millisecond)
		}
		near(t, "recovery", float64(mv-5), float64(test.recover), 5)
	}
}

// A programmable supply slews, settles, and is slower down than up.
func TestSupplySlew(t *testing.T) {
	c := exactPower()
	d := newDriver(t, c, steady(t, 10*physic.MicroAmpere), 1)
	d.set(rig.RelayDUT, 1)
	level := func(after time.Duration) float64 { d.run(after); return float64(d.ask(rig.Rail)) / 1e9 }
	d.set(rig.SupplySet, 3300*milli)
	near(t, "before the command acts", level(14900*time.Microsecond), 0, 1e-9)
	near(t, "on its way up", level(10100*time.Microsecond), 1.0, 0.01)                    // 100 V/s
	near(t, "almost there", level(22900*time.Microsecond), 3.29, 1e-3)                    // 32.9 ms to 3.29 V
	near(t, "settling at a tenth", level(500*time.Microsecond), 3.295, 1e-3)              // 10 V/s
	near(t, "settled", level(time.Millisecond), 3.3, 1e-6)                                //
	d.set(rig.SupplySet, 0)                                                               //
	near(t, "on its way down", level(15*time.Millisecond+20*time.Millisecond), 2.3, 0.01) // 50 V/s
	d.run(time.Second)
	near(t, "off", float64(d.ask(rig.Rail)), 0, 1)
}

// The dip switch is fast; interruptions differ by the source's impedance.
func TestInterruptions(t *testing.T) {
	p := steady(t, 12*physic.MilliAmpere)
	for _, test := range []struct {
		name  string
		line  string
		after float64 // V, 2 ms after the switch
	}{
		{"low impedance", rig.RelayDip, 0},
		{"high impedance", rig.RelayDUT, 3.3 - 0.012*1.95e-3/47e-6},
	} {
		t.Run(test.name, func(t *testing.T) {
			d := newDriver(t, exactPower(), p, 1)
			d.power()
			on := int64(0)
			if test.line == rig.RelayDip {
				on = 1
			}
			d.set(test.line, on)
			d.run(2 * time.Millisecond)
			near(t, "rail", float64(d.ask(rig.Rail))/1e9, test.after, 1e-3)
			d.set(test.line, 1-on)
			d.run(2 * time.Millisecond)
			near(t, "rail afterwards", float64(d.ask(rig.Rail))/1e9, 3.3, 1e-6)
		})
	}
}

// After power-up the DUT says hello and starts within its claim.
func TestStartUp(t *testing.T) {
	p := readProfile(t, "testdata/conductive.yaml")
	var longest time.Duration
	for seed := range uint64(20) {
		d := newDriver(t, Default(), p, seed)
		d.set(rig.SupplySet, 3300*milli)
		d.run(100 * time.Millisecond)
		d.set(rig.RelayDUT, 1)
		on := d.b.Now()
		ev, ok := d.edge(rig.Heartbeat, 1, 5*time.Second)
		if !ok {
			t.Fatal("the DUT does not start")
		}
		longest = max(longest, ev.At.Sub(on))
		d.run(50 * time.Millisecond)
		var lines []string
		for _, ev := range d.events {
			if ev.Kind == rig.Line {
				lines = append(lines, ev.Text)
			}
		}
		if len(lines) < 2 || lines[0] != "leak sensor 1.0" || lines[1] != "settings period_ms=2000 level=2" {
			t.Fatalf("it prints %q", lines)
		}
	}
	if longest > p.StartUp || longest < p.Model.StartUp {
		t.Errorf("the longest start-up is %v", longest)
	}
}

// The clocks of DUTs differ by some parts in a million.
func TestClockError(t *testing.T) {
	var sum, squares float64
	const n = 40
	for seed := range uint64(n) {
		c := Default()
		c.Lines.StampScatter = 0
		d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), seed)
		d.power()
		first, _ := d.edge(rig.Heartbeat, 1, 3*time.Second)
		last := first
		d.until(d.b.Now().Add(200*time.Second), func(ev rig.Event) bool {
			if ev.Channel == chHeartbeat {
				last = ev
			}
			return false
		})
		span := last.At.Sub(first.At).Seconds()
		ppm := (span/math.Round(span) - 1) * 1e6
		sum += ppm
		squares += ppm * ppm
	}
	sd := math.Sqrt(squares / n)
	// χ² with 40 degrees of freedom, 0.1 and 99.9 %: 17.92 and 73.40 (from memory)
	if sd < 30*math.Sqrt(17.92/n) || sd > 30*math.Sqrt(73.40/n) {
		t.Errorf("clock errors have a standard deviation of %v ppm, want 30", sd)
	}
	near(t, "mean clock error", sum/n, 0, 3.3*30/math.Sqrt(n))
}

func TestWakeAndReset(t *testing.T) {
	d := newDriver(t, Default(), readProfile(t, "testdata/conductive.yaml"), 1)
	d.power()
	readings := func(span time.Duration) int {
		n := 0
		d.until(d.b.Now().Add(span), func(ev rig.Event) bool {
			if ev.Kind == rig.Line && ev.Text[0] == 'r' {
				n++
			}
			return false
		})
		return n
	}
	d.edge(rig.Heartbeat, 1, 3*time.Second)
	readings(300 * time.Millisecond)
	d.set(rig.Wake, 1)
	if n := readings(500 * time.Millisecond); n != 1 {
		t.Errorf("a pulse on the wake input gives %d readings", n)
	}
	d.set(rig.Wake, 0)
	if n := readings(500 * time.Millisecond); n != 0 {
		t.Errorf("its falling edge gives %d readings", n)
	}
	d.set(rig.Reset, 1)
	if n := readings(10 * time.Second); n != 0 {
		t.Errorf("%d readings in reset", n)
	}
	d.set(rig.Reset, 0)
	if _, ok := d.edge(rig.Heartbeat, 1, time.Second); !ok {
		t.Error("it does not start after reset")
	}
}
