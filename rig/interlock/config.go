// Package interlock guards a bench: nothing is energised except through it.
package interlock

import (
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// DefaultPumpRest is how long a pump must have been off before its on-time
// counts anew: longer than any instant at which a script sets it to 0, shorter
// than the waits between doses (common practice, no source).
const DefaultPumpRest = time.Second

// Config is the part of a rig file that says what is watched and allowed. A
// scenario can read none of it and change none of it.
type Config struct {
	// Inputs are the interlock lines that this rig has. Each reads 1 while all
	// is well; 0, as from a broken wire, is a trip.
	Inputs []string `yaml:"inputs" json:"inputs,omitempty"`
	// Tests are outputs that open the loops of inputs, by input: each at 1
	// through a relay's contact, so that the rig can see the input open before a
	// run. One line may open several. They energise nothing else (rig.Idle).
	Tests map[string]string `yaml:"tests" json:"tests,omitempty"`
	// PumpOn is the longest that a pump may run in one go: its running time,
	// summed, since it last rested for PumpRest. A shorter pause neither counts
	// nor begins a new go. 0 is DefaultPumpRest.
	PumpOn   time.Duration `yaml:"pump_on" json:"pump_on,omitempty"`
	PumpRest time.Duration `yaml:"pump_rest" json:"pump_rest,omitempty"`
	// Volume is the most water that a run may deliver, all pumps together, by
	// the flow asked for.
	Volume rig.Volume `yaml:"volume" json:"volume,omitempty"`
	// OverCurrent, OverVoltage and OverTemp are trip levels of the DUT's
	// current, its rail and the plate or air; 0 means not watched.
	OverCurrent physic.ElectricCurrent   `yaml:"over_current" json:"over_current,omitempty"`
	OverVoltage physic.ElectricPotential `yaml:"over_voltage" json:"over_voltage,omitempty"`
	OverTemp    physic.Temperature       `yaml:"over_temp" json:"over_temp,omitempty"`
	// Poll is how often gauges are read for the trips above; a gauge that can't
	// be read for Stale is a trip as well (link lost).
	Poll  time.Duration `yaml:"poll" json:"poll,omitempty"`
	Stale time.Duration `yaml:"stale" json:"stale,omitempty"`
}
