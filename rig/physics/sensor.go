package physics

import (
	"math"

	"drench/rig/portable"
)

// Gaps are the bare electrodes of a conductive sensor: N equal gaps in
// parallel, each Gap wide between electrodes that face each other over Overlap.
type Gaps struct {
	N       int
	Gap     Metre
	Overlap Metre
}

// Resistance returns d/(σ w h n) with a film of water over all gaps; +Inf
// without a film. Water thicker than the gap conducts no better than one as
// thick as the gap, for the field does not reach into it. Polarisation of the
// electrodes, which adds to a d.c. measurement, is left out.
func (g Gaps) Resistance(sigma Conductivity, film Metre) Ohm {
	h := min(film, g.Gap)
	return Ohm(float64(g.Gap) / float64(float64(sigma)*float64(g.Overlap)*float64(h)*float64(g.N)))
}

// Comb is an interdigital capacitor: N fingers alternately on two terminals.
type Comb struct {
	N      int
	Length Metre // over which fingers face each other
	Width  Metre // of a finger
	Gap    Metre
}

// Capacitance returns the capacitance into one half space that a medium fills:
// R. Igreja and C. J. Dias, Sens. Actuators A 112 (2004) 291, infinite layer
// (from memory). The formula needs N >= 3; the result is NaN below.
func (c Comb) Capacitance(eps Permittivity) Farad {
	if c.N < 3 {
		return Farad(math.NaN())
	}
	eta := float64(c.Width) / float64(c.Width+c.Gap)
	unit := vacuumPermittivity * float64(eps) * float64(c.Length)
	inner := float64(unit * ellipticRatio(portable.SinPi(eta/2), portable.CosPi(eta/2)))
	outer := float64(unit * ellipticRatio(2*math.Sqrt(eta)/(1+eta), (1-eta)/(1+eta)))
	return Farad(float64(float64(c.N-3)*inner/2) + float64(2*inner*outer)/(inner+outer))
}

// ellipticRatio returns K(k)/K(k') of the complete elliptic integrals of the
// first kind with k² + k'² = 1: by K(k) = π/(2 agm(1, k')) (Abramowitz and
// Stegun 17.6) it is agm(1, k)/agm(1, k').
func ellipticRatio(k, kPrime float64) float64 { return agm(1, k) / agm(1, kPrime) }

// agm returns the arithmetic-geometric mean of two positive numbers.
func agm(a, b float64) float64 {
	for math.Abs(a-b) > 0x1p-50*a {
		a, b = (a+b)/2, math.Sqrt(float64(a*b))
	}
	return (a + b) / 2
}

// Cover returns the capacitance of a dielectric cover in series between
// fingers and liquid, all of it: each finger with the cover over it is a plate
// capacitor ε0 ε w L/d, half of the N fingers on either terminal. No liquid
// adds more than this to the capacitance of a covered comb.
func (c Comb) Cover(eps Permittivity, thickness Metre) Farad {
	finger := vacuumPermittivity * float64(eps) * float64(c.Width) * float64(c.Length) / float64(thickness)
	return Farad(finger * float64(c.N) / 4)
}

// FilmShare returns which part of the effect of a half space full of liquid a
// film on the comb has: 1 - exp(-π h/(w + g)), for the field decays over
// (w + g)/π (common practice, no source).
func (c Comb) FilmShare(film Metre) float64 {
	return 1 - portable.Exp(float64(-math.Pi*float64(film))/float64(c.Width+c.Gap))
}
