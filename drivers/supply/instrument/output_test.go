package instrument

import (
	"context"
	"math"
	"strconv"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

// ohms is a resistor.
func ohms(r float64) Load {
	return func(v physic.ElectricPotential) physic.ElectricCurrent {
		return physic.ElectricCurrent(float64(v) / r)
	}
}

// TestStep follows a step of 5 V at 500 V/s with a time constant of 2 ms. The
// slew limits the first 4 V (500 V/s × 2 ms = 1 V is where the lag takes over),
// 8 ms; then 2 ms × ln(1 V / 1 mV) = 13.816 ms to the band.
func TestStep(t *testing.T) {
	cfg, clock := quiet()
	in := start(t, cfg)
	exec(t, in, "VOLT 5;:OUTP ON")
	for _, x := range []struct {
		wait time.Duration
		want float64
	}{
		{0, 0}, {4 * time.Millisecond, 2}, {4 * time.Millisecond, 4}, {2 * time.Millisecond, 5 - math.Exp(-1)}, {4 * time.Millisecond, 5 - math.Exp(-3)},
	} {
		clock.Sleep(context.Background(), x.wait)
		v, _, mode := in.Output()
		if math.Abs(volts(v)-x.want) > 2e-9 || mode != ConstantVoltage {
			t.Errorf("at %v: %v in mode %d, want %v V", clock.Now().Sub(time.Unix(0, 0)), v, mode, x.want)
		}
	}
	exec(t, in, "*OPC?")
	want := 8*time.Millisecond + time.Duration(2e6*math.Log(1000))
	if got := clock.Now().Sub(time.Unix(0, 0)); (got - want).Abs() > time.Microsecond {
		t.Errorf("settled after %v, want %v", got, want)
	}
}

// TestFollow compares the closed form with the differential equation that it
// solves, integrated in small steps.
func TestFollow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := output{
			on: true, at: time.Unix(0, 0),
			up:    rapid.Float64Range(1, 1000).Draw(t, "up"),
			down:  rapid.Float64Range(1, 1000).Draw(t, "down"),
			tau:   rapid.SampledFrom([]float64{0, 1e-4, 2e-3, 0.05}).Draw(t, "tau"),
			level: rapid.Float64Range(0, 30).Draw(t, "level"),
			ref:   rapid.Float64Range(0, 30).Draw(t, "ref"),
			band:  1e-3,
		}
		at := rapid.Float64Range(0, 0.1).Draw(t, "t")
		const n = 20000
		v, h := o.ref, at/n
		for range n {
			rate := (o.level - v) / max(o.tau, h)
			v += h * min(max(rate, -o.down), o.up)
		}
		if got := o.after(at); math.Abs(got-v) > 1e-3+2e-3*math.Abs(o.level-o.ref) {
			t.Fatalf("after %v s: %v, integrated %v", at, got, v)
		}
		got := o.after(at)
		if way := math.Abs(o.level - got); way > 1e-6 && got != o.ref {
			if back := o.until(got).Seconds(); math.Abs(back-at) > 1e-6+1e-6*at {
				t.Fatalf("reaches %v after %v s by after, %v by until", got, at, back)
			}
		}
		o.aim()
		if left := math.Abs(o.after(o.due.Sub(o.at).Seconds()) - o.level); left > o.band*(1+1e-6) {
			t.Fatalf("settled %v V away from the level", left)
		}
	})
}

// TestCurrentLimit: 10 Ω at 5 V would draw 0.5 A; at a limit of 0.2 A the
// voltage is 2 V (Ohm's law).
func TestCurrentLimit(t *testing.T) {
	cfg, _ := quiet()
	cfg.Load = ohms(10)
	in := start(t, cfg)
	exec(t, in, "*CLS;VOLT 5;CURR 0.2;:OUTP ON;*WAI")
	v, i, mode := in.Output()
	if math.Abs(volts(v)-2) > 1e-6 || math.Abs(amperes(i)-0.2) > 1e-9 || mode != ConstantCurrent {
		t.Errorf("got %v, %v, mode %d; want 2 V, 0.2 A in constant current", v, i, mode)
	}
	if got := exec(t, in, "MEAS:VOLT?;CURR?;:STAT:QUES:COND?;EVEN?"); got != "+2.000000E+00;+2.000000E-01;1;1" {
		t.Errorf("measured %s", got)
	}
	in.Connect(ohms(100))
	if got := exec(t, in, "MEAS:VOLT?;:STAT:QUES:COND?"); got != "+4.999000E+00;0" {
		t.Errorf("with a lighter load: %s", got)
	}
	in.Connect(nil)
	if _, i, _ := in.Output(); i != 0 {
		t.Errorf("without a load, %v flow", i)
	}
}

// TestOff: an output that is off falls at the slew downwards, here 100 V/s.
func TestOff(t *testing.T) {
	cfg, clock := quiet()
	cfg.Settle = 0
	in := start(t, cfg)
	exec(t, in, "VOLT 5;:OUTP ON;*WAI;:OUTP OFF")
	clock.Sleep(context.Background(), 20*time.Millisecond)
	if v, _, mode := in.Output(); math.Abs(volts(v)-3) > 1e-2 || mode != Off {
		t.Errorf("20 ms after off: %v in mode %d, want 3 V", v, mode)
	}
	exec(t, in, "*WAI")
	if v, _, _ := in.Output(); v > cfg.Band {
		t.Errorf("settled at %v", v)
	}
}

