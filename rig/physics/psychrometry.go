package physics

// The equations of this file are those of the ASHRAE Handbook of Fundamentals
// (2017), chapter 1, as read in psychrolib 1.1.1.

// vapourMassRatio is the ratio of the molar masses of water and dry air.
const vapourMassRatio = 0.621945

// HumidityRatio returns the mass of vapour to a mass of dry air at total
// pressure p (equation 20).
func (a Air) HumidityRatio(p Pascal) float64 { return humidityRatio(a.VapourPressure(), p) }

func humidityRatio(e, p Pascal) float64 {
	return float64(vapourMassRatio*float64(e)) / float64(p-e)
}

// WetBulb returns the temperature that a wet surface settles at when air at
// total pressure p passes over it and it gets heat from nowhere else
// (equations 33, over ice 35), to a nanokelvin. It holds for air below the
// boiling point.
func (a Air) WetBulb(p Pascal) Celsius {
	w := a.HumidityRatio(p)
	low, high := lowestDewPoint, a.T
	for high-low > 1e-9 {
		mid := (low + high) / 2
		if humidityRatioOverWetBulb(a.T, mid, p) > w {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}

// humidityRatioOverWetBulb returns the humidity ratio of air at t whose wet bulb
// shows wet. The enthalpies are in kJ/kg.
func humidityRatioOverWetBulb(t, wet Celsius, p Pascal) float64 {
	saturated := humidityRatio(SaturationPressure(wet), p)
	dry, bulb := float64(t), float64(wet)
	sensible := float64(1.006 * (dry - bulb))
	evaporation, vapour := 2501-float64(2.326*bulb), 2501+float64(1.86*dry)-float64(4.186*bulb)
	if wet < 0 {
		evaporation, vapour = 2830-float64(0.24*bulb), 2830+float64(1.86*dry)-float64(2.1*bulb)
	}
	return (float64(evaporation*saturated) - sensible) / vapour
}

// LatentHeat returns the heat that evaporates water (what equation 33 uses).
func LatentHeat(t Celsius) SpecificEnergy {
	return SpecificEnergy(2.501e6 - float64(2326*float64(t)))
}
