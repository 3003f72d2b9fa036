package physics

import "slices"

// Spray is one of the water stimuli of IEC 60529 (1989 + A1:1999 + A2:2013),
// clause 14, second numerals 1 to 4. A bench borrows the stimulus only: the
// numeral judges harm inside an enclosure, and no run here is that test.
type Spray struct {
	Name        string
	Rate        Rainfall // dripping: over the area; 0 otherwise
	RateAbove   Rainfall // the rate's tolerance, upwards only
	Flow        Flow     // tube: of each hole; nozzle: of all; 0 for dripping
	Tolerance   float64  // of the total flow, as a fraction, both ways
	Positions   int      // of the object, one after another
	Time        Second   // of all positions together; at least, for a nozzle
	TimePerArea float64  // nozzle: s for each m² of the object's surface
	Source      string
}

var sprays = []Spray{
	{Name: "IPX1", Rate: 1 * MillimetrePerMinute, RateAbove: 0.5 * MillimetrePerMinute, Positions: 1, Time: 10 * Minute,
		Source: "rate and time from memory"},
	{Name: "IPX2", Rate: 3 * MillimetrePerMinute, RateAbove: 0.5 * MillimetrePerMinute, Positions: 4, Time: 10 * Minute,
		Source: "read on garmin.com/at, Wasserfestigkeit; positions on ipcode-iec60529.com"},
	{Name: "IPX3 tube", Flow: holeFlow, Tolerance: 0.05, Positions: 2, Time: 10 * Minute,
		Source: "flow read with IPX4, two times 5 min from memory"},
	{Name: "IPX4 tube", Flow: holeFlow, Tolerance: 0.05, Positions: 1, Time: 10 * Minute,
		Source: "read on garmin.com/at, Wasserfestigkeit"},
	{Name: "IPX3 nozzle", Flow: 10 * LitrePerMinute, Tolerance: 0.05, Positions: 1, Time: 5 * Minute, TimePerArea: 60,
		Source: "time read on ipcode-iec60529.com, flow from memory; with the counterbalanced shield"},
	{Name: "IPX4 nozzle", Flow: 10 * LitrePerMinute, Tolerance: 0.05, Positions: 1, Time: 5 * Minute, TimePerArea: 60,
		Source: "time read on ipcode-iec60529.com, flow from memory; without the shield"},
}

// Sprays returns all stimuli, by numeral.
func Sprays() []Spray { return slices.Clone(sprays) }

// Duration returns how long an object with that surface is sprayed.
func (s Spray) Duration(surface SquareMetre) Second {
	return max(s.Time, Second(s.TimePerArea*float64(surface)))
}

// Volume returns what falls on an area in a dripping test at its lower rate.
func (s Spray) Volume(area SquareMetre) CubicMetre {
	return s.Rate.Over(area).During(s.Duration(area))
}

// holeFlow is what each hole of an oscillating tube delivers.
const holeFlow = 0.07 * LitrePerMinute

// Tube is an oscillating tube of IEC 60529, table 9, with its holes for numeral
// 3 (over 120°; from memory) and numeral 4 (over 180°; read on garmin.com/at,
// Wasserfestigkeit).
type Tube struct {
	Radius         Metre
	Holes3, Holes4 int
}

var tubes = []Tube{
	{200 * Millimetre, 8, 12},
	{400 * Millimetre, 16, 25},
	{600 * Millimetre, 25, 37},
	{800 * Millimetre, 33, 50},
	{1000 * Millimetre, 41, 62},
	{1200 * Millimetre, 50, 75},
	{1400 * Millimetre, 58, 87},
	{1600 * Millimetre, 67, 100},
}

// Tubes returns the tubes by radius.
func Tubes() []Tube { return slices.Clone(tubes) }

// Flow3 returns the flow of the whole tube for numeral 3.
func (t Tube) Flow3() Flow { return Flow(t.Holes3) * holeFlow }

// Flow4 returns the flow of the whole tube for numeral 4.
func (t Tube) Flow4() Flow { return Flow(t.Holes4) * holeFlow }
