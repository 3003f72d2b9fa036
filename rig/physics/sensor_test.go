package physics

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// R = d/(σ w h n) with d 0.5 mm, w 10 mm, h 0.1 mm, n 10, computed elsewhere.
func TestGaps(t *testing.T) {
	g := Gaps{N: 10, Gap: 0.5 * Millimetre, Overlap: 10 * Millimetre}
	film := 0.1 * Millimetre
	printed(t, "ultrapure, MΩ", g.Resistance(5.5e-6, film)/1e6, "9.0909")
	same(t, "0.005 S/m", g.Resistance(0.005, film), 10e3)
	same(t, "0.05 S/m", g.Resistance(0.05, film), 1e3)
	same(t, "5 S/m", g.Resistance(5, film), 10)
	same(t, "deep water", g.Resistance(5, 3*Millimetre), float64(g.Resistance(5, g.Gap)))
	if dry := g.Resistance(5, 0); !math.IsInf(float64(dry), 1) {
		t.Errorf("dry gaps have %v Ω", dry)
	}
}

// K by the AGM against Abramowitz and Stegun table 17.1 (from memory):
// K(m = 0.5) = 1.85407467730137, K(m = 0) = π/2.
func TestEllipticRatio(t *testing.T) {
	same(t, "K at k² = 1/2", math.Pi/2/agm(1, math.Sqrt(0.5)), 1.85407467730137)
	same(t, "ratio at k = k'", ellipticRatio(math.Sqrt(0.5), math.Sqrt(0.5)), 1)
}

// Igreja and Dias' formula (from memory), computed elsewhere: N 20, L 10 mm,
// fingers as wide as the gaps; pF.
func TestComb(t *testing.T) {
	c := Comb{N: 20, Length: 10 * Millimetre, Width: 0.5 * Millimetre, Gap: 0.5 * Millimetre}
	const pF = 1e-12
	air := c.Capacitance(1)
	water := c.Capacitance(78.303) // at 25 °C, Malmberg and Maryott
	printed(t, "half space of air", air/pF, "0.860608")
	printed(t, "half space of water at 25 °C", water/pF, "67.3882")
	printed(t, "water less air", (water-air)/pF, "66.53")
	printed(t, "ethanol less air", (c.Capacitance(24.3)-air)/pF, "20.05")
	printed(t, "oil less air", (c.Capacitance(2.3)-air)/pF, "1.12")
	cover := c.Cover(3.5, 25*Micrometre)
	printed(t, "cover of a finger", cover/pF*4/20, "6.20")
	printed(t, "cover in series, all fingers", cover/pF, "31")
	if bad := (Comb{N: 2, Length: 1, Width: 1, Gap: 1}).Capacitance(1); !math.IsNaN(float64(bad)) {
		t.Errorf("two fingers have %v F by a formula for three or more", bad)
	}
}

func TestSensorProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Comb{
			N:      rapid.IntRange(3, 60).Draw(t, "n"),
			Length: Metre(rapid.Float64Range(1e-3, 0.1).Draw(t, "l")),
			Width:  Metre(rapid.Float64Range(1e-4, 2e-3).Draw(t, "w")),
			Gap:    Metre(rapid.Float64Range(1e-4, 2e-3).Draw(t, "g")),
		}
		more := c
		more.N++
		if a, b := c.Capacitance(10), more.Capacitance(10); !(0 < a && a < b) {
			t.Fatalf("capacitance %v, with a finger more %v", a, b)
		}
		film := Metre(rapid.Float64Range(0, 5e-3).Draw(t, "film"))
		thin, thick := c.FilmShare(film), c.FilmShare(film+1e-5)
		if !(0 <= thin && thin <= thick && thick <= 1) {
			t.Fatalf("shares %v and %v of a film of %v and one thicker", thin, thick, film)
		}
		g := Gaps{c.N, c.Gap, c.Length}
		if a, b := g.Resistance(0.01, film), g.Resistance(0.01, film+1e-5); b > a {
			t.Fatalf("a thicker film has more resistance: %v, %v", a, b)
		}
	})
}

func TestSprays(t *testing.T) {
	byName := map[string]Spray{}
	for _, s := range Sprays() {
		byName[s.Name] = s
	}
	// IEC 60529 clause 14: flow over an area and the whole test at the lower
	// rate, computed; ml/min and ml.
	tests := []struct {
		cm2            SquareMetre
		flows          [4]float64 // at 1, 1.5, 3, 3.5 mm/min
		whole1, whole2 float64
	}{
		{25, [4]float64{2.5, 3.75, 7.5, 8.75}, 25, 75},
		{100, [4]float64{10, 15, 30, 35}, 100, 300},
		{400, [4]float64{40, 60, 120, 140}, 400, 1200},
	}
	one, two := byName["IPX1"], byName["IPX2"]
	rates := [4]Rainfall{one.Rate, one.Rate + one.RateAbove, two.Rate, two.Rate + two.RateAbove}
	for _, test := range tests {
		area := test.cm2 * SquareCentimetre
		for i, want := range test.flows {
			flow := rates[i].Over(area)
			same(t, fmt.Sprintf("ml/min over %v cm²", test.cm2), flow/MillilitrePerMinute, want)
			same(t, "back to a rate", flow.Over(area), float64(rates[i]))
		}
		same(t, "whole IPX1", one.Volume(area)/Millilitre, test.whole1)
		same(t, "whole IPX2", two.Volume(area)/Millilitre, test.whole2)
	}
	// 1 min per m² of surface, at least 5 min (ipcode-iec60529.com).
	nozzle := byName["IPX4 nozzle"]
	same(t, "nozzle on a small object", nozzle.Duration(0.1), 300)
	same(t, "nozzle on 7 m²", nozzle.Duration(7), 420)
	same(t, "IPX2 on 7 m²", two.Duration(7), 600)
	same(t, "IPX2 in one position, s", float64(two.Time)/float64(two.Positions), 150)
}

func TestTubes(t *testing.T) {
	printedTubes := rows(t, "physics_spray_tubes.csv")
	if len(printedTubes) != len(Tubes()) {
		t.Fatalf("%d tubes, want %d", len(Tubes()), len(printedTubes))
	}
	for i, row := range printedTubes {
		tube := Tubes()[i]
		same(t, "radius", tube.Radius, number(t, row, "radius_mm")/1000)
		if float64(tube.Holes3) != number(t, row, "ipx3_holes") || float64(tube.Holes4) != number(t, row, "ipx4_holes") {
			t.Errorf("%+v: holes differ from %v", tube, row)
		}
		printed(t, fmt.Sprintf("IPX3 flow of %v", tube), tube.Flow3()/LitrePerMinute, row["ipx3_flow"])
		printed(t, fmt.Sprintf("IPX4 flow of %v", tube), tube.Flow4()/LitrePerMinute, row["ipx4_flow"])
	}
}
