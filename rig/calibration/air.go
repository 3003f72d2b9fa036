package calibration

import (
	"fmt"
	"math"

	"drench/results/stats/uncertainty"
	"drench/rig/config"
	"drench/rig/physics"

	"periph.io/x/conn/v3/physic"
)

// Quantities of the weighing room, as balances, barometers and pipette
// standards state them.
type (
	Milligram   float64
	Hectopascal float64
	Microlitre  float64
)

// Air is the air that is weighed in, and the temperature of the water, with
// standard uncertainties.
type Air struct {
	Temperature  physic.Temperature      `yaml:"temperature" json:"temperature"` // of water and air
	TemperatureU physic.Temperature      `yaml:"temperature_u" json:"temperature_u"`
	Pressure     Hectopascal             `yaml:"pressure_hpa" json:"pressure_hpa"`
	PressureU    Hectopascal             `yaml:"pressure_u_hpa" json:"pressure_u_hpa"`
	Humidity     physic.RelativeHumidity `yaml:"humidity" json:"humidity"`
	HumidityU    physic.RelativeHumidity `yaml:"humidity_u" json:"humidity_u"`
}

// Check implements [config.Checker].
func (a Air) Check() []config.Problem {
	var p problems
	const most = 40 // of the formula for water's density
	c := a.celsius()
	p.refuse(!(c >= 0 && c <= most), fmt.Sprintf("temperature is %v", a.Temperature), `water from 0 to 40 °C, such as "21.5 °C"`, "temperature")
	p.refuse(a.TemperatureU < 0 || a.TemperatureU > 10*physic.Kelvin, fmt.Sprintf("temperature_u is %v", kelvins(a.TemperatureU)),
		`a standard uncertainty in kelvin, such as "0.3 K"`, "temperature_u")
	p.refuse(!(a.Pressure >= 500 && a.Pressure <= 1100), fmt.Sprintf("pressure_hpa is %v", a.Pressure), "the pressure of the air where the balance stands, 500 to 1100 hPa", "pressure_hpa")
	p.refuse(!(a.PressureU >= 0 && a.PressureU <= 100), fmt.Sprintf("pressure_u_hpa is %v", a.PressureU), "a standard uncertainty, 0 to 100 hPa", "pressure_u_hpa")
	p.refuse(a.Humidity < 0 || a.Humidity > 100*physic.PercentRH, fmt.Sprintf("humidity is %v", a.Humidity), `0 to 100 %RH, such as "50 %RH"`, "humidity")
	p.refuse(a.HumidityU < 0 || a.HumidityU > 50*physic.PercentRH, fmt.Sprintf("humidity_u is %v", a.HumidityU), `a standard uncertainty, such as "5 %RH"`, "humidity_u")
	return p
}

func (a Air) celsius() float64 { return float64(a.Temperature-physic.ZeroCelsius) / 1e9 }

func kelvins(t physic.Temperature) string { return fmt.Sprintf("%v K", float64(t)/1e9) }

// Z is the volume of water to a mass that a balance shows, in µl/mg, and its
// standard uncertainty: ISO 8655-6, (1 - ρ_a/ρ_b)/(ρ_w - ρ_a), see
// [physics.Air.Z]. The uncertainties of temperature, pressure and humidity are
// carried over by finite differences (JCGM 100:2008, 5.1.3, note 2).
func (a Air) Z() (z, u float64, err error) {
	if err := problems(a.Check()).first(); err != nil {
		return 0, 0, fmt.Errorf("air: %w", err)
	}
	at := func(dt, dp, drh float64) float64 {
		const perMilligram = 1e3 // µl/mg in m³/kg
		air := physics.Air{T: physics.Celsius(a.celsius() + dt), RH: physics.RelHumidity(float64(a.Humidity)/1e7 + drh)}
		return perMilligram * air.Z(physics.Pascal(float64(a.Pressure)+dp)*physics.Hectopascal)
	}
	dt, dp, drh := float64(a.TemperatureU)/1e9, float64(a.PressureU), float64(a.HumidityU)/1e7
	c, err := uncertainty.Combine([]uncertainty.Component{
		exact("temperature", (at(dt, 0, 0)-at(-dt, 0, 0))/2, 1),
		exact("pressure", (at(0, dp, 0)-at(0, -dp, 0))/2, 1),
		exact("humidity", (at(0, 0, drh)-at(0, 0, -drh))/2, 1),
	})
	return at(0, 0, 0), c.U, err
}

// exact is a component whose uncertainty is taken as known.
func exact(name string, u, sensitivity float64) uncertainty.Component {
	return uncertainty.Component{Name: name, U: math.Abs(u), Sensitivity: sensitivity, DOF: math.Inf(1)}
}
