package physics

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestSaturationPressure(t *testing.T) {
	for _, row := range rows(t, "physics_saturation_pressure.csv") {
		at := Celsius(number(t, row, "celsius"))
		what := fmt.Sprintf("saturation pressure at %v °C", at)
		same(t, what, SaturationPressure(at), number(t, row, "hyland_wexler"))
		if row["if97"] == "" {
			continue
		}
		printed(t, what+", WMO", MagnusWMO.SaturationPressure(at), row["magnus_wmo"])
		printed(t, what+", Alduchov & Eskridge", AlduchovEskridge.SaturationPressure(at), row["alduchov_eskridge"])
		// Two other formulations of the same pressure agree within 0.03 %.
		for _, other := range []string{"wagner_pruss", "if97"} {
			want := number(t, row, other)
			within(t, what+" against "+other, SaturationPressure(at), want, 3e-4*want)
		}
	}
}

func TestDewPoint(t *testing.T) {
	for _, row := range rows(t, "physics_dew_point.csv") {
		air := Air{Celsius(number(t, row, "celsius")), RelHumidity(number(t, row, "rh_percent") / 100)}
		what := fmt.Sprintf("dew point of %+v", air)
		dew, err := air.DewPoint()
		if err != nil {
			t.Fatal(err)
		}
		// The reference iterates until a step is below 0.001 K; Newton's next
		// step would be some 1e-8 K.
		within(t, what, dew, number(t, row, "psychrolib"), 1e-7)
		same(t, "humidity ratio", air.HumidityRatio(StandardPressure), number(t, row, "humidity_ratio"))
		for column, formula := range map[string]Magnus{"magnus_wmo": MagnusWMO, "alduchov_eskridge": AlduchovEskridge} {
			dew, err := formula.DewPoint(air.T, air.RH)
			if err != nil {
				t.Fatal(err)
			}
			printed(t, what+", "+column, dew, row[column])
		}
	}
}

func TestDewPointRefuses(t *testing.T) {
	for _, rh := range []RelHumidity{0, -0.1, 1.01, RelHumidity(math.NaN())} {
		_, err := Air{20, rh}.DewPoint()
		_, errMagnus := MagnusWMO.DewPoint(20, rh)
		for _, err := range []error{err, errMagnus} {
			if err == nil || !strings.Contains(err.Error(), "expected more than 0") {
				t.Errorf("humidity %v: error %v", rh, err)
			}
		}
	}
	if dew, err := (Air{20, 1e-9}).DewPoint(); err == nil {
		t.Errorf("a dew point of %v is outside the formula", dew)
	}
}

// psychrolib 1.1.1 GetTWetBulbFromRelHum bisects to 0.001 K.
func TestWetBulb(t *testing.T) {
	within(t, "wet bulb at 25 °C, 60 %", Air{25, 0.60}.WetBulb(StandardPressure), 19.471051315597556, 1e-3)
	within(t, "wet bulb at 25 °C, 50 %", Air{25, 0.50}.WetBulb(StandardPressure), 17.8894, 1e-3)
}

// WMO-No. 8 annex 4.B, computed; the formula is from memory.
func TestMoistAirFactor(t *testing.T) {
	printed(t, "moist-air factor at 1013.25 hPa", MoistAirFactor(StandardPressure), "1.004719")
}

func drawAir(t *rapid.T) Air {
	return Air{
		T:  Celsius(rapid.Float64Range(-20, 60).Draw(t, "t")),
		RH: RelHumidity(rapid.Float64Range(0.01, 1).Draw(t, "rh")),
	}
}

func TestDewPointProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		air := drawAir(t)
		dew, err := air.DewPoint()
		if err != nil {
			t.Fatal(err)
		}
		if dew > air.T {
			t.Fatalf("dew point %v above the air", dew)
		}
		if e, back := air.VapourPressure(), SaturationPressure(dew); math.Abs(float64(back/e-1)) > 3e-6 {
			t.Fatalf("saturation at the dew point %v is %v, the vapour has %v", dew, back, e)
		}
		if wet := air.WetBulb(StandardPressure); wet < dew-0.001 || wet > air.T {
			t.Fatalf("wet bulb %v not between dew point %v and air", wet, dew)
		}
		magnus, err := MagnusWMO.DewPoint(air.T, air.RH)
		if err != nil {
			t.Fatal(err)
		}
		if magnus > air.T {
			t.Fatalf("dew point %v above the air", magnus)
		}
		if dew > 0.5 && math.Abs(float64(magnus-dew)) > 0.1 {
			t.Fatalf("formulas differ: %v and %v", magnus, dew)
		}
		moister := Air{air.T, min(1, air.RH+0.01)}
		if higher, err := moister.DewPoint(); err != nil || higher < dew {
			t.Fatalf("dew point falls from %v to %v (%v) as the humidity rises", dew, higher, err)
		}
	})
}

func TestSaturationPressureRises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Celsius(rapid.Float64Range(-99, 199).Draw(t, "t"))
		b := a + Celsius(rapid.Float64Range(0.001, 1).Draw(t, "step"))
		if lower, higher := SaturationPressure(a), SaturationPressure(b); lower >= higher {
			t.Fatalf("%v Pa at %v, %v Pa at %v", lower, a, higher, b)
		}
	})
}

// The two phases meet at the triple point.
func TestPhasesMeet(t *testing.T) {
	ice := overIce.lnPressure(triplePoint.Kelvin())
	within(t, "ln pressure over water at the triple point", overWater.lnPressure(triplePoint.Kelvin()), ice, 3e-6)
	below := MagnusWMOIce.SaturationPressure(-10)
	within(t, "Magnus over ice at -10 °C", below, float64(SaturationPressure(-10)), 0.5)
}
