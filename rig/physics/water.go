package physics

import "drench/rig/portable"

// WaterDensity returns the density of air-free water at one atmosphere,
// 0 … 40 °C: M. Tanaka et al., Metrologia 38 (2001) 301 (coefficients as read
// in the documentation of chempy).
func WaterDensity(t Celsius) Density {
	d := float64(t) - 3.983035
	fall := float64(d*d) * (float64(t) + 301.797) / float64(522528.9*(float64(t)+69.34881))
	return Density(999.974950 * (1 - fall))
}

// WaterTension returns the surface tension of water against its vapour, to
// good approximation against air, 0.01 … 374 °C: IAPWS R1-76 (from memory).
func WaterTension(t Celsius) SurfaceTension {
	tau := 1 - float64(t.Kelvin())/647.096
	return SurfaceTension(0.2358 * portable.Pow(tau, 1.256) * (1 - float64(0.625*tau)))
}

// WaterPermittivity returns the static relative permittivity of water,
// 0 … 100 °C: C. G. Malmberg and A. A. Maryott, J. Res. NBS 56 (1956) 1, whose
// abstract states the equation and a fit within 0.01.
func WaterPermittivity(t Celsius) Permittivity {
	return Permittivity(portable.Poly(float64(t), -1.410e-6, 9.398e-4, -0.40008, 87.740))
}
