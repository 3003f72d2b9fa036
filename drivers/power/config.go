package power

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

// Config is the part of a rig file that describes the monitor between the
// supply and the DUT.
type Config struct {
	Bus     string `yaml:"bus"`     // I2C bus by its name, such as "1"
	Address string `yaml:"address"` // 7 bits, such as "0x40"
	// Shunt is the resistor that the current is measured over.
	Shunt physic.ElectricResistance `yaml:"shunt"`
	// MaxCurrent is the most that is to be measured; more is an overload. The
	// interlock's over_current must be below it.
	MaxCurrent physic.ElectricCurrent `yaml:"max_current"`
	// MaxVoltage is the highest rail, under 32 V.
	MaxVoltage physic.ElectricPotential `yaml:"max_voltage"`
	// Average is how many conversions of the shunt make a reading: 1, 2, 4, up
	// to 128; 0 for 16. More see more of a pulsed load, and show the rail less
	// often: see Cycle and Coverage.
	Average int `yaml:"average"`
	// Zero is what is read without a load; it is subtracted.
	Zero physic.ElectricCurrent `yaml:"zero"`
	// Every is the time between readings, 0 for Cycle, but not under 2 ms.
	Every time.Duration `yaml:"every"`
	// Stale is how old the last reading may be, 0 for 500 ms.
	Stale time.Duration `yaml:"stale"`
}

// conversion is one setting of the monitor's converter.
type conversion struct {
	samples int
	code    uint16 // in the configuration register
	lasts   time.Duration
}

// conversions are those of 12 bits (from memory of such data sheets).
var conversions = []conversion{
	{1, 0x3, 532 * time.Microsecond},
	{2, 0x9, 1060 * time.Microsecond},
	{4, 0xa, 2130 * time.Microsecond},
	{8, 0xb, 4260 * time.Microsecond},
	{16, 0xc, 8510 * time.Microsecond},
	{32, 0xd, 17020 * time.Microsecond},
	{64, 0xe, 34050 * time.Microsecond},
	{128, 0xf, 68100 * time.Microsecond},
}

// span is one setting of the monitor's input range.
type span struct {
	code   uint16 // in the configuration register
	counts int32  // at full scale
}

// The ranges (from memory of such data sheets): 40, 80, 160 and 320 mV over
// the shunt, 16 and 32 V on the rail.
var (
	shuntSpans = []span{{0x0000, 4000}, {0x0800, 8000}, {0x1000, 16000}, {0x1800, 32000}}
	railSpans  = []span{{0x0000, 4000}, {0x2000, 8000}}
)

// What a count is worth (from memory of such data sheets).
const (
	shuntCount = 10 * physic.MicroVolt
	railCount  = 4 * physic.MilliVolt
)

// fit is the narrowest span for v; ok = false if there is none.
func fit(spans []span, count, v physic.ElectricPotential) (s span, ok bool) {
	i := slices.IndexFunc(spans, func(s span) bool { return v <= physic.ElectricPotential(s.counts)*count })
	if i < 0 {
		return span{}, false
	}
	return spans[i], true
}

// drop is the voltage over the shunt at a current.
func (c Config) drop(i physic.ElectricCurrent) physic.ElectricPotential {
	return physic.ElectricPotential(math.Round(float64(i) * float64(c.Shunt) / 1e9))
}

// conversion is the setting for Average.
func (c Config) conversion() (conversion, bool) {
	n := cmp.Or(c.Average, 16)
	i := slices.IndexFunc(conversions, func(v conversion) bool { return v.samples == n })
	if i < 0 {
		return conversion{}, false
	}
	return conversions[i], true
}

// Cycle is how long the monitor takes for a reading: the conversions of the
// shunt, and then one of the rail, during which it does not see the current.
func (c Config) Cycle() time.Duration {
	v, _ := c.conversion()
	return v.lasts + conversions[0].lasts
}

