package virtual

import (
	_ "embed"
	"fmt"
	"maps"
	"slices"
	"time"

	"drench/rig"
	"drench/rig/config"
	"drench/rig/physics"

	"periph.io/x/conn/v3/physic"
)

//go:embed bench.yaml
var benchYAML []byte

// Config describes the virtual bench and what is wrong with it. The file
// bench.yaml, which holds the defaults, explains each key.
type Config struct {
	Drip    DripConfig       `yaml:"drip"`
	Spray   SprayConfig      `yaml:"spray"`
	Water   WaterConfig      `yaml:"water"`
	Film    FilmConfig       `yaml:"film"`
	Chamber ChamberConfig    `yaml:"chamber"`
	Lines   LinesConfig      `yaml:"lines"`
	Supply  SupplyConfig     `yaml:"supply"`
	Deadman time.Duration    `yaml:"deadman"`
	Faults  map[string]Fault `yaml:"faults"`
}

// DripConfig describes the drip pump, its tube and the fall of its drops.
type DripConfig struct {
	MaxFlow    rig.Flow        `yaml:"max_flow"`
	Gain       rig.Share       `yaml:"gain"`
	Ripple     rig.Share       `yaml:"ripple"`
	Lag        time.Duration   `yaml:"lag"`
	LagScatter time.Duration   `yaml:"lag_scatter"`
	Line       rig.Volume      `yaml:"line"`
	Drop       rig.Volume      `yaml:"drop"`
	DropCV     rig.Share       `yaml:"drop_cv"`
	LateFrom   rig.Share       `yaml:"late_from"`
	LateWithin time.Duration   `yaml:"late_within"`
	DrainAfter time.Duration   `yaml:"drain_after"`
	DrainRate  rig.Flow        `yaml:"drain_rate"`
	DrainMost  rig.Volume      `yaml:"drain_most"`
	Gate       physic.Distance `yaml:"gate"`
	Fall       physic.Distance `yaml:"fall"`
	Scatter    time.Duration   `yaml:"fall_scatter"`
}

// SprayConfig describes the spray pump and its nozzle.
type SprayConfig struct {
	MaxFlow rig.Flow      `yaml:"max_flow"`
	Gain    rig.Share     `yaml:"gain"`
	Area    rig.Surface   `yaml:"area"`
	Lag     time.Duration `yaml:"lag"`
	Scatter time.Duration `yaml:"lag_scatter"`
	Tail    time.Duration `yaml:"tail"`
}

// WaterConfig describes the liquid and the vessels that hold it.
type WaterConfig struct {
	Liquid       string           `yaml:"liquid"`
	Conductivity rig.Conductivity `yaml:"conductivity"`
	Reservoir    rig.Volume       `yaml:"reservoir"`
	Low          rig.Volume       `yaml:"reservoir_low"`
	Tray         rig.Volume       `yaml:"tray"`
}

// FilmConfig describes how water behaves on the sensor.
type FilmConfig struct {
	Puddle       physic.Distance `yaml:"puddle"`
	Spread       time.Duration   `yaml:"spread"`
	Cover        physic.Distance `yaml:"cover"`
	Hold         physic.Distance `yaml:"hold"`
	Drain        time.Duration   `yaml:"drain"`
	BlowOff      time.Duration   `yaml:"blow_off"`
	Cling        physic.Distance `yaml:"cling"`
	StillAir     float64         `yaml:"still_air_w_m2k"`
	AirJet       float64         `yaml:"air_jet_w_m2k"`
	Residue      physic.Distance `yaml:"residue"`
	ResidueDecay time.Duration   `yaml:"residue_decay"`
}

// ChamberConfig describes the room and the humid chamber in it.
type ChamberConfig struct {
	RoomTemp   physic.Temperature      `yaml:"room_temp"`
	RoomRH     physic.RelativeHumidity `yaml:"room_rh"`
	Humidify   time.Duration           `yaml:"humidify"`
	Vent       time.Duration           `yaml:"vent"`
	PlateTime  time.Duration           `yaml:"plate_time"`
	PlateWarms float64                 `yaml:"plate_warms_k_m2_per_w"`
	Transfer   float64                 `yaml:"transfer_w_m2k"`
	TempError  physic.Temperature      `yaml:"temp_error"`
	RHError    physic.RelativeHumidity `yaml:"rh_error"`
	TempNoise  physic.Temperature      `yaml:"temp_noise"`
	RHNoise    physic.RelativeHumidity `yaml:"rh_noise"`
}

