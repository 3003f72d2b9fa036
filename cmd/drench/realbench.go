package main

import (
	"cmp"
	"reflect"

	"drench/drivers/climate"
	"drench/drivers/dut"
	"drench/drivers/power"
	"drench/drivers/pump"
	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// realConfig is how a real bench is wired: the sections of a rig file that
// says bench: real. A part that the bench does not have is left out.
type realConfig struct {
	Lines     lineSection
	Supply    supplySection
	DipSupply supplySection
	UART      uartSection
	Pumps     pumpSection
	Power     powerSection
	Climate   climateSection
	Meters    meterSection
}

// The drivers' own sections, without their rules: those hold only for a part
// that the file has.
type (
	uartSection    dut.Config
	powerSection   power.Config
	climateSection climate.Config
)

// sections are the parts by the keys that the rig file has them under.
func (c *realConfig) sections() map[string]any {
	return map[string]any{
		"lines": &c.Lines, "supply": &c.Supply, "dip_supply": &c.DipSupply, "uart": &c.UART, "pumps": &c.Pumps,
		"power": &c.Power, "climate": &c.Climate, "meters": &c.Meters,
	}
}

// given tells whether the file has a section, which it has not if it is empty.
func given(section any) bool { return !reflect.ValueOf(section).Elem().IsZero() }

// lineSection has the GPIO lines by the channels that they are. Direction and
// hazard follow from the channel; an output starts at 0.
type lineSection struct {
	Detect    *lineConfig `yaml:"detect"`
	Heartbeat *lineConfig `yaml:"heartbeat"`
	Witness   *lineConfig `yaml:"witness"`
	DropGate  *lineConfig `yaml:"drop_gate"`
	EStop     *lineConfig `yaml:"estop"`
	Tray      *lineConfig `yaml:"tray"`
	Lid       *lineConfig `yaml:"lid"`
	Reservoir *lineConfig `yaml:"reservoir"`
	ValveAir  *lineConfig `yaml:"valve_air"`
	RelayDUT  *lineConfig `yaml:"relay_dut"`
	RelayDip  *lineConfig `yaml:"relay_dip"`
	Wake      *lineConfig `yaml:"wake"`
	Reset     *lineConfig `yaml:"reset"`
	LoopTest  *lineConfig `yaml:"loop_test"`
	Deadman   *lineConfig `yaml:"deadman"`
	// Drives are outputs that are no channels: pumps and climate name them.
	Drives map[string]lineConfig `yaml:"drives"`
}

// channels are the lines of channels by name, nil where there is none.
func (s *lineSection) channels() map[string]*lineConfig {
	return map[string]*lineConfig{
		rig.Detect: s.Detect, rig.Heartbeat: s.Heartbeat, rig.Witness: s.Witness, rig.DropGate: s.DropGate,
		rig.EStop: s.EStop, rig.Tray: s.Tray, rig.Lid: s.Lid, rig.Reservoir: s.Reservoir,
		rig.ValveAir: s.ValveAir, rig.RelayDUT: s.RelayDUT, rig.RelayDip: s.RelayDip,
		rig.Wake: s.Wake, rig.Reset: s.Reset, rig.LoopTest: s.LoopTest, rig.Deadman: s.Deadman,
	}
}

// lineConfig says which line, and how it is wired.
type lineConfig struct {
	Line      string `yaml:"line"` // the kernel's name for it, such as GPIO17
	Chip      string `yaml:"chip"` // and offset, where it has none; or beside it, where two chips have it
	Offset    *int   `yaml:"offset"`
	ActiveLow bool   `yaml:"active_low"`
	Bias      string `yaml:"bias"` // up, down or off; "" leaves it as it is
}

// biases are the words for a line's bias.
var biases = map[string]gpio.Pull{"": gpio.PullNoChange, "up": gpio.PullUp, "down": gpio.PullDown, "off": gpio.Float}

// supplySection is a programmable supply.
type supplySection struct {
	Address string `yaml:"address"` // tcp://host:port or serial:///dev/…?baud=9600
	Dialect string `yaml:"dialect"` // a stock one, or a path from the rig file's folder; "" is standard
	// Most is the highest level that is ever asked of it, Current its current
	// limit; both are for what is connected, not for the supply.
	Most    physic.ElectricPotential `yaml:"most"`
	Current physic.ElectricCurrent   `yaml:"current"`
	// OverVoltage is where the supply itself switches off; 0: it is not asked to.
	OverVoltage physic.ElectricPotential `yaml:"over_voltage"`
}

// pumpSection has the pumps by channel.
type pumpSection struct {
	Drip  *pump.Config `yaml:"pump_drip"`
	Spray *pump.Config `yaml:"pump_spray"`
}

// meterSection has gauges that are instruments of their own, such as a bench
// multimeter on the rail: each answers a query with a number.
type meterSection struct {
	Rail       *meterConfig `yaml:"rail"`
	DUTCurrent *meterConfig `yaml:"dut_current"`
	DUTEnergy  *meterConfig `yaml:"dut_energy"`
	AirTemp    *meterConfig `yaml:"air_temp"`
	AirRH      *meterConfig `yaml:"air_rh"`
	PlateTemp  *meterConfig `yaml:"plate_temp"`
}

func (s *meterSection) channels() map[string]*meterConfig {
	return map[string]*meterConfig{
		rig.Rail: s.Rail, rig.DUTCurrent: s.DUTCurrent, rig.DUTEnergy: s.DUTEnergy,
		rig.AirTemp: s.AirTemp, rig.AirRH: s.AirRH, rig.PlateTemp: s.PlateTemp,
	}
}

// meterConfig is an instrument that measures. It answers *IDN? as well, and
// in volt, ampere, joule, °C or % of relative humidity.
type meterConfig struct {
	Address string `yaml:"address"` // as of a supply
	Query   string `yaml:"query"`   // such as MEAS:VOLT?
}

// roles are the channels that a real bench can have, in the order of its table.
// Of one hazard the first goes off first: switches before instruments, which
// may hang.
var roles = []rig.Channel{
	{Name: rig.Detect, Dir: rig.Input}, {Name: rig.Heartbeat, Dir: rig.Input},
	{Name: rig.Witness, Dir: rig.Input}, {Name: rig.DropGate, Dir: rig.Input},
	{Name: rig.EStop, Dir: rig.Input}, {Name: rig.Tray, Dir: rig.Input},
	{Name: rig.Lid, Dir: rig.Input}, {Name: rig.Reservoir, Dir: rig.Input},
	{Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
	{Name: rig.PumpSpray, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
	{Name: rig.ValveAir, Dir: rig.Output, Hazard: rig.Valve},
	{Name: rig.Humidity, Dir: rig.Output, Unit: rig.RelHum, Hazard: rig.Heat},
	{Name: rig.Plate, Dir: rig.Output, Unit: rig.Kelvin, Hazard: rig.Heat},
	{Name: rig.RelayDUT, Dir: rig.Output, Hazard: rig.Supply},
	{Name: rig.RelayDip, Dir: rig.Output, Hazard: rig.Supply},
	{Name: rig.SupplySet, Dir: rig.Output, Unit: rig.Volt, Hazard: rig.Supply},
	{Name: rig.DipRail, Dir: rig.Output, Unit: rig.Volt, Hazard: rig.Supply},
	{Name: rig.Wake, Dir: rig.Output, Hazard: rig.Idle},
	{Name: rig.Reset, Dir: rig.Output, Hazard: rig.Idle},
	{Name: rig.UARTLink, Dir: rig.Output, Hazard: rig.Idle},
	{Name: rig.LoopTest, Dir: rig.Output, Hazard: rig.Idle},
	{Name: rig.Deadman, Dir: rig.Output, Hazard: rig.Idle},
	{Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt},
	{Name: rig.DUTCurrent, Dir: rig.Gauge, Unit: rig.Ampere},
	{Name: rig.DUTEnergy, Dir: rig.Gauge, Unit: rig.Joule},
	{Name: rig.AirTemp, Dir: rig.Gauge, Unit: rig.Kelvin},
	{Name: rig.AirRH, Dir: rig.Gauge, Unit: rig.RelHum},
	{Name: rig.PlateTemp, Dir: rig.Gauge, Unit: rig.Kelvin},
	{Name: rig.UART, Dir: rig.Text, Unit: rig.Chars},
}

// climate is the chamber as its driver wants it, which insists on a sensor for
// what it regulates. Meters may stand in for sensors: then the address and the
// bus, which are for show, are never used.
func (c *realConfig) climate() climate.Config {
	cfg := climate.Config(c.Climate)
	if cfg.Air == nil && c.Meters.AirTemp != nil && c.Meters.AirRH != nil {
		cfg.Air = &climate.AirConfig{Address: "0x44"}
		cfg.Bus = cmp.Or(cfg.Bus, "1")
	}
	if cfg.Plate == nil && c.Meters.PlateTemp != nil {
		cfg.Plate = &climate.PlateConfig{Address: "0x48", Bits: 16}
		cfg.Bus = cmp.Or(cfg.Bus, "1")
	}
	return cfg
}

// providers are the sections that a channel comes from, by the channel.
func (c *realConfig) providers() map[string][]string {
	from := map[string][]string{}
	add := func(have bool, section string, channels ...string) {
		for _, name := range channels {
			if have {
				from[name] = append(from[name], section)
			}
		}
	}
	for name, l := range c.Lines.channels() {
		add(l != nil, "lines", name)
	}
	add(c.Pumps.Drip != nil, "pumps", rig.PumpDrip)
	add(c.Pumps.Spray != nil, "pumps", rig.PumpSpray)
	add(c.Climate.Humidifier != nil, "climate", rig.Humidity)
	add(c.Climate.Cooler != nil, "climate", rig.Plate)
	add(given(&c.Supply), "supply", rig.SupplySet)
	add(given(&c.DipSupply), "dip_supply", rig.DipRail)
	add(given(&c.Power), "power", rig.Rail, rig.DUTCurrent, rig.DUTEnergy)
	add(c.Climate.Air != nil, "climate", rig.AirTemp, rig.AirRH)
	add(c.Climate.Plate != nil, "climate", rig.PlateTemp)
	for name, m := range c.Meters.channels() {
		add(m != nil, "meters", name)
	}
	add(given(&c.UART), "uart", rig.UART, rig.UARTLink)
	return from
}

// table is the bench's table of channels.
func (c *realConfig) table() []rig.Channel {
	from := c.providers()
	var table []rig.Channel
	for _, r := range roles {
		if len(from[r.Name]) > 0 {
			table = append(table, r)
		}
	}
	return table
}

// role returns what a channel of that name is.
func role(name string) (rig.Channel, bool) {
	id, ok := rig.Find(roles, name)
	if !ok {
		return rig.Channel{}, false
	}
	return roles[id], true
}

// Check reports values that can't be right.
func (l lineConfig) Check() []config.Problem {
	var p problems
	p.refuse(l.Line == "" && (l.Chip == "" || l.Offset == nil), "no line is given", "line: with the kernel's name for it, or chip: and offset:")
	p.refuse(l.Line != "" && l.Offset != nil, "both line and offset are given", "one of them", "offset")
	p.refuse(l.Offset != nil && *l.Offset < 0, "offset is negative", "0 or more", "offset")
	_, known := biases[l.Bias]
	p.refuse(!known, "bias is "+quote(l.Bias), "up, down or off", "bias")
	return p
}

// where names the line as far as it is known without the hardware.
func (l lineConfig) where() string {
	switch {
	case l.Line != "":
		return l.Line
	case l.Offset != nil:
		return l.Chip + " line " + itoa(*l.Offset)
	}
	return ""
}
