package physics

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Tate's law with the surface tension of IAPWS R1-76, computed elsewhere: a tip
// of r = 1 mm at 25 °C.
func TestTateDrop(t *testing.T) {
	whole := TateDrop(1*Millimetre, 25, 1)
	printed(t, "mass in mg", whole.Mass/Milligram, "46.11")
	printed(t, "volume in µl", whole.Volume/Microlitre, "46.25")
	part := TateDrop(1*Millimetre, 25, 0.6)
	printed(t, "volume with factor 0.6", part.Volume/Microlitre, "27.75")
	printed(t, "drops in 1 ml", 1*Millilitre/part.Volume, "36")
}

// Harkins and Brown's own table (from memory): within 0.01 of the fit.
func TestHarkinsBrown(t *testing.T) {
	tests := []struct{ x, want float64 }{
		{0.30, 0.7256}, {0.40, 0.6828}, {0.50, 0.6515}, {0.60, 0.6250}, {0.70, 0.6093},
		{0.80, 0.6000}, {0.90, 0.5998}, {1.00, 0.6098},
	}
	const volume = 50 * Microlitre
	for _, test := range tests {
		r := Metre(test.x * math.Cbrt(float64(volume)))
		within(t, fmt.Sprintf("factor at %v", test.x), HarkinsBrown(r, volume), test.want, 0.01)
	}
}

func TestPendantDrop(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Metre(rapid.Float64Range(0.2, 4).Draw(t, "r")) * Millimetre
		at := Celsius(rapid.Float64Range(5, 40).Draw(t, "t"))
		d := PendantDrop(r, at)
		again := TateDrop(r, at, HarkinsBrown(r, d.Volume))
		if math.Abs(float64(again.Volume/d.Volume-1)) > 1e-9 {
			t.Fatalf("drop of %v m³ is not its own solution, %v", d.Volume, again.Volume)
		}
		if bigger := PendantDrop(r*1.05, at); bigger.Volume <= d.Volume {
			t.Fatalf("a wider tip lets a smaller drop go: %v, %v", d, bigger)
		}
	})
}

// √(2h/g), computed elsewhere; ms.
func TestFallTime(t *testing.T) {
	tests := []struct {
		h    Metre
		want string
	}{
		{20, "63.866"}, {50, "100.981"}, {100, "142.809"}, {200, "201.962"}, {300, "247.352"},
	}
	for _, test := range tests {
		printed(t, fmt.Sprintf("fall over %v mm", test.h), FallTime(test.h*Millimetre)*1000, test.want)
	}
	within(t, "transit from 50 mm to 200 mm", TransitTime(50*Millimetre, 200*Millimetre)*1000, 201.962-100.981, 0.001)
	same(t, "speed after 200 mm", float64(FallSpeed(200*Millimetre)), gravity*math.Sqrt(2*0.2/gravity))
}

// Schiller and Naumann's drag, integrated elsewhere in steps of 1 µs; ms.
func TestFallTimeInAir(t *testing.T) {
	tests := []struct {
		h    Metre
		v    CubicMetre
		want string
	}{
		{100, 50, "143.26"}, {500, 50, "322.49"}, {100, 50.0 / 3, "143.51"}, {500, 50.0 / 3, "324.47"},
	}
	for _, test := range tests {
		got := FallTimeInAir(test.h*Millimetre, test.v*Microlitre)
		printed(t, fmt.Sprintf("fall of %v µl over %v mm", test.v, test.h), got*1000, test.want)
	}
}

func TestFallProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := Metre(rapid.Float64Range(0.001, 2).Draw(t, "h"))
		v := CubicMetre(rapid.Float64Range(1, 100).Draw(t, "v")) * Microlitre
		free, dragged := FallTime(h), FallTimeInAir(h, v)
		if dragged < free {
			t.Fatalf("falls faster in air (%v) than without (%v)", dragged, free)
		}
		if smaller := FallTimeInAir(h, v/2); smaller < dragged {
			t.Fatalf("half the drop falls faster: %v, %v", smaller, dragged)
		}
		gate := h * Metre(rapid.Float64Range(0, 1).Draw(t, "gate"))
		if s := float64(TransitTime(gate, h) + FallTime(gate) - free); math.Abs(s) > 1e-12 {
			t.Fatalf("the parts of the fall miss the whole by %v s", s)
		}
	})
	for _, h := range []Metre{0, -1} {
		if got := FallTimeInAir(h, 50*Microlitre); h == 0 && got != 0 || h < 0 && !math.IsNaN(float64(got)) {
			t.Errorf("fall over %v m takes %v s", h, got)
		}
	}
	for _, v := range []CubicMetre{0, -1, 1e-16, CubicMetre(math.NaN())} {
		if got := FallTimeInAir(1, v); !math.IsNaN(float64(got)) {
			t.Errorf("a drop of %v m³ falls %v s", v, got)
		}
	}
	if got := FallTimeInAir(Metre(math.Inf(1)), 50*Microlitre); !math.IsNaN(float64(got)) {
		t.Errorf("an endless fall takes %v s", got)
	}
	// The smallest drop over the longest fall sinks at some 0.4 m/s: the steps
	// are short enough for that.
	if got := FallTimeInAir(100, 1e-3*Microlitre); !(got > 100 && got < 1000) {
		t.Errorf("a nanolitre falls 100 m in %v s", got)
	}
}
