package physics

import "drench/rig/portable"

// weightDensity is that of a balance's weights by convention (ISO 8655-6).
const weightDensity Density = 8000

// Density returns the density of humid air at pressure p by the simplified
// formula of OIML R 111-1, E.3 (from memory), (0.34848 p - 0.009 RH e^(0.061 t))
// / (t + 273.15) with p in hPa and RH in %.
func (a Air) Density(p Pascal) Density {
	vapour := 0.009 * float64(a.RH) * 100 * portable.Exp(float64(0.061*float64(a.T)))
	return Density((float64(0.34848*float64(p/Hectopascal)) - float64(vapour)) / float64(a.T.Kelvin()))
}

// Z returns the volume of water to a mass that a balance shows in air at
// pressure p, in m³/kg (a thousandth of a µl/mg): ISO 8655-6,
// (1 - ρ_a/ρ_b)/(ρ_w - ρ_a), the water as warm as the air.
func (a Air) Z(p Pascal) float64 {
	air, water := float64(a.Density(p)), float64(WaterDensity(a.T))
	return (1 - air/float64(weightDensity)) / (water - air)
}

// Weighed returns the volume of water that a balance shows as m.
func (a Air) Weighed(m Kilogram, p Pascal) CubicMetre { return CubicMetre(float64(m) * a.Z(p)) }
