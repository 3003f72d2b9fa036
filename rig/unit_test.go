package rig

import (
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

func TestParseQuantity(t *testing.T) {
	for in, want := range map[string]Quantity{
		"3.3 V": Of(3300 * physic.MilliVolt), "3.3V": Of(3300 * physic.MilliVolt), "0.4 ml": Of(400 * Microlitre),
		"2 s": Of(2 * time.Second), "12 h": Of(12 * time.Hour), "23 °C": Of(physic.ZeroCelsius + 23*physic.Kelvin), "-5 degC": Of(physic.ZeroCelsius - 5*physic.Kelvin),
		"85 %RH": Of(85 * physic.PercentRH), "5 %": Of(Share(5e7)), "0.5 per h": Of(Rate(138888)), "20 mV/s": Of(Slew(2e7)),
		"3 mm/min": Of(3 * MmPerMin), "47 uF": Of(47 * physic.MicroFarad), "25 cm2": Of(25 * SqCm), "500 µS/cm": Of(Conductivity(5e7)),
		"50 g/m2": Of(50 * GramPerM2), "30 ml/min": Of(30 * MlPerMin), "100 ohm": Of(100 * physic.Ohm), "1 K/min": Of(Heating(1e9)),
	} {
		got, err := ParseQuantity(in)
		if err != nil || got != want {
			t.Errorf("ParseQuantity(%q) = %v, %v; want %v", in, got, err, want)
		}
	}
	for in, what := range map[string]string{
		"2": "not a number with a unit", "": "not a number", "s": "not a number", "2  s": "not a number", "2 s ": "unknown unit", "2 sec": `unknown unit "sec"`,
		"1e3 s": "unknown unit", "0.0000000001 s": "finer than can be set", "999999999999 h": "too large", "0x10 s": "unknown unit", "NaN s": "not a number", "2 S": "unknown unit",
	} {
		if _, err := ParseQuantity(in); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("ParseQuantity(%q): error %v, want one with %q", in, err, what)
		}
	}
	if _, err := ParseAs("2 s", Volt); err == nil || !strings.Contains(err.Error(), `such as "3.3 V"`) {
		t.Errorf("wrong unit: %v", err)
	}
}

func TestQuantityString(t *testing.T) {
	for want, q := range map[string]Quantity{
		"3.3 V": Of(3300 * physic.MilliVolt), "10.89 µW": Of(10890 * physic.NanoWatt), "16.67 µl": Of(Volume(16667)), "0 V": Of(physic.ElectricPotential(0)),
		"23 °C": Of(physic.ZeroCelsius + 23*physic.Kelvin), "85 %RH": Of(85 * physic.PercentRH), "2 s": Of(2 * time.Second), "1.5 min": Of(90 * time.Second),
		"-4 mV": Of(-4 * physic.MilliVolt), "0.5 per h": Of(Rate(138888)), "25 mS/m": Of(Conductivity(25e6)), "0 ml": Of(Volume(0)),
	} {
		if got := q.String(); got != want {
			t.Errorf("%d prints %q, want %q", q.N, got, want)
		}
	}
}

// TestEveryUnit: each unit has an example that parses back to it, and prints
// what parses again within the digits shown.
func TestEveryUnit(t *testing.T) {
	for u := Volt; u <= TempRate; u++ {
		if u == Chars {
			continue
		}
		if _, err := ParseAs(u.Example(), u); err != nil {
			t.Error(err)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		u := Unit(rapid.IntRange(int(Volt), int(TempRate)).Draw(t, "unit"))
		if u == Chars {
			return
		}
		q := Quantity{rapid.Int64Range(1e6, 1e14).Draw(t, "n"), u}
		back, err := ParseQuantity(q.String())
		if err != nil {
			t.Fatalf("%d in unit %d prints %q: %v", q.N, u, q, err)
		}
		offset := int64(0)
		if u == Kelvin {
			offset = 273_150_000_000
		}
		if d := float64(back.N-q.N) / float64(q.N-offset); u != back.Unit || d > 1e-3 || d < -1e-3 {
			t.Fatalf("%d prints %q, which reads as %d", q.N, q, back.N)
		}
	})
}

// TestRain checks mm/min to ml/min: 1 mm/min is 1 l/(m² min), so over 25 cm²
// the rates of IEC 60529 IPX1 and IPX2 take 2.5 and 7.5 ml/min (computed).
func TestRain(t *testing.T) {
	for _, c := range []struct {
		rate Rain
		area Surface
		want Flow
	}{{MmPerMin, 25 * SqCm, 2_500_000}, {3 * MmPerMin, 25 * SqCm, 7_500_000}, {3_500_000, 400 * SqCm, 140_000_000}, {MmPerMin, 100 * SqCm, 10_000_000}} {
		if got := c.rate.Flow(c.area); got != c.want {
			t.Errorf("%v over %v takes %v, want %v", c.rate, c.area, got, c.want)
		}
	}
}

func FuzzParseQuantity(f *testing.F) {
	for _, u := range []Unit{Volt, Kelvin, Hertz, Conduct} {
		f.Add(u.Example())
	}
	f.Fuzz(func(t *testing.T, s string) {
		q, err := ParseQuantity(s)
		if err != nil {
			return
		}
		if _, err := ParseQuantity(q.String()); err != nil && q.N > -1e14 && q.N < 1e14 {
			t.Errorf("%q reads as %d, prints as %q, which does not read: %v", s, q.N, q, err)
		}
	})
}
