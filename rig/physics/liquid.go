package physics

import (
	"fmt"
	"slices"
	"strings"

	"drench/rig/portable"
)

// Liquid is what a bench may dose.
type Liquid struct {
	Name           string
	Conductivity25 Conductivity // at 25 °C
	Permittivity25 Permittivity // at 25 °C
	Source         string
	kind           kind
}

// kind tells how a liquid's properties change with temperature.
type kind int

const (
	solution kind = iota // water with ions in it
	pure                 // water whose few ions are its own
	organic              // a liquid that is not mostly water
)

// Relative rise of the conductivity, 1/K.
const (
	ionRise = 0.02 // with ions: 0.0191 read in the manual of a logger (van Essen CTD)
	ownRise = 0.05 // of pure water (from memory)
)

// water25 is water's permittivity at 25 °C in print (Malmberg and Maryott).
const water25 = 78.30

var liquids = []Liquid{
	{"ultrapure water", 5.5e-6, water25, "conductivity from memory; permittivity Malmberg & Maryott 1956", pure},
	{"deionised water", 1e-4, water25, "in contact with air (dissolved CO₂), from memory; permittivity Malmberg & Maryott 1956", solution},
	{"rain water", 2e-3, water25, "5 to 50 µS/cm, from memory; permittivity Malmberg & Maryott 1956", solution},
	{"soft tap water", 0.005, water25, "lower end for drinking water read on sciencepartners.info; permittivity Malmberg & Maryott 1956", solution},
	{"tap water", 0.05, water25, "upper end for drinking water read on sciencepartners.info; permittivity Malmberg & Maryott 1956", solution},
	{"hard tap water", 0.08, water25, "200 to 800 µS/cm read; permittivity Malmberg & Maryott 1956", solution},
	{"sea water", 5, 70.9, "conductivity from memory; permittivity at 35 g/kg of Klein & Swift 1977, from memory", solution},
	{"ethanol", 1.4e-7, 24.3, "conductivity from memory; permittivity read on engineeringtoolbox.com", organic},
	{"ethylene glycol", 1.1e-4, 39, "without inhibitors; permittivity 37 to 41; from memory", organic},
	{"propylene glycol", 1e-5, 30, "without inhibitors; from memory", organic},
	{"mineral oil", 1e-11, 2.25, "permittivity 2.1 to 2.4; from memory", organic},
	{"silicone oil", 1e-12, 2.55, "conductivity from memory; permittivity 2.2 to 2.9 read on thelen.us", organic},
}

// Liquids returns the known liquids: waters by conductivity, then the others.
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

// Conductivity returns σ25 (1 + a (t - 25)) with a = 0.02/K, never below 0. For
// ultrapure water, whose own ions grow faster than a straight line, it is
// σ25 e^(a (t - 25)) with a = 0.05/K.
func (l Liquid) Conductivity(t Celsius) Conductivity {
	dt := float64(t - 25)
	if l.kind == pure {
		return Conductivity(float64(l.Conductivity25) * portable.Exp(float64(ownRise*dt)))
	}
	return Conductivity(float64(l.Conductivity25) * max(0, 1+float64(ionRise*dt)))
}

// Permittivity returns the relative permittivity: for waters at water's own
// relative slope, for other liquids the value at 25 °C.
func (l Liquid) Permittivity(t Celsius) Permittivity {
	if l.kind == organic {
		return l.Permittivity25
	}
	return l.Permittivity25 * WaterPermittivity(t) / WaterPermittivity(25)
}
