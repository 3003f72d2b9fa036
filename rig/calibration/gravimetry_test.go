package calibration

import (
	"math"
	"strings"
	"testing"

	"periph.io/x/conn/v3/physic"
)

func room(celsius float64) Air {
	return Air{Temperature: physic.ZeroCelsius + physic.Temperature(math.Round(celsius*1e9)), Pressure: 1013.25, Humidity: 50 * physic.PercentRH}
}

// worked is an example of a 1000 µl dose weighed ten times in air of 21.5 °C,
// 1013.25 hPa, 50 %RH after ISO 8655-6, computed apart from this program
// (Python 3.11) with the density of M. Tanaka et al., Metrologia 38 (2001) 301
// and the air density of OIML R 111-1, E.3.
var worked = []Milligram{993.1, 995.7, 992.4, 996.8, 994.6, 993.9, 997.2, 992.8, 995.1, 994.4}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.13g, want %.13g within %g", what, got, want, tolerance)
	}
}

func TestWeighWorkedExample(t *testing.T) {
	air := room(21.5)
	z, _, err := air.Z()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Z", z, 1.0031688132560, 1e-12)
	g, err := Weigh(worked, 1000, air, Balance{U: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", float64(g.Mean), 997.751701664, 1e-9)
	near(t, "e_s", float64(g.Systematic), -2.248298336, 1e-9)
	near(t, "e_s in %", 100*g.SystematicShare(), -0.2248298, 5e-8)
	near(t, "s", float64(g.SD), 1.635435254, 5e-10)
	near(t, "CV in %", 100*g.CV(), 0.1639120485, 5e-11)
	// s/√10 and 0.1 mg × Z, root of the sum of squares (JCGM 100:2008, eq. 10).
	near(t, "u", float64(g.U), math.Hypot(1.635435254/math.Sqrt(10), 0.1*1.0031688132560), 1e-9)
}

func TestWeighAddsEvaporation(t *testing.T) {
	g, err := Weigh([]Milligram{992.5, 995.1, 991.8, 996.2, 994.0, 993.3, 996.6, 992.2, 994.5, 993.8}, 1000, room(21.5), Balance{U: 0.1, Evaporation: 0.6})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", float64(g.Mean), 997.751701664, 1e-9) // as if all of it had been weighed
}

// The Z table of ISO 8655-6, as printed in a pipette manual (Gilson Pipetman,
// p. 31); the formula may differ from it by 1 in the last digit.
func TestZPrinted(t *testing.T) {
	for _, c := range []struct {
		celsius, hPa, z float64
	}{{15, 1013, 1.0020}, {18, 1013, 1.0025}, {20, 1013, 1.0029}, {22, 1013, 1.0033}, {25, 1013, 1.0040}, {30, 1013, 1.0054}, {20, 800, 1.0026}} {
		air := room(c.celsius)
		air.Pressure = Hectopascal(c.hPa)
		z, _, err := air.Z()
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Z", z, c.z, 0.5e-4)
	}
}

// Z of 20 and 22 °C is 1.002851 and 1.003280 µl/mg (computed from the sources
// above), so half a kelvin at 21 °C is worth 0.5 (1.003280-1.002851)/2.
func TestZUncertainty(t *testing.T) {
	air := room(21)
	air.TemperatureU = 500 * physic.MilliKelvin
	_, u, err := air.Z()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u(Z) by temperature", u, 0.5*(1.003280-1.002851)/2, 1e-6)
	// Air is 0.0012 kg/l at 1013 hPa, in proportion to pressure; less buoyancy
	// by ρ_a/ρ_w - ρ_a/ρ_b, so 10 hPa are worth 0.0012 × (1 - 1/8) × 10/1013.
	air = room(21)
	air.PressureU = 10
	if _, u, err = air.Z(); err != nil {
		t.Fatal(err)
	}
	near(t, "u(Z) by pressure", u, 0.0012*(1-1.0/8)*10/1013, 3e-7)
}

func TestWeighRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := Balance{U: 0.1}
	for _, c := range []struct {
		name    string
		masses  []Milligram
		nominal Microlitre
		celsius float64
		balance Balance
		want    string
	}{
		{"one weighing", worked[:1], 1000, 21.5, good, "1 weighings; expected 2 or more"},
		{"none", nil, 1000, 21.5, good, "0 weighings"},
		{"negative mass", []Milligram{993, -1}, 1000, 21.5, good, "weighing 2: mass is -1 mg; expected the net mass"},
		{"no mass", []Milligram{0, 993}, 1000, 21.5, good, "weighing 1: mass is 0 mg"},
		{"NaN", []Milligram{993, Milligram(nan)}, 1000, 21.5, good, "weighing 2: mass is NaN mg"},
		{"infinite", []Milligram{993, Milligram(inf)}, 1000, 21.5, good, "weighing 2: mass is +Inf mg"},
		{"no dose", worked, 0, 21.5, good, "nominal volume is 0 µl"},
		{"dose that is no number", worked, Microlitre(nan), 21.5, good, "nominal volume is NaN"},
		{"ice", worked, 1000, -1, good, "air: temperature: temperature is"},
		{"no balance", worked, 1000, 21.5, Balance{}, "balance: u_mg: u_mg is 0"},
		{"balance that is no number", worked, 1000, 21.5, Balance{U: Milligram(nan)}, "balance: u_mg: u_mg is NaN"},
		{"negative evaporation", worked, 1000, 21.5, Balance{U: 1, Evaporation: -1}, "balance: evaporation_mg: evaporation_mg is -1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			g, err := Weigh(c.masses, c.nominal, room(c.celsius), c.balance)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%+v, %v; want %q", g, err, c.want)
			}
		})
	}
}