// LinesConfig describes the input lines and the serial bridge.
type LinesConfig struct {
	StampLag       time.Duration   `yaml:"stamp_lag"`
	StampScatter   time.Duration   `yaml:"stamp_scatter"`
	Beam           time.Duration   `yaml:"beam"`
	WitnessLag     time.Duration   `yaml:"witness_lag"`
	WitnessScatter time.Duration   `yaml:"witness_scatter"`
	WitnessDew     physic.Distance `yaml:"witness_dew"`
	Test           time.Duration   `yaml:"test"`
	Bridge         time.Duration   `yaml:"bridge"`
}

// SupplyConfig describes the programmable supply, the dip rail and switches.
type SupplyConfig struct {
	Max          physic.ElectricPotential  `yaml:"max"`
	SlewUp       rig.Slew                  `yaml:"slew_up"`
	SlewDown     rig.Slew                  `yaml:"slew_down"`
	Settle       physic.ElectricPotential  `yaml:"settle"`
	Limit        physic.ElectricCurrent    `yaml:"limit"`
	Sink         physic.ElectricCurrent    `yaml:"sink"`
	Resistance   physic.ElectricResistance `yaml:"resistance"`
	Command      time.Duration             `yaml:"command"`
	Switch       time.Duration             `yaml:"switch"`
	Gain         rig.Share                 `yaml:"gain"`
	Noise        physic.ElectricPotential  `yaml:"noise"`
	CurrentError rig.Share                 `yaml:"current_error"`
}

// Default returns a plausible bench without faults.
func Default() Config {
	var c Config
	if err := config.Decode("bench.yaml", benchYAML, &c); err != nil {
		panic(err) // embedded in this package and read by its tests
	}
	return c
}

// Check reports values that no bench can have. config.Decode calls it.
func (c Config) Check() []config.Problem {
	var found []config.Problem
	refuse := func(bad bool, what, want string, path ...string) {
		if bad {
			found = append(found, config.Problem{Path: path, What: what, Want: want})
		}
	}
	for _, p := range []struct {
		section, key string
		value        int64
	}{
		{"drip", "max_flow", int64(c.Drip.MaxFlow)}, {"drip", "drop", int64(c.Drip.Drop)},
		{"drip", "gate", int64(c.Drip.Gate)},
		{"spray", "max_flow", int64(c.Spray.MaxFlow)}, {"spray", "area", int64(c.Spray.Area)},
		{"film", "puddle", int64(c.Film.Puddle)}, {"film", "spread", int64(c.Film.Spread)},
		{"film", "cover", int64(c.Film.Cover)}, {"film", "hold", int64(c.Film.Hold)},
		{"film", "drain", int64(c.Film.Drain)}, {"film", "blow_off", int64(c.Film.BlowOff)},
		{"film", "cling", int64(c.Film.Cling)}, {"film", "residue", int64(c.Film.Residue)},
		{"film", "residue_decay", int64(c.Film.ResidueDecay)},
		{"chamber", "humidify", int64(c.Chamber.Humidify)}, {"chamber", "vent", int64(c.Chamber.Vent)},
		{"chamber", "plate_time", int64(c.Chamber.PlateTime)},
		{"supply", "max", int64(c.Supply.Max)}, {"supply", "slew_up", int64(c.Supply.SlewUp)},
		{"supply", "slew_down", int64(c.Supply.SlewDown)}, {"supply", "limit", int64(c.Supply.Limit)},
		{"supply", "sink", int64(c.Supply.Sink)},
	} {
		refuse(p.value <= 0, p.key+" is not above 0", "more than 0", p.section, p.key)
	}
	refuse(c.Drip.Fall <= c.Drip.Gate, "the sensor is not below the drop gate", "fall above gate", "drip", "fall")
	if _, err := physics.LiquidNamed(c.Water.Liquid); err != nil {
		refuse(true, err.Error(), "", "water", "liquid")
	}
	for _, name := range slices.Sorted(maps.Keys(c.Faults)) {
		_, ok := faultNamed(name)
		refuse(!ok, fmt.Sprintf("there is no fault %q", name), "one of "+faultNames(), "faults", name)
	}
	return found
}
