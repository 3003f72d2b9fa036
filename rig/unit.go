package rig

import (
	"fmt"
	"math"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/physic"
)

// Unit is the quantity that a channel's integer counts. The integers are
// those of periph's physic types where it has one: nanovolt, nanoampere,
// nanokelvin, nanojoule, nanowatt, nanometre, and 1e-7 of relative humidity.
type Unit uint8

// Units. The numbers are part of the timeline's format.
const (
	Level      Unit = 0  // 0 or 1
	Volt       Unit = 1  // nV
	Ampere     Unit = 2  // nA
	Kelvin     Unit = 3  // nK
	RelHum     Unit = 4  // 1e-7 (physic.TenthMicroRH)
	Joule      Unit = 5  // nJ
	Watt       Unit = 6  // nW
	Litre      Unit = 7  // nl
	LitreRate  Unit = 8  // nl/min
	RainRate   Unit = 9  // nm/min
	Metre      Unit = 10 // nm
	Second     Unit = 11 // ns
	Chars      Unit = 12 // text channels
	FilmMass   Unit = 13 // µg/m²
	SlewRate   Unit = 14 // nV/s
	Proportion Unit = 15 // 1e-9
	Hertz      Unit = 16 // 1e-9 Hz, so a rate of 1 an hour is 277778
	Area       Unit = 17 // 1e-9 m²
	Conduct    Unit = 18 // nS/m
	Farad      Unit = 19 // pF
	Ohm        Unit = 20 // nΩ
	TempRate   Unit = 21 // nK/min
)

// Volume, Flow, Rain, Film, Surface, Conductivity and Slew are the quantities
// of this bench that periph's physic package has no type for.
type (
	Volume       int64 // nl
	Flow         int64 // nl/min
	Rain         int64 // nm/min: depth of water a minute, as IEC 60529 states it in mm/min
	Film         int64 // µg/m²: mass of water on a surface
	Surface      int64 // 1e-9 m² (1000 of them are a square millimetre)
	Conductivity int64 // nS/m
	Slew         int64 // nV/s
	Share        int64 // 1e-9: a proportion
	Rate         int64 // nHz: events a second
	Heating      int64 // nK/min
)

// Multiples that constants are written with.
const (
	Microlitre Volume  = 1e3
	Millilitre Volume  = 1e6
	MlPerMin   Flow    = 1e6
	MmPerMin   Rain    = 1e6
	GramPerM2  Film    = 1e6
	SqMm       Surface = 1e3
	SqCm       Surface = 1e5
	VoltPerSec Slew    = 1e9
)

// symbol is one way to write a unit: value in nano units = number × num/den + offset.
type symbol struct {
	text     string
	unit     Unit
	num, den int64
	offset   int64
}