// Coverage is the share of time in which the current is looked at.
func (c Config) Coverage() rig.Share {
	v, _ := c.conversion()
	return rig.Share(math.Round(1e9 * float64(v.lasts) / float64(c.withDefaults().Every)))
}

// Resolution is the current of one count of the monitor. What a sleeping DUT
// draws below it is lost in rounding, unless a shunt of more ohms is chosen.
func (c Config) Resolution() physic.ElectricCurrent {
	return physic.ElectricCurrent(math.Round(float64(shuntCount) * 1e9 / float64(c.Shunt)))
}

// PulseU is the relative standard uncertainty, from sampling alone, of the
// energy of a load that comes in pulses shorter than a conversion. A pulse that
// falls into the gap of a cycle is not seen, and one that does not counts for
// more than itself, so that the mean is right; with n pulses at independent
// phases, each seen with the probability of the coverage c, the count is
// binomial and its relative standard deviation sqrt((1-c)/(c n)). Pulses that
// keep step with the cycle can all be missed, or all be seen: no number of them
// helps then. (Own derivation; the package's tests check it by simulation.)
func PulseU(coverage rig.Share, pulses int) rig.Share {
	c := float64(coverage) / 1e9
	if c <= 0 || pulses < 1 {
		return math.MaxInt64
	}
	return rig.Share(math.Round(1e9 * math.Sqrt(max(0, 1-c)/c/float64(pulses))))
}

// leastEvery keeps the bus, at 100 kHz and three transfers a reading, from
// being busy all the time.
const leastEvery = 2 * time.Millisecond

func (c Config) withDefaults() Config {
	c.Every = cmp.Or(c.Every, max(c.Cycle(), leastEvery))
	c.Stale = cmp.Or(c.Stale, 500*time.Millisecond)
	return c
}

// Check reports values that can't be right.
func (c Config) Check() []config.Problem {
	var found []config.Problem
	refuse := func(bad bool, key, what, want string) {
		if bad {
			found = append(found, config.Problem{Path: []string{key}, What: what, Want: want})
		}
	}
	_, err := config.I2CAddress(c.Address)
	refuse(err != nil, "address", fmt.Sprintf("address is %q", c.Address), config.WantI2C)
	refuse(c.Bus == "", "bus", "bus is missing", `the I2C bus of the monitor, such as "1"`)
	refuse(c.Shunt <= 0, "shunt", "shunt is missing or not above 0", `the resistor's value, such as "0.1 ohm"`)
	refuse(c.MaxCurrent <= 0, "max_current", "max_current is missing or not above 0", `the most to be measured, such as "400 mA"`)
	if c.Shunt > 0 && c.MaxCurrent > 0 {
		v := c.drop(c.MaxCurrent)
		_, ok := fit(shuntSpans, shuntCount, v)
		refuse(!ok || v < 100*shuntCount, "max_current", fmt.Sprintf("max_current makes %v over the shunt", rig.Of(v)),
			"1 mV to 320 mV, or there is nothing to measure: another shunt, or another current")
	}
	_, ok := fit(railSpans, railCount, c.MaxVoltage)
	refuse(c.MaxVoltage <= 0 || !ok, "max_voltage", fmt.Sprintf("max_voltage is %v", rig.Of(c.MaxVoltage)), "more than 0, and up to 32 V")
	_, ok = c.conversion()
	refuse(!ok, "average", fmt.Sprintf("average is %d", c.Average), "1, 2, 4, 8, 16, 32, 64 or 128")
	d := c.withDefaults()
	refuse(d.Every < c.Cycle() || d.Every < leastEvery, "every", fmt.Sprintf("every is %v", c.Every),
		fmt.Sprintf("%v or more, which a reading takes", max(c.Cycle(), leastEvery)))
	refuse(d.Stale < 2*d.Every, "stale", fmt.Sprintf("stale is %v", d.Stale), "at least twice every")
	return found
}
