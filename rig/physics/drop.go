package physics

import (
	"math"

	"drench/rig/portable"
)

// Drop is a drop that falls from a tip.
type Drop struct {
	Mass   Kilogram
	Volume CubicMetre
}

// TateDrop returns the drop of water that a tip of radius r lets go, by T.
// Tate's law m g = 2π r σ F with the correction F of Harkins and Brown for
// the part that stays on the tip (see HarkinsBrown; 1 for none). The radius is
// the outer one if the end of the tip is wetted.
func TateDrop(r Metre, t Celsius, factor float64) Drop {
	m := float64(2*math.Pi) * float64(r) * float64(WaterTension(t)) * factor / gravity
	return Drop{Kilogram(m), CubicMetre(m / float64(WaterDensity(t)))}
}

// HarkinsBrown returns the part of Tate's mass that falls from a tip of radius
// r in a drop of volume v, for r/v^(1/3) from 0.3 to 1.2: 0.6 to 0.73. W. D.
// Harkins and F. E. Brown measured it (J. Am. Chem. Soc. 41 (1919) 499); this
// fit is J. L. Lando and H. T. Oakley's (J. Colloid Interface Sci. 25 (1967)
// 526), from memory. Outside the range the nearer end holds.
func HarkinsBrown(r Metre, v CubicMetre) float64 {
	x := min(max(float64(r)/portable.Pow(float64(v), 1.0/3), 0.3), 1.2)
	return 1 / float64(2*math.Pi*portable.Poly(x, -0.166, 0.27896, 0.14782))
}

// PendantDrop returns the drop of water that a tip of radius r lets go, with
// the factor of Harkins and Brown that belongs to the drop's own volume.
func PendantDrop(r Metre, t Celsius) Drop {
	d := TateDrop(r, t, 0.65)
	// The factor moves a tenth as fast as the volume: this converges.
	for range 30 {
		d = TateDrop(r, t, HarkinsBrown(r, d.Volume))
	}
	return d
}

// FallTime returns how long a drop falls from rest over a height without drag,
// √(2h/g); NaN for a negative height. The height counts from the lower end of
// the hanging drop. Air adds less than 1 ms up to 100 mm (FallTimeInAir).
func FallTime(h Metre) Second { return Second(math.Sqrt(2 * float64(h) / gravity)) }

// FallSpeed returns the speed after that fall.
func FallSpeed(h Metre) Velocity { return Velocity(math.Sqrt(float64(2*gravity) * float64(h))) }

// TransitTime returns how long a drop takes from a gate to a sensor, both
// given as depths below the tip it fell from.
func TransitTime(gate, sensor Metre) Second { return FallTime(sensor) - FallTime(gate) }

// Dry air and water at 20 °C and one atmosphere, for the drag on a drop (air
// from memory).
const (
	dragAirDensity = 1.2041  // kg/m³
	airViscosity   = 1.81e-5 // Pa s
	dropDensity    = 998.2   // kg/m³
)

// FallTimeInAir returns how long a drop of volume v falls from rest over h with
// buoyancy and the drag of a sphere by L. Schiller and A. Naumann (VDI-Z. 77
// (1933) 318): c_d = 24/Re (1 + 0.15 Re^0.687) below Re = 1000, 0.44 above.
// NaN for a negative height, and where the steps of the integration would be too
// long: for a drop below a nanolitre or a height above 100 m.
func FallTimeInAir(h Metre, v CubicMetre) Second {
	free := FallTime(h)
	if !(free > 0) {
		return free
	}
	if !(v >= 1e-3*Microlitre && h <= 100) {
		return Second(math.NaN())
	}
	diameter := portable.Pow(6*float64(v)/math.Pi, 1.0/3)
	const weight = gravity * (1 - dragAirDensity/dropDensity)
	fall := func(speed float64) float64 { return weight - dragDeceleration(speed, diameter) }
	// Heun's method, second order, in 500 steps for the fall without drag and
	// some more for what the drag adds.
	dt := float64(free) / 500
	var t, depth, speed float64
	for {
		a := fall(speed)
		b := fall(speed + float64(a*dt))
		next := speed + float64((a+b)/2*dt)
		step := float64((speed + next) / 2 * dt)
		if depth+step >= float64(h) {
			return Second(t + float64(dt*((float64(h)-depth)/step)))
		}
		t, depth, speed = t+dt, depth+step, next
	}
}

// dragDeceleration returns by how much the air brakes a sphere of diameter d.
func dragDeceleration(speed, d float64) float64 {
	re := dragAirDensity * speed * d / airViscosity
	if re == 0 {
		return 0
	}
	c := 0.44
	if re < 1000 {
		c = 24 / re * (1 + float64(0.15*portable.Pow(re, 0.687)))
	}
	return 0.75 * c * dragAirDensity / dropDensity * float64(speed*speed) / d
}
