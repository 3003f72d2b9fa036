package physics

import (
	"fmt"
	"slices"
	"strings"

	"drench/drivers/virtual/portable"
)

// Liquid is what a bench may dose.
type Liquid struct {
	Name           string
	Conductivity25 Conductivity // at 25 °C
	PerKelvin      float64      // relative rise of the conductivity
	Permittivity25 Permittivity // at 25 °C
	Source         string
	aqueous        bool // follows water's permittivity over temperature
	exponential    bool // conductivity rises by a factor, not a share of the value at 25 °C, with each kelvin
}

// ionRise is the rise of the conductivity of water with ions in it, 1/K: about
// 0.02, 0.0191 as read in the manual of a conductivity logger (van Essen CTD).
const ionRise = 0.02

// water25 is water's permittivity at 25 °C (Malmberg and Maryott).
const water25 = 78.30

const fromSciencePartners = "conductivity read on sciencepartners.info; permittivity Malmberg & Maryott 1956"

var liquids = []Liquid{
	{"ultrapure water", 5.5e-6, 0.05, water25, "conductivity and 5 %/K from memory; permittivity Malmberg & Maryott 1956", true, true},
	{"deionised water", 1e-4, ionRise, water25, "in contact with air, dissolved CO₂, from memory; permittivity Malmberg & Maryott 1956", true, false},
	{"rain water", 2e-3, ionRise, water25, "5 to 50 µS/cm, from memory; permittivity Malmberg & Maryott 1956", true, false},
	{"soft tap water", 0.005, ionRise, water25, fromSciencePartners, true, false},
	{"tap water", 0.05, ionRise, water25, fromSciencePartners, true, false},
	{"hard tap water", 0.08, ionRise, water25, "200 to 800 µS/cm read; permittivity Malmberg & Maryott 1956", true, false},
	{"sea water", 5, ionRise, 70.9, "conductivity read; permittivity at 35 g/kg of Klein & Swift 1977, from memory", true, false},
	{"ethanol", 1.4e-7, ionRise, 24.3, "conductivity from memory; permittivity read on engineeringtoolbox.com", false, false},
	{"ethylene glycol", 1.1e-4, ionRise, 39, "without inhibitors, from memory; permittivity 37 to 41, from memory", false, false},
	{"propylene glycol", 1e-5, ionRise, 30, "without inhibitors, from memory", false, false},
	{"mineral oil", 1e-11, ionRise, 2.25, "permittivity 2.1 to 2.4, from memory", false, false},
	{"silicone oil", 1e-12, ionRise, 2.55, "conductivity from memory; permittivity 2.2 to 2.9 read on thelen.us", false, false},
}

// Liquids returns the liquids by falling permittivity and rising conductivity.
func Liquids() []Liquid { return slices.Clone(liquids) }

// LiquidNamed returns the liquid of that name.
func LiquidNamed(name string) (Liquid, error) {
	names := make([]string, len(liquids))
	for i, l := range liquids {
		if l.Name == name {
			return l, nil
		}
		names[i] = l.Name
	}
	return Liquid{}, fmt.Errorf("liquid %q is unknown: expected one of %s", name, strings.Join(names, ", "))
}

// Conductivity returns σ25 (1 + a (t - 25)), or σ25 e^(a (t - 25)) for
// ultrapure water, whose own ions grow that fast; never below 0.
func (l Liquid) Conductivity(t Celsius) Conductivity {
	rise := float64(l.PerKelvin * float64(t-25))
	if l.exponential {
		return Conductivity(float64(l.Conductivity25) * portable.Exp(rise))
	}
	return Conductivity(float64(l.Conductivity25) * max(0, 1+rise))
}

// Permittivity returns the relative permittivity, for a liquid that is mostly
// water at water's own relative slope, for others the value at 25 °C.
func (l Liquid) Permittivity(t Celsius) Permittivity {
	if !l.aqueous {
		return l.Permittivity25
	}
	return l.Permittivity25 * WaterPermittivity(t) / WaterPermittivity(25)
}