// symbols lists every accepted spelling; for each Unit the order, from the
// smallest, is also what String chooses from. ASCII and SI spellings are both
// taken where keyboards differ.
var symbols = []symbol{
	{"nV", Volt, 1, 1, 0}, {"uV", Volt, 1e3, 1, 0}, {"µV", Volt, 1e3, 1, 0}, {"mV", Volt, 1e6, 1, 0}, {"V", Volt, 1e9, 1, 0},
	{"nA", Ampere, 1, 1, 0}, {"uA", Ampere, 1e3, 1, 0}, {"µA", Ampere, 1e3, 1, 0}, {"mA", Ampere, 1e6, 1, 0}, {"A", Ampere, 1e9, 1, 0},
	{"mK", Kelvin, 1e6, 1, 0}, {"K", Kelvin, 1e9, 1, 0}, {"°C", Kelvin, 1e9, 1, 273_150_000_000}, {"degC", Kelvin, 1e9, 1, 273_150_000_000},
	{"%rH", RelHum, 1e5, 1, 0}, {"%RH", RelHum, 1e5, 1, 0},
	{"nJ", Joule, 1, 1, 0}, {"uJ", Joule, 1e3, 1, 0}, {"µJ", Joule, 1e3, 1, 0}, {"mJ", Joule, 1e6, 1, 0}, {"J", Joule, 1e9, 1, 0}, {"Wh", Joule, 3600e9, 1, 0},
	{"nW", Watt, 1, 1, 0}, {"uW", Watt, 1e3, 1, 0}, {"µW", Watt, 1e3, 1, 0}, {"mW", Watt, 1e6, 1, 0}, {"W", Watt, 1e9, 1, 0},
	{"nl", Litre, 1, 1, 0}, {"ul", Litre, 1e3, 1, 0}, {"µl", Litre, 1e3, 1, 0}, {"ml", Litre, 1e6, 1, 0}, {"l", Litre, 1e9, 1, 0},
	{"ul/min", LitreRate, 1e3, 1, 0}, {"µl/min", LitreRate, 1e3, 1, 0}, {"ml/min", LitreRate, 1e6, 1, 0}, {"l/min", LitreRate, 1e9, 1, 0},
	{"mm/min", RainRate, 1e6, 1, 0},
	{"nm", Metre, 1, 1, 0}, {"um", Metre, 1e3, 1, 0}, {"µm", Metre, 1e3, 1, 0}, {"mm", Metre, 1e6, 1, 0}, {"cm", Metre, 1e7, 1, 0}, {"m", Metre, 1e9, 1, 0},
	{"ns", Second, 1, 1, 0}, {"us", Second, 1e3, 1, 0}, {"µs", Second, 1e3, 1, 0}, {"ms", Second, 1e6, 1, 0}, {"s", Second, 1e9, 1, 0}, {"min", Second, 60e9, 1, 0}, {"h", Second, 3600e9, 1, 0},
	{"g/m2", FilmMass, 1e6, 1, 0}, {"g/m²", FilmMass, 1e6, 1, 0},
	{"mV/s", SlewRate, 1e6, 1, 0}, {"V/s", SlewRate, 1e9, 1, 0}, {"V/ms", SlewRate, 1e12, 1, 0},
	{"ppm", Proportion, 1e3, 1, 0}, {"%", Proportion, 1e7, 1, 0},
	{"per h", Hertz, 1e7, 36, 0}, {"per min", Hertz, 1e8, 6, 0}, {"Hz", Hertz, 1e9, 1, 0},
	{"mm2", Area, 1e3, 1, 0}, {"mm²", Area, 1e3, 1, 0}, {"cm2", Area, 1e5, 1, 0}, {"cm²", Area, 1e5, 1, 0},
	{"uS/cm", Conduct, 1e5, 1, 0}, {"µS/cm", Conduct, 1e5, 1, 0}, {"mS/m", Conduct, 1e6, 1, 0}, {"S/m", Conduct, 1e9, 1, 0},
	{"pF", Farad, 1, 1, 0}, {"nF", Farad, 1e3, 1, 0}, {"uF", Farad, 1e6, 1, 0}, {"µF", Farad, 1e6, 1, 0},
	{"mΩ", Ohm, 1e6, 1, 0}, {"mohm", Ohm, 1e6, 1, 0}, {"Ω", Ohm, 1e9, 1, 0}, {"ohm", Ohm, 1e9, 1, 0}, {"kΩ", Ohm, 1e12, 1, 0}, {"kohm", Ohm, 1e12, 1, 0}, {"MΩ", Ohm, 1e15, 1, 0}, {"Mohm", Ohm, 1e15, 1, 0},
	{"K/min", TempRate, 1e9, 1, 0},
}

// examples shows, for each unit, how a value is written; errors quote it.
var examples = [...]string{
	Level: "0 or 1", Volt: "3.3 V", Ampere: "20 mA", Kelvin: "23 °C", RelHum: "85 %RH", Joule: "2 mJ",
	Watt: "0.3 W", Litre: "0.4 ml", LitreRate: "30 ml/min", RainRate: "3 mm/min", Metre: "100 mm",
	Second: "2 s", Chars: "text", FilmMass: "50 g/m2", SlewRate: "20 mV/s", Proportion: "5 %", Hertz: "0.1 per h",
	Area: "25 cm2", Conduct: "500 uS/cm", Farad: "47 uF", Ohm: "100 ohm", TempRate: "1 K/min",
}

// Example shows how a value in this unit is written.
func (u Unit) Example() string { return nameOf(examples[:], int(u)) }

// Quantity is a number with its unit.
type Quantity struct {
	N    int64 // in the unit's nano multiple
	Unit Unit
}

var numberAndUnit = regexp.MustCompile(`^([+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?) ?([^0-9\s.+-].*)$`)

// ParseQuantity reads "3.3 V", "0.4 ml", "23 °C". The number is decimal
// without an exponent, the unit is required, and a single space may stand
// between them. The result is exact, or an error: a value finer than the
// unit's nano multiple is refused rather than rounded.
func ParseQuantity(s string) (Quantity, error) {
	m := numberAndUnit.FindStringSubmatch(s)
	if m == nil {
		return Quantity{}, fmt.Errorf("%q is not a number with a unit, such as \"2 s\" or \"0.4 ml\"", s)
	}
	for _, y := range symbols {
		if y.text == m[2] {
			return y.value(m[1], s)
		}
	}
	return Quantity{}, fmt.Errorf("%q has an unknown unit %q", s, m[2])
}

func (y symbol) value(number, whole string) (Quantity, error) {
	r, ok := new(big.Rat).SetString(number)
	if !ok {
		return Quantity{}, fmt.Errorf("%q has an unreadable number", whole)
	}
	r.Mul(r, big.NewRat(y.num, y.den))
	n := new(big.Int).Quo(r.Num(), r.Denom())
	if y.den == 1 && !r.IsInt() {
		return Quantity{}, fmt.Errorf("%q is finer than can be set", whole)
	}
	n.Add(n, big.NewInt(y.offset))
	if !n.IsInt64() {
		return Quantity{}, fmt.Errorf("%q is too large", whole)
	}
	return Quantity{n.Int64(), y.unit}, nil
}