func TestOverVoltage(t *testing.T) {
	cfg, clock := quiet()
	in := start(t, cfg)
	exec(t, in, "*CLS;VOLT 10;VOLT:PROT 6;:OUTP ON")
	// 500 V/s from 0: 6 V after 12 ms, where the slew still is the limit.
	clock.Sleep(context.Background(), 11900*time.Microsecond)
	if got := exec(t, in, "VOLT:PROT:TRIP?"); got != "0" {
		t.Error("tripped before the level was reached")
	}
	clock.Sleep(context.Background(), 200*time.Microsecond)
	if got := exec(t, in, "VOLT:PROT:TRIP?;:CURR:PROT:TRIP?;:STAT:QUES:COND?"); got != "1;0;512" {
		t.Errorf("after the level was passed: %s", got)
	}
	// It has been falling at 100 V/s for 0.1 ms.
	if v, _, mode := in.Output(); math.Abs(volts(v)-5.99) > 1e-3 || mode != Tripped {
		t.Errorf("tripped at 6 V, 0.1 ms later: %v in mode %d", v, mode)
	}
	exec(t, in, "OUTP ON")
	if got := exec(t, in, "SYST:ERR?"); got != `-221,"Settings conflict"` {
		t.Errorf("on while tripped: %s", got)
	}
	exec(t, in, "*WAI;VOLT 5;VOLT:PROT:CLE;:OUTP?")
	if got := exec(t, in, "*WAI;MEAS:VOLT?;:VOLT:PROT:TRIP?"); got != "+4.999000E+00;0" {
		t.Errorf("cleared, the output returns: %s", got)
	}
	exec(t, in, "VOLT:PROT:STAT OFF;:VOLT 10;*WAI")
	if got := exec(t, in, "VOLT:PROT:TRIP?"); got != "0" {
		t.Error("a protection that is off trips")
	}
	exec(t, in, "VOLT:PROT:STAT ON")
	if got := exec(t, in, "VOLT:PROT:TRIP?"); got != "1" {
		t.Error("a protection below the output does not trip when armed")
	}
}

func TestOverCurrent(t *testing.T) {
	cfg, _ := quiet()
	cfg.Load = ohms(10)
	in := start(t, cfg)
	exec(t, in, "VOLT 5;CURR:PROT 0.4;:OUTP ON;*WAI")
	if got := exec(t, in, "CURR:PROT:TRIP?;:VOLT:PROT:TRIP?;:OUTP?"); got != "1;0;1" {
		t.Errorf("0.5 A over a protection of 0.4 A: %s", got)
	}
	exec(t, in, "CURR:PROT 0.6;:CURR:PROT:CLE;*WAI")
	if _, i, mode := in.Output(); math.Abs(amperes(i)-0.5) > 1e-3 || mode != ConstantVoltage {
		t.Errorf("cleared: %v in mode %d", i, mode)
	}
	in.Connect(ohms(1)) // 5 A
	if got := exec(t, in, "CURR:PROT:TRIP?"); got != "1" {
		t.Error("a heavier load does not trip")
	}
}

// TestTripInstant: whatever the parameters, the output never exceeds the
// protection's level by more than the rounding to a nanosecond of slew.
func TestTripInstant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg, clock := quiet()
		cfg.Load = ohms(rapid.Float64Range(1, 100).Draw(t, "ohm"))
		cfg.SlewUp = rig.Slew(rapid.Int64Range(1, 1000).Draw(t, "up")) * rig.VoltPerSec
		cfg.Settle = time.Duration(rapid.Int64Range(0, 10_000_000).Draw(t, "tau"))
		in, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		level := rapid.Float64Range(1, 20).Draw(t, "level")
		ctx := context.Background()
		send := "CURR MAX;VOLT 25;:VOLT:PROT " + strconv.FormatFloat(level, 'f', 3, 64) + ";:OUTP ON"
		if _, err := in.Exec(ctx, send); err != nil {
			t.Fatal(err)
		}
		var top float64
		for range 200 {
			clock.Sleep(ctx, time.Duration(rapid.Int64Range(1, 3_000_000).Draw(t, "wait")))
			v, _, _ := in.Output()
			top = max(top, volts(v))
		}
		if top > level+0.006 { // the level is rounded to 10 mV
			t.Fatalf("reached %v V over a protection of %v V", top, level)
		}
	})
}

// TestNoise: readings scatter with the deviation that is configured, around
// the truth, and the same seed gives the same readings.
func TestNoise(t *testing.T) {
	read := func() (sum, squares float64, first string) {
		cfg, _ := quiet()
		cfg.NoiseV, cfg.Seed = 10*physic.MilliVolt, 7
		in := start(t, cfg)
		exec(t, in, "VOLT 5;:OUTP ON;*WAI")
		v, _, _ := in.Output()
		for range 2000 {
			s := exec(t, in, "MEAS:VOLT?")
			if first == "" {
				first = s
			}
			x, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			sum += x - volts(v)
			squares += (x - volts(v)) * (x - volts(v))
		}
		return sum / 2000, math.Sqrt(squares / 2000), first
	}
	mean, deviation, first := read()
	// Five standard errors: 0.01/√2000 of the mean, 0.01/√4000 of the deviation.
	if math.Abs(mean) > 0.0012 || math.Abs(deviation-0.01) > 0.0008 {
		t.Errorf("mean error %v V, deviation %v V; want 0 and 0.01", mean, deviation)
	}
	if _, _, again := read(); again != first {
		t.Errorf("the same seed read %s and %s", first, again)
	}
}
