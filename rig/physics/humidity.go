package physics

import (
	"fmt"
	"math"

	"drench/rig/portable"
)

// The equations of Hyland and Wexler hold from -100 °C to 200 °C, with ice
// below the triple point.
const (
	triplePoint    Celsius = 0.01
	lowestDewPoint Celsius = -100
)

// phase holds ln(e/Pa) = inverse/T + c(T) + log ln T, T in kelvin.
type phase struct {
	inverse, log float64
	c            [5]float64 // powers T⁴ … T⁰
}

// Hyland and Wexler (ASHRAE Trans. 89 2A (1983) 500) with the coefficients of
// the ASHRAE Handbook of Fundamentals (2017), chapter 1, equations 5 (ice) and
// 6 (water); read in psychrolib 1.1.1, GetSatVapPres.
var (
	overIce = phase{
		inverse: -5.6745359e3, log: 4.1635019,
		c: [5]float64{-9.484024e-13, 2.0747825e-9, 6.2215701e-7, -9.677843e-3, 6.3925247},
	}
	overWater = phase{
		inverse: -5.8002206e3, log: 6.5459673,
		c: [5]float64{0, -1.4452093e-8, 4.1764768e-5, -4.8640239e-2, 1.3914993},
	}
)

// lnPressure returns ln(e/Pa) at saturation.
func (p *phase) lnPressure(t Kelvin) float64 {
	T := float64(t)
	return p.inverse/T + portable.Poly(T, p.c[:]...) + float64(p.log*portable.Log(T))
}

// slope returns the derivative of lnPressure, 1/K.
func (p *phase) slope(t Kelvin) float64 {
	T := float64(t)
	c := portable.Poly(T, 4*p.c[0], 3*p.c[1], 2*p.c[2], p.c[3])
	return c + p.log/T - p.inverse/float64(T*T)
}

// phaseAt returns the phase that the saturation pressure at t is over.
func phaseAt(t Celsius) *phase {
	if t <= triplePoint {
		return &overIce
	}
	return &overWater
}

// SaturationPressure returns the pressure of water vapour over water, or over
// ice below the triple point, by Hyland and Wexler. It holds from -100 °C to
// 200 °C.
func SaturationPressure(t Celsius) Pascal {
	return Pascal(portable.Exp(phaseAt(t).lnPressure(t.Kelvin())))
}

// Air is humid air.
type Air struct {
	T  Celsius
	RH RelHumidity // over water, over ice below 0.01 °C
}

// VapourPressure returns the partial pressure of the water vapour.
func (a Air) VapourPressure() Pascal {
	return Pascal(float64(a.RH) * float64(SaturationPressure(a.T)))
}

// VapourDensity returns the mass of water vapour in a volume.
func (a Air) VapourDensity() Density { return VapourDensity(a.VapourPressure(), a.T) }

// vapourConstant is the specific gas constant of water vapour, J/(kg K) (IAPWS,
// from memory).
const vapourConstant = 461.526

// VapourDensity returns the density e/(R_v T) of water vapour at partial
// pressure e, as an ideal gas.
func VapourDensity(e Pascal, t Celsius) Density {
	return Density(float64(e) / float64(vapourConstant*float64(t.Kelvin())))
}

// DewPoint returns the temperature at which the vapour saturates, the inverse
// of SaturationPressure: below 0.01 °C it is a frost point. Air without vapour
// has no dew point; that, a humidity above 1, and a dew point below -100 °C,
// where the formula ends, are refused.
func (a Air) DewPoint() (Celsius, error) {
	if err := checkHumidity(a.RH); err != nil {
		return 0, err
	}
	e := a.VapourPressure()
	p := &overWater
	if e <= SaturationPressure(triplePoint) {
		p = &overIce
	}
	lnE := portable.Log(float64(e))
	t, _ := MagnusWMO.DewPoint(a.T, a.RH)
	dew := max(t, lowestDewPoint).Kelvin()
	// ln e is nearly straight in 1/T: Newton's steps square the error.
	for range 20 {
		step := (p.lnPressure(dew) - lnE) / p.slope(dew)
		dew -= Kelvin(step)
		if math.Abs(step) < 1e-11 {
			break
		}
	}
	if !(dew.Celsius() >= lowestDewPoint) {
		return 0, fmt.Errorf("air at %v °C and %v %% relative humidity has its dew point below %v °C, where the formula ends: give a higher humidity",
			float64(a.T), float64(a.RH)*100, float64(lowestDewPoint))
	}
	return min(dew.Celsius(), a.T), nil
}

// checkHumidity refuses a humidity that has no dew point.
func checkHumidity(rh RelHumidity) error {
	if rh > 0 && rh <= 1 {
		return nil
	}
	return fmt.Errorf("a relative humidity of %v %% has no dew point: expected more than 0 and at most 100 %%", float64(rh)*100)
}

// Magnus is a formula e = A exp(B t / (C + t)) for the saturation pressure of
// water vapour, simple enough to be inverted.
type Magnus struct {
	a Pascal
	b float64
	c Celsius
}

var (
	// MagnusWMO is over water, -45 … 60 °C: WMO-No. 8, annex 4.B (coefficients
	// as read on novasolver.jp, the annex from memory); the constants are D.
	// Sonntag's (Z. Meteorol. 70 (1990) 340).
	MagnusWMO = Magnus{611.2, 17.62, 243.12}

	// MagnusWMOIce is over ice, -65 … 0 °C, of the same annex (from memory).
	MagnusWMOIce = Magnus{611.2, 22.46, 272.62}

	// AlduchovEskridge is over water, -40 … 50 °C: J. Appl. Meteor. 35 (1996)
	// 601 (17.625 and 243.04 as read on calcipedia.org, 6.1094 from memory).
	AlduchovEskridge = Magnus{610.94, 17.625, 243.04}
)

// SaturationPressure returns the pressure of water vapour at saturation.
func (m Magnus) SaturationPressure(t Celsius) Pascal {
	return Pascal(float64(m.a) * portable.Exp(m.exponent(t)))
}

func (m Magnus) exponent(t Celsius) float64 {
	return float64(m.b*float64(t)) / float64(m.c+t)
}

// DewPoint returns the temperature at which air saturates, in closed form. A
// humidity of 0, which has none, or above 1 is refused.
func (m Magnus) DewPoint(t Celsius, rh RelHumidity) (Celsius, error) {
	if err := checkHumidity(rh); err != nil {
		return 0, err
	}
	g := portable.Log(float64(rh)) + m.exponent(t)
	return min(Celsius(float64(float64(m.c)*g)/(m.b-g)), t), nil
}

// MoistAirFactor returns by how much vapour in air at that pressure saturates
// above the pure phase, near 1.005 at one atmosphere: WMO-No. 8, annex 4.B
// (from memory). It cancels in a dew point.
func MoistAirFactor(p Pascal) float64 {
	hPa := float64(p / Hectopascal)
	return 1.0016 + float64(3.15e-6*hPa) - 0.074/hPa
}