// ParseAs reads a quantity that must be in the given unit.
func ParseAs(s string, want Unit) (int64, error) {
	q, err := ParseQuantity(s)
	if err != nil {
		return 0, fmt.Errorf("%w; expected a value such as %q", err, want.Example())
	}
	if q.Unit != want {
		return 0, fmt.Errorf("%q has the wrong unit; expected a value such as %q", s, want.Example())
	}
	return q.N, nil
}

// String prints the quantity with up to four significant digits in a multiple
// that suits it.
func (q Quantity) String() string {
	switch q.Unit {
	case Level, Chars:
		return strconv.FormatInt(q.N, 10)
	case Kelvin:
		return Significant(float64(q.N-273_150_000_000)/1e9, 4) + " °C"
	}
	if q.N == 0 {
		_, unit, _ := strings.Cut(q.Unit.Example(), " ")
		return "0 " + plainUnit(unit)
	}
	best := symbol{num: 1, den: 1}
	for _, y := range symbols {
		if y.unit != q.Unit || y.offset != 0 || strings.ContainsAny(y.text, "µ°²Ω") {
			continue
		}
		if best.text == "" || math.Abs(float64(q.N)) >= float64(y.num)/float64(y.den) && y.num/y.den >= best.num/best.den {
			best = y
		}
	}
	return Significant(float64(q.N)*float64(best.den)/float64(best.num), 4) + " " + plainUnit(best.text)
}

// plainUnit spells an ASCII unit as a person reads it.
func plainUnit(s string) string {
	r := strings.NewReplacer("uS", "µS", "ohm", "Ω", "m2", "m²", "g/m2", "g/m²", "%RH", "%RH")
	if strings.HasPrefix(s, "u") {
		s = "µ" + s[1:]
	}
	return r.Replace(s)
}

// Significant formats v with n significant digits and no exponent.
func Significant(v float64, n int) string {
	if v == 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	// The exponent that rounding leaves, by the same digits on every machine.
	_, exponent, _ := strings.Cut(strconv.FormatFloat(v, 'e', n-1, 64), "e")
	e, _ := strconv.Atoi(exponent)
	decimals := n - 1 - e
	if decimals <= 0 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	return strings.TrimRight(strings.TrimRight(s, "0"), ".")
}

// Of wraps a typed value as a Quantity.
func Of[T time.Duration | physic.ElectricPotential | physic.ElectricCurrent | physic.Temperature | physic.RelativeHumidity |
	physic.Energy | physic.Power | physic.Distance | physic.ElectricalCapacitance | physic.ElectricResistance | Volume | Flow | Rain | Film | Surface | Conductivity | Slew | Share | Rate | Heating](v T) Quantity {
	u, _ := UnitOf(any(v))
	return Quantity{int64(v), u}
}

// UnitOf returns the Unit that the type of v counts in.
func UnitOf(v any) (Unit, bool) {
	switch v.(type) {
	case time.Duration:
		return Second, true
	case physic.ElectricPotential:
		return Volt, true
	case physic.ElectricCurrent:
		return Ampere, true
	case physic.Temperature:
		return Kelvin, true
	case physic.RelativeHumidity:
		return RelHum, true
	case physic.Energy:
		return Joule, true
	case physic.Power:
		return Watt, true
	case physic.Distance:
		return Metre, true
	case physic.ElectricalCapacitance:
		return Farad, true
	case physic.ElectricResistance:
		return Ohm, true
	}
	return ownUnit(v)
}

func ownUnit(v any) (Unit, bool) {
	switch v.(type) {
	case Volume:
		return Litre, true
	case Flow:
		return LitreRate, true
	case Rain:
		return RainRate, true
	case Film:
		return FilmMass, true
	case Surface:
		return Area, true
	case Conductivity:
		return Conduct, true
	case Slew:
		return SlewRate, true
	case Share:
		return Proportion, true
	case Rate:
		return Hertz, true
	case Heating:
		return TempRate, true
	}
	return 0, false
}

func (v Volume) String() string  { return Of(v).String() }
func (v Flow) String() string    { return Of(v).String() }
func (v Rain) String() string    { return Of(v).String() }
func (v Film) String() string    { return Of(v).String() }
func (v Surface) String() string { return Of(v).String() }

// Flow returns what it takes to rain at v over an area: 1 mm/min over 1 cm² is
// 0.1 ml/min (1 mm/min = 1 l/(m² min)).
func (v Rain) Flow(over Surface) Flow {
	// nm/min × 1e-9 m² = 1e-18 m³/min = 1e-6 nl/min
	return Flow(math.Round(float64(v) * float64(over) / 1e6))
}
