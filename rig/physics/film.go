package physics

import (
	"math"

	"drench/rig/portable"
)

// Air near room temperature, for the exchange with a plate.
const (
	airDensity = 1.2    // kg/m³
	airHeat    = 1006.0 // J/(kg K)
	lewis      = 0.85   // Lewis number of water vapour in air (from memory)
)

// MassTransfer returns the mass transfer coefficient that goes with a heat
// transfer coefficient, h / (ρ c_p Le^(2/3)): the analogy of Chilton and
// Colburn (as read on thermofluidcalc.com). Only the convective part of h
// counts; still air has 3 to 5 W/(m² K), a fan makes 10 to 25 (from memory),
// and no figure is better than ±30 %.
func MassTransfer(h HeatTransfer) Velocity {
	return Velocity(float64(h) / float64(airDensity*airHeat*portable.Pow(lewis, 2.0/3)))
}

// CondensationFlux returns the mass of water that a wet or cold plate gains:
// positive while vapour condenses, negative while a film evaporates. The
// driving force is the difference of the vapour densities in the air and, at
// saturation, at the plate. (Densities at two temperatures: the flux turns
// positive a little below the dew point, by up to 8 % of the distance from the
// air temperature.)
func CondensationFlux(h HeatTransfer, air Air, plate Celsius) MassFlux {
	saturated := VapourDensity(SaturationPressure(plate), plate)
	return MassFlux(float64(MassTransfer(h)) * float64(air.VapourDensity()-saturated))
}

// FilmGrowth returns how fast a film of water at temperature t grows with a
// flux as CondensationFlux returns it, negative while it dries.
func FilmGrowth(flux MassFlux, t Celsius) Velocity {
	return Velocity(float64(flux) / float64(WaterDensity(t)))
}

// DryingTime returns how long a film takes to go with a flux as
// CondensationFlux returns it; +Inf where it does not dry.
func DryingTime(film Metre, t Celsius, flux MassFlux) Second {
	growth := FilmGrowth(flux, t)
	if !(growth < 0) {
		return Second(math.Inf(1))
	}
	return Second(float64(film) / float64(-growth))
}
