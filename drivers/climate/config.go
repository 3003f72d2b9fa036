package climate

import (
	"cmp"
	"fmt"
	"time"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

// Config is the part of a rig file that describes the humid chamber. Parts
// that a rig does not have are left out.
type Config struct {
	Bus        string                         `yaml:"bus"` // I2C bus by its name, such as "1"
	Air        *AirConfig                     `yaml:"air"`
	Plate      *PlateConfig                   `yaml:"plate"`
	Humidifier *Band[physic.RelativeHumidity] `yaml:"humidifier"`
	Cooler     *Band[physic.Temperature]      `yaml:"cooler"`
	// Every is the time between readings, 0 for 1 s. A reading older than
	// Stale, 0 for 5 s, does not count: its gauge gives an error, and what is
	// regulated by it is off.
	Every time.Duration `yaml:"every"`
	Stale time.Duration `yaml:"stale"`
}

// AirConfig describes the sensor of air temperature and humidity.
type AirConfig struct {
	Address string `yaml:"address"` // 7 bits, such as "0x44"
}

// PlateConfig describes the temperature sensor on the plate.
type PlateConfig struct {
	Address string `yaml:"address"` // 7 bits, such as "0x48"
	Bits    int    `yaml:"bits"`    // 12 or 16, see PlateSensor
}

// Quantity is what can be regulated.
type Quantity interface {
	physic.RelativeHumidity | physic.Temperature
}

// Band says how an output regulates a quantity between two points.
type Band[Q Quantity] struct {
	Line string `yaml:"line"` // output of the rig file
	// Lowest and Highest are the set-points that may be asked for.
	Lowest  Q `yaml:"lowest"`
	Highest Q `yaml:"highest"`
	// Hysteresis is the distance between switching on and off, half of it on
	// each side of the set-point.
	Hysteresis Q `yaml:"hysteresis"`
	// MinOn and MinOff are the shortest times between switching on and off and
	// on again, for what wears by switching. Off by a set-point of 0, or for a
	// stale sensor, waits for nothing.
	MinOn  time.Duration `yaml:"min_on"`
	MinOff time.Duration `yaml:"min_off"`
}

func (c Config) withDefaults() Config {
	c.Every = cmp.Or(c.Every, time.Second)
	c.Stale = cmp.Or(c.Stale, 5*time.Second)
	return c
}

type problems []config.Problem

func (p *problems) refuse(bad bool, key, what, want string) {
	if bad {
		*p = append(*p, config.Problem{Path: []string{key}, What: what, Want: want})
	}
}

// Check reports values that can't be right.
func (c Config) Check() []config.Problem {
	var p problems
	d := c.withDefaults()
	p.refuse(c.Bus == "" && (c.Air != nil || c.Plate != nil), "bus", "bus is missing", `the I2C bus of the sensors, such as "1"`)
	p.refuse(c.Humidifier != nil && c.Air == nil, "humidifier", "there is no air sensor to regulate by", "air: with the sensor's address")
	p.refuse(c.Cooler != nil && c.Plate == nil, "cooler", "there is no plate sensor to regulate by", "plate: with the sensor's address")
	p.refuse(d.Every < 100*time.Millisecond, "every", fmt.Sprintf("every is %v", c.Every), `"100 ms" or more; measuring faster warms the sensor`)
	p.refuse(d.Stale <= d.Every, "stale", fmt.Sprintf("stale is %v, not longer than every", d.Stale), "several times every, so that one lost reading is nothing")
	return p
}

// Check reports values that can't be right.
func (c AirConfig) Check() []config.Problem {
	var p problems
	_, err := config.I2CAddress(c.Address)
	p.refuse(err != nil, "address", fmt.Sprintf("address is %q", c.Address), config.WantI2C)
	return p
}

// Check reports values that can't be right.
func (c PlateConfig) Check() []config.Problem {
	var p problems
	_, err := config.I2CAddress(c.Address)
	p.refuse(err != nil, "address", fmt.Sprintf("address is %q", c.Address), config.WantI2C)
	p.refuse(scale[c.Bits] == 0, "bits", fmt.Sprintf("bits is %d", c.Bits), "12 or 16, from the sensor's data sheet")
	return p
}

// Check reports values that can't be right.
func (b Band[Q]) Check() []config.Problem {
	var p problems
	p.refuse(b.Line == "", "line", "line is missing", "the output that switches it")
	p.refuse(b.Lowest <= 0 || b.Highest <= b.Lowest, "lowest",
		fmt.Sprintf("set-points go from %v to %v", rig.Of(b.Lowest), rig.Of(b.Highest)), "a lowest above zero, and a highest above that")
	// A temperature with an offset, "1 °C", would be a difference of 274 K.
	p.refuse(b.Hysteresis <= 0 || b.Hysteresis >= b.Highest-b.Lowest, "hysteresis",
		"hysteresis is missing, not above 0, or wider than the set-points", `a difference such as "0.5 K" or "2 %RH"`)
	p.refuse(b.MinOn < 0, "min_on", "min_on is negative", "0 or more")
	p.refuse(b.MinOff < 0, "min_off", "min_off is negative", "0 or more")
	return p
}
