package physics

import (
	"math"
	"time"
)

// Quantities in SI units. Those named after a unit are in that unit.
type (
	Celsius     float64
	Kelvin      float64
	Pascal      float64
	Metre       float64
	Kilogram    float64
	Second      float64
	Volt        float64
	Ampere      float64
	Ohm         float64
	Farad       float64
	Coulomb     float64
	SquareMetre float64
	CubicMetre  float64

	RelHumidity    float64 // 0 dry … 1 saturated, over water unless said otherwise
	Density        float64 // kg/m³
	MassFlux       float64 // kg/(m² s)
	HeatTransfer   float64 // W/(m² K)
	SpecificEnergy float64 // J/kg
	Velocity       float64 // m/s
	Rainfall       float64 // m/s: water over an area and a time, m³/(m² s)
	Flow           float64 // m³/s
	Conductivity   float64 // S/m
	SurfaceTension float64 // N/m
	Permittivity   float64 // relative, without unit
)

// The units in which a bench talks, to be multiplied with: 25 * Millimetre.
const (
	Micrometre          Metre        = 1e-6
	Millimetre          Metre        = 1e-3
	SquareCentimetre    SquareMetre  = 1e-4
	Microlitre          CubicMetre   = 1e-9
	Millilitre          CubicMetre   = 1e-6
	Litre               CubicMetre   = 1e-3
	MillimetrePerMinute Rainfall     = 1e-3 / 60
	MillilitrePerMinute Flow         = 1e-6 / 60
	LitrePerMinute      Flow         = 1e-3 / 60
	Hectopascal         Pascal       = 100
	Milligram           Kilogram     = 1e-6
	MicrosiemensPerCm   Conductivity = 1e-4
	AmpereHour          Coulomb      = 3600
	Minute              Second       = 60
	Year                Second       = 8766 * 3600
)

const (
	zeroCelsius Kelvin = 273.15

	// StandardPressure is one atmosphere.
	StandardPressure Pascal = 101325

	// gravity is the standard acceleration, m/s² (ISO 80000-3).
	gravity = 9.80665

	// vacuumPermittivity in F/m (CODATA 2018, from memory).
	vacuumPermittivity = 8.8541878128e-12
)

// Kelvin returns the thermodynamic temperature.
func (t Celsius) Kelvin() Kelvin { return Kelvin(t) + zeroCelsius }

// Celsius returns the temperature on the Celsius scale.
func (t Kelvin) Celsius() Celsius { return Celsius(t - zeroCelsius) }

// Duration returns s to the nearest nanosecond; what a Duration can't hold, an
// infinity above all, becomes the longest or shortest there is, and NaN 0.
func (s Second) Duration() time.Duration {
	ns := math.Round(float64(s) * 1e9)
	switch {
	case math.IsNaN(ns):
		return 0
	case ns >= math.MaxInt64:
		return math.MaxInt64
	case ns <= math.MinInt64:
		return math.MinInt64
	}
	return time.Duration(ns)
}

// Seconds returns d in seconds.
func Seconds(d time.Duration) Second { return Second(float64(d) / 1e9) }

// Over returns the flow that makes this rainfall over an area.
// 1 mm/min is 1 l/(m² min), so ml/min = mm/min × cm² / 10.
func (r Rainfall) Over(area SquareMetre) Flow { return Flow(float64(r) * float64(area)) }

// Over returns the rainfall that a flow makes over an area.
func (f Flow) Over(area SquareMetre) Rainfall { return Rainfall(float64(f) / float64(area)) }

// During returns the volume that flows in a time.
func (f Flow) During(t Second) CubicMetre { return CubicMetre(float64(f) * float64(t)) }
