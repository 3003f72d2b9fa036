package measure

import (
	"drench/rig"
	"drench/rig/physics"
)

// climate is what the chamber's gauges say, in SI units: kelvin, and the
// proportion of relative humidity.
type climate struct{ air, humidity, plate float64 }

// plausible tells whether the formulas below hold for the readings.
func (c climate) plausible() bool {
	const low, high = 173.15, 473.15 // Hyland and Wexler's range
	return c.air >= low && c.air <= high && c.plate >= low && c.plate <= high && c.humidity >= 0 && c.humidity <= 1.1
}

// flux returns the mass of water that the plate gains, in µg/(m² s), negative
// while a film evaporates. It is the analogy of Chilton and Colburn with the
// chamber's calibrated heat transfer coefficient.
func (c climate) flux(cal rig.ChamberCal) float64 {
	air := physics.Air{T: physics.Kelvin(c.air).Celsius(), RH: physics.RelHumidity(c.humidity)}
	h := physics.HeatTransfer(float64(cal.Transfer) / 1e3)
	return 1e9 * float64(physics.CondensationFlux(h, air, physics.Kelvin(c.plate).Celsius()))
}
