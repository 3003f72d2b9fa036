package rig

import (
	"time"

	"periph.io/x/conn/v3/physic"
)

// DUT is what the maker of a device claims, and how to read what it prints.
// It comes from a profile file and travels in the timeline's header, so that
// measures need nothing else.
type DUT struct {
	Name     string                   `yaml:"name" json:"name"`
	Supply   physic.ElectricPotential `yaml:"supply" json:"supply"`
	Detect   DetectSpec               `yaml:"detect" json:"detect"`
	Sampling SamplingSpec             `yaml:"sampling" json:"sampling"`
	// Heartbeat is the time between two edges of the heartbeat line, sleep
	// included; the line toggles, so its full period is twice that.
	Heartbeat time.Duration `yaml:"heartbeat" json:"heartbeat"`
	// StartUp is the longest time from a good rail to the first heartbeat.
	StartUp  time.Duration            `yaml:"start_up" json:"start_up"`
	DropOut  physic.ElectricPotential `yaml:"drop_out" json:"drop_out"` // stops below
	Recovery physic.ElectricPotential `yaml:"recovery" json:"recovery"` // starts above
	UART     UARTSpec                 `yaml:"uart" json:"uart"`
	// Settings are the values that the settings line must show, by group name.
	Settings map[string]string `yaml:"settings" json:"settings,omitempty"`
}

// DetectSpec describes the detect output.
type DetectSpec struct {
	ActiveLow bool `yaml:"active_low" json:"active_low,omitempty"` // undone by the bench: events are 1 for liquid
	Latching  bool `yaml:"latching" json:"latching,omitempty"`     // stays until reset
}

// SamplingSpec describes when the DUT looks.
type SamplingSpec struct {
	Period     time.Duration `yaml:"period" json:"period"`
	Readings   int           `yaml:"readings" json:"readings"`     // in a row over the threshold
	Conversion time.Duration `yaml:"conversion" json:"conversion"` // from the sample to the detect line
}

// UARTSpec describes the text that the DUT prints: regular expressions (Go
// syntax) with named groups. Reading has raw and diff, and may have detect;
// Banner marks a start-up; Settings has a group for each setting.
type UARTSpec struct {
	Baud     int    `yaml:"baud" json:"baud"`
	Reading  string `yaml:"reading" json:"reading,omitempty"`
	Banner   string `yaml:"banner" json:"banner,omitempty"`
	Settings string `yaml:"settings" json:"settings,omitempty"`
}

// Calibration is what the rig knows about itself. Each U is a standard
// uncertainty (JCGM 100). It travels in the timeline's header.
type Calibration struct {
	Drip    DripCal    `yaml:"drip" json:"drip"`
	Gate    GateCal    `yaml:"drop_gate" json:"drop_gate"`
	Witness LagCal     `yaml:"witness" json:"witness"`
	Stamp   LagCal     `yaml:"stamp" json:"stamp"` // of an edge: bias and its uncertainty
	Spray   SprayCal   `yaml:"spray" json:"spray"`
	Supply  SupplyCal  `yaml:"supply" json:"supply"`
	Power   ShareCal   `yaml:"power" json:"power"` // energy reading: gain error
	Chamber ChamberCal `yaml:"chamber" json:"chamber"`
}

// LagCal is a delay and its uncertainty.
type LagCal struct {
	Lag time.Duration `yaml:"lag" json:"lag"`
	U   time.Duration `yaml:"u" json:"u"`
}

// ShareCal is a relative standard uncertainty.
type ShareCal struct {
	U Share `yaml:"u" json:"u"`
}

// DripCal describes the drip pump: gravimetric calibration (ISO 8655-6).
type DripCal struct {
	// Rate is what the pump delivers when Flow is asked of it; without a Flow the
	// two are the same.
	Rate  Flow          `yaml:"rate" json:"rate"`
	Flow  Flow          `yaml:"flow" json:"flow,omitempty"`
	RateU Share         `yaml:"rate_u" json:"rate_u"`
	Drop  Volume        `yaml:"drop" json:"drop"`
	Lag   time.Duration `yaml:"lag" json:"lag"` // pump command to the first drop on the sensor
	LagU  time.Duration `yaml:"lag_u" json:"lag_u"`
	// LineVolume is what fills the tube from reservoir to tip; priming gives it and more.
	LineVolume Volume `yaml:"line_volume" json:"line_volume"`
}

// Asked is the flow that the pump is told to deliver.
func (c DripCal) Asked() Flow {
	if c.Flow > 0 {
		return c.Flow
	}
	return c.Rate
}

// GateCal describes the drop gate: how long a drop takes from breaking the
// beam to the sensor.
type GateCal struct {
	Fall  time.Duration `yaml:"fall" json:"fall"`
	FallU time.Duration `yaml:"fall_u" json:"fall_u"`
}

// SprayCal describes the spray nozzle.
type SprayCal struct {
	Area  Surface       `yaml:"area" json:"area"` // that the nozzle wets
	RateU Share         `yaml:"rate_u" json:"rate_u"`
	Lag   time.Duration `yaml:"lag" json:"lag"`
	LagU  time.Duration `yaml:"lag_u" json:"lag_u"`
}

// SupplyCal describes what the programmable supply and the dip switch can do.
type SupplyCal struct {
	SlewUp   Slew                     `yaml:"slew_up" json:"slew_up"`
	SlewDown Slew                     `yaml:"slew_down" json:"slew_down"`
	Switch   time.Duration            `yaml:"switch" json:"switch"` // dip switch: operate time with bounce
	RailU    physic.ElectricPotential `yaml:"rail_u" json:"rail_u"` // rail readback
}

// ChamberCal describes the humid chamber over the cooled plate.
type ChamberCal struct {
	// Transfer is the convective heat transfer coefficient over the plate in
	// milliwatt a square metre and kelvin, from weighing condensate.
	Transfer  int64                   `yaml:"transfer_mw_m2k" json:"transfer_mw_m2k"`
	TransferU Share                   `yaml:"transfer_u" json:"transfer_u"`
	AirTempU  physic.Temperature      `yaml:"air_temp_u" json:"air_temp_u"`
	AirRHU    physic.RelativeHumidity `yaml:"air_rh_u" json:"air_rh_u"`
	PlateU    physic.Temperature      `yaml:"plate_u" json:"plate_u"`
}
