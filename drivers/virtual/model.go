package virtual

import (
	"time"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

// Model is how a DUT works inside: what rig.DUT, the maker's claims, leaves
// open. It is the section model: of a DUT profile.
type Model struct {
	Sensor SensorModel `yaml:"sensor"`
	// Thresholds are the differences, in counts, from which a reading says
	// liquid, by sensitivity level 1, 2, …
	Thresholds []int `yaml:"thresholds"`
	// Level is the sensitivity level that is set.
	Level int `yaml:"level"`
	// Release is the difference below which a reading says dry.
	Release int `yaml:"release"`
	// Track is the largest difference at which the baseline follows the reading.
	Track int `yaml:"track"`
	// StartUp is the usual time from a good rail to the first heartbeat, and
	// StartUpScatter its standard deviation.
	StartUp        time.Duration `yaml:"start_up"`
	StartUpScatter rig.Share     `yaml:"start_up_scatter"`
	// Clock is the standard deviation of the clock's rate between DUTs.
	Clock rig.Share `yaml:"clock"`
	// Off, Starting, Sleep and Active are the currents drawn below the drop-out
	// voltage, while starting, between samples and for ActiveTime from each.
	Off        physic.ElectricCurrent `yaml:"off"`
	Starting   physic.ElectricCurrent `yaml:"starting"`
	Sleep      physic.ElectricCurrent `yaml:"sleep"`
	Active     physic.ElectricCurrent `yaml:"active"`
	ActiveTime time.Duration          `yaml:"active_time"`
	// Capacitor is what buffers the DUT's supply pins.
	Capacitor physic.ElectricalCapacitance `yaml:"capacitor"`
	Prints    Prints                       `yaml:"prints"`
	// Factory are the settings it has when it has forgotten its own.
	Factory Factory `yaml:"factory"`
}

// SensorModel is the sensor and its converter.
type SensorModel struct {
	// Kind is conductive or capacitive.
	Kind string      `yaml:"kind"`
	Area rig.Surface `yaml:"area"` // that water can wet
	// Gaps (conductive) or Fingers (capacitive) lie side by side, Gap wide, over
	// the Length.
	Gaps    int             `yaml:"gaps"`
	Fingers int             `yaml:"fingers"`
	Gap     physic.Distance `yaml:"gap"`
	Width   physic.Distance `yaml:"width"` // of a finger
	Length  physic.Distance `yaml:"length"`
	// Cover is the dielectric over the fingers, CoverPermittivity its own.
	Cover             physic.Distance `yaml:"cover"`
	CoverPermittivity float64         `yaml:"cover_permittivity"`
	// Reference is the lower resistor of the divider, FullScale what the
	// converter reads at the supply voltage (conductive).
	Reference physic.ElectricResistance `yaml:"reference"`
	FullScale int                       `yaml:"full_scale"`
	// CountsPerPF is the capacitive converter's gain.
	CountsPerPF float64 `yaml:"counts_per_pf"`
	// Dry is what a dry sensor reads, Noise the standard deviation of a reading
	// and Drift that of the dry reading in the long run, over DriftTime.
	Dry       float64       `yaml:"dry"`
	Noise     float64       `yaml:"noise"`
	Drift     float64       `yaml:"drift"`
	DriftTime time.Duration `yaml:"drift_time"`
}

// Kinds of sensor.
const (
	Conductive = "conductive"
	Capacitive = "capacitive"
)

// Prints are the lines that the DUT prints. In the reading {raw}, {diff} and
// {detect} stand for values, in the settings the names of the profile's
// settings do. An empty line is not printed.
type Prints struct {
	Banner   string `yaml:"banner"`
	Settings string `yaml:"settings"`
	Reading  string `yaml:"reading"`
}

// Factory are settings as the maker ships them, and those of the profile's
// settings that then read otherwise.
type Factory struct {
	Period   time.Duration     `yaml:"period"`
	Level    int               `yaml:"level"`
	Settings map[string]string `yaml:"settings"`
}

// Check reports what can't be. config.Decode calls it.
func (m Model) Check() []config.Problem {
	var found []config.Problem
	refuse := func(bad bool, what, want string, path ...string) {
		if bad {
			found = append(found, config.Problem{Path: path, What: what, Want: want})
		}
	}
	s := m.Sensor
	refuse(s.Area <= 0, "area is not above 0", "the area that water can wet", "sensor", "area")
	refuse(s.Gap <= 0 || s.Length <= 0, "gap or length is not above 0", "the sensor's geometry", "sensor", "gap")
	refuse(s.DriftTime <= 0, "drift_time is not above 0", "such as \"1 h\"", "sensor", "drift_time")
	switch s.Kind {
	case Conductive:
		refuse(s.Gaps < 1, "gaps is below 1", "how many gaps lie in parallel", "sensor", "gaps")
		refuse(s.Reference <= 0 || s.FullScale < 2, "no reference or full_scale", "the divider's resistor and the converter's range", "sensor", "reference")
	case Capacitive:
		refuse(s.Fingers < 3 || s.Width <= 0, "fewer than 3 fingers, or no width", "an interdigital comb", "sensor", "fingers")
		refuse(s.CountsPerPF <= 0, "counts_per_pf is not above 0", "the converter's gain", "sensor", "counts_per_pf")
		refuse(s.Cover > 0 && s.CoverPermittivity < 1, "cover_permittivity is below 1", "that of the cover, such as 3.5", "sensor", "cover_permittivity")
	default:
		refuse(true, "kind is neither conductive nor capacitive", "one of them", "sensor", "kind")
	}
	refuse(m.Level < 1 || m.Level > len(m.Thresholds), "level has no threshold", "1 to the number of thresholds", "level")
	refuse(m.Factory.Level < 1 || m.Factory.Level > len(m.Thresholds), "factory level has no threshold", "1 to the number of thresholds", "factory", "level")
	refuse(m.Factory.Period <= 0, "factory period is not above 0", "such as \"1 s\"", "factory", "period")
	refuse(m.StartUp <= 0, "start_up is not above 0", "such as \"300 ms\"", "start_up")
	refuse(m.Capacitor <= 0, "capacitor is not above 0", "such as \"47 uF\"", "capacitor")
	return found
}
