package main

import (
	"cmp"
	"fmt"
	"maps"
	"net/url"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"drench/drivers/dut"
	"drench/drivers/power"
	"drench/drivers/pump"
	"drench/drivers/supply"
	"drench/drivers/virtual"
	"drench/rig"
	"drench/rig/config"
	"drench/rig/interlock"
)

func quote(s string) string { return strconv.Quote(s) }
func itoa(n int) string     { return strconv.Itoa(n) }

// problems collects what is wrong with a rig file.
type problems []config.Problem

func (p *problems) refuse(bad bool, what, want string, path ...string) {
	if bad {
		*p = append(*p, config.Problem{Path: path, What: what, Want: want})
	}
}

// under adds a driver's own problems below a path.
func (p *problems) under(found []config.Problem, path ...string) {
	for _, f := range found {
		*p = append(*p, config.Problem{Path: slices.Concat(path, f.Path), What: f.What, Want: f.Want})
	}
}

// checkBench finds what is wrong with a rig file's sections when they are seen
// together; what each value may be has been checked.
func checkBench(l *config.Loaded, world virtual.Config, c *realConfig) error {
	var p problems
	if l.Bench != config.Real {
		sections := c.sections()
		for _, name := range slices.Sorted(maps.Keys(sections)) {
			p.refuse(given(sections[name]), name+" is for a real bench, and this one is "+l.Bench, "bench: real, or a rig file without "+name, name)
		}
		p.watched(l.Interlock, func(name string) bool { _, known := role(name); return known }, "of the virtual bench")
		return l.Place(p)
	}
	p.refuse(!reflect.DeepEqual(world, virtual.Default()), "virtual is for a virtual bench, and this one is real", "a rig file without it", "virtual")
	p.lines(c)
	p.interlock(l, c)
	p.pumps(l, c)
	p.supply("supply", c.Supply, l)
	p.supply("dip_supply", c.DipSupply, l)
	p.instruments(l, c)
	p.calibration(l.Calibration, c)
	for _, name := range slices.Sorted(maps.Keys(c.providers())) {
		if from := c.providers()[name]; len(from) > 1 {
			p.refuse(true, fmt.Sprintf("channel %s is given twice, by %s", name, strings.Join(from, " and by ")), "one of them", from[1], name)
		}
	}
	return l.Place(p)
}

// lines checks that no line is used twice, and that drives are used.
func (p *problems) lines(c *realConfig) {
	first := map[string]string{}
	claim := func(l lineConfig, user string, path ...string) {
		where := l.where()
		if where == "" {
			return
		}
		p.refuse(first[where] != "", fmt.Sprintf("%s is the line of %s already", where, first[where]), "a line of its own for each", path...)
		first[where] = user
	}
	for _, r := range roles {
		if l := c.Lines.channels()[r.Name]; l != nil {
			claim(*l, r.Name, "lines", r.Name)
		}
	}
	used := p.drives(c)
	for _, name := range slices.Sorted(maps.Keys(c.Lines.Drives)) {
		claim(c.Lines.Drives[name], name, "lines", "drives", name)
		_, isRole := role(name)
		p.refuse(isRole, name+" is a channel, no drive", "another name, such as "+name+"_motor", "lines", "drives", name)
		p.refuse(!isRole && used[name] == "", "drive "+name+" drives nothing", "pumps or climate to name it, or no such line", "lines", "drives", name)
	}
}

// drives checks the outputs that pumps and climate name, and returns their
// users.
func (p *problems) drives(c *realConfig) map[string]string {
	used := map[string]string{}
	use := func(drive string, path ...string) {
		if drive == "" { // missing, or there is none
			return
		}
		_, ok := c.Lines.Drives[drive]
		r, isRole := role(drive)
		what, want := drive+" is no drive of this bench", "one of lines.drives: "+strings.Join(slices.Sorted(maps.Keys(c.Lines.Drives)), ", ")
		if isRole && r.Dir == rig.Input {
			what, want = drive+" is an input", "an output out of lines.drives"
		} else if isRole {
			what = drive + " is a channel of its own"
		}
		p.refuse(!ok, what, want, path...)
		p.refuse(ok && used[drive] != "", fmt.Sprintf("drive %s is used by %s already", drive, used[drive]), "a line of its own for each", path...)
		used[drive] = strings.Join(path, ".")
	}
	for _, name := range slices.Sorted(maps.Keys(c.pumps())) {
		cfg := c.pumps()[name]
		if cfg.Relay != nil {
			use(cfg.Relay.Line, "pumps", name, "relay", "line")
		}
		if s := cfg.Stepper; s != nil {
			use(s.Step, "pumps", name, "stepper", "step")
			use(s.Dir, "pumps", name, "stepper", "dir")
			use(s.Enable, "pumps", name, "stepper", "enable")
		}
	}
	if h := c.Climate.Humidifier; h != nil {
		use(h.Line, "climate", "humidifier", "line")
	}
	if h := c.Climate.Cooler; h != nil {
		use(h.Line, "climate", "cooler", "line")
	}
	return used
}

// pumps are the pumps by channel.
func (c *realConfig) pumps() map[string]pump.Config {
	m := map[string]pump.Config{}
	for name, cfg := range map[string]*pump.Config{rig.PumpDrip: c.Pumps.Drip, rig.PumpSpray: c.Pumps.Spray} {
		if cfg != nil {
			m[name] = *cfg
		}
	}
	return m
}

// watched checks that the interlock's lines are there, on a bench that has the
// channels that wired says.
func (p *problems) watched(c interlock.Config, wired func(name string) bool, of string) {
	for i, name := range c.Inputs {
		r, known := role(name)
		path := []string{"interlock", "inputs", strconv.Itoa(i)}
		switch {
		case known && r.Dir != rig.Input:
			p.refuse(true, fmt.Sprintf("%s is an %v", name, r.Dir), "an input line", path...)
		case !wired(name):
			p.refuse(true, name+" is not wired", "an input "+of, path...)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(c.Tests)) {
		line := c.Tests[name]
		p.refuse(line != rig.LoopTest || !wired(line), line+" is no test line of this bench", rig.LoopTest+" "+of, "interlock", "tests", name)
	}
}

// interlock checks that what is to be watched is there.
func (p *problems) interlock(l *config.Loaded, c *realConfig) {
	from := c.providers()
	p.watched(l.Interlock, func(name string) bool { return len(from[name]) > 0 }, "out of lines")
	over := l.Interlock
	for _, g := range []struct {
		key, channel string
		watched      bool
	}{
		{"over_current", rig.DUTCurrent, over.OverCurrent > 0}, {"over_voltage", rig.Rail, over.OverVoltage > 0},
	} {
		p.refuse(g.watched && len(from[g.channel]) == 0, fmt.Sprintf("%s needs the gauge %s, which this bench lacks", g.key, g.channel),
			"power or meters to have it, or no "+g.key, "interlock", g.key)
	}
	p.refuse(over.OverTemp > 0 && len(from[rig.PlateTemp])+len(from[rig.AirTemp]) == 0, "over_temp needs a gauge of plate or air, which this bench lacks",
		"climate or meters to have it, or no over_temp", "interlock", "over_temp")
	p.refuse(given(&c.Power) && over.OverCurrent >= c.Power.MaxCurrent && c.Power.MaxCurrent > 0,
		fmt.Sprintf("over_current is %v, and power measures up to %v", rig.Of(over.OverCurrent), rig.Of(c.Power.MaxCurrent)), "less than that, or a higher power.max_current: a current that is not measured trips nothing", "interlock", "over_current")
}

// pumps checks that a pump can be stopped without software, and that it gives
// the flow that scenarios ask for.
func (p *problems) pumps(l *config.Loaded, c *realConfig) {
	p.refuse(len(c.pumps()) > 0 && c.Lines.Deadman == nil, "a pump needs a dead-man line", "lines.deadman, to the timer that feeds the pumps' relay", "pumps")
	p.refuse(len(c.pumps()) > 0 && !slices.Contains(l.Interlock.Inputs, rig.Tray), "a pump needs the interlock input "+rig.Tray,
		"inputs with "+rig.Tray+", which opens above the tray", "interlock", "inputs")
	drip := c.Pumps.Drip
	if drip == nil || drip.Relay == nil {
		return
	}
	rate, flow := l.Calibration.Drip.Asked(), drip.Relay.Flow
	most := float64(flow) * float64(drip.Relay.Tolerance) / 1e9
	p.refuse(rate > 0 && flow > 0 && float64(max(rate-flow, flow-rate)) > most,
		fmt.Sprintf("the pump's flow is %v, and %v is asked for by calibration.drip", flow, rate), "the same: that is what doses ask for", "pumps", rig.PumpDrip, "relay", "flow")
}

// supply checks a programmable supply.
func (p *problems) supply(key string, s supplySection, l *config.Loaded) {
	if !given(&s) {
		return
	}
	p.address(s.Address, key, "address")
	p.refuse(s.Most <= 0, "most is missing or not above 0", `the highest level that may be asked of it, such as "4 V"`, key, "most")
	p.refuse(s.Current <= 0, "current is missing or not above 0", `its current limit, such as "500 mA"`, key, "current")
	p.refuse(s.OverVoltage < 0 || s.OverVoltage > 0 && s.OverVoltage <= s.Most, fmt.Sprintf("over_voltage is %v", rig.Of(s.OverVoltage)),
		"more than most, or nothing", key, "over_voltage")
	d, err := s.dialect(l)
	if err != nil {
		p.refuse(true, err.Error(), "", key, "dialect")
		return
	}
	p.refuse(s.Most > d.Voltage.Max, fmt.Sprintf("most is %v, and %s goes up to %v", rig.Of(s.Most), d.Name, rig.Of(d.Voltage.Max)), "no more than that", key, "most")
	p.refuse(s.Current > d.Current.Max, fmt.Sprintf("current is %v, and %s goes up to %v", rig.Of(s.Current), d.Name, rig.Of(d.Current.Max)), "no more than that", key, "current")
}

// dialect reads how the supply wants to be spoken to.
func (s supplySection) dialect(l *config.Loaded) (supply.Dialect, error) {
	return supply.LoadDialect(cmp.Or(s.Dialect, "standard"), filepath.Dir(l.Source.Name))
}

// address checks the address of an instrument as far as that can be done
// without it.
func (p *problems) address(a string, path ...string) {
	u, err := url.Parse(a)
	ok := err == nil && (u.Scheme == "tcp" && u.Hostname() != "" || u.Scheme == "serial" && len(u.Path) > 1)
	p.refuse(!ok, "address is "+quote(a), "tcp://host:port or serial:///dev/serial/by-id/…?baud=9600", path...)
}

// instruments checks the parts with rules of their own.
func (p *problems) instruments(l *config.Loaded, c *realConfig) {
	p.refuse(given(&c.DipSupply) && !given(&c.Supply), "a dip supply without a supply", "supply as well", "dip_supply")
	if given(&c.UART) {
		p.under(dut.Config(c.UART).Check(), "uart")
	}
	if given(&c.Power) {
		p.under(power.Config(c.Power).Check(), "power")
	}
	if given(&c.Climate) {
		p.under(c.climate().Check(), "climate")
	}
	for _, name := range slices.Sorted(maps.Keys(c.Meters.channels())) {
		if m := c.Meters.channels()[name]; m != nil {
			p.address(m.Address, "meters", name, "address")
			p.refuse(!strings.Contains(m.Query, "?"), "query is "+quote(m.Query), "a query such as MEAS:VOLT?", "meters", name, "query")
		}
	}
}

// calibration asks for that of each part that verdicts lean on.
func (p *problems) calibration(cal rig.Calibration, c *realConfig) {
	from := c.providers()
	for _, need := range []struct {
		channel, key string
		have         bool
	}{
		{rig.Witness, "witness", cal.Witness.U > 0}, {rig.DropGate, "drop_gate", cal.Gate.FallU > 0},
		{rig.PumpDrip, "drip", cal.Drip.Rate > 0}, {rig.PumpSpray, "spray", cal.Spray.Area > 0},
		{rig.SupplySet, "supply", cal.Supply.SlewUp > 0}, {rig.DUTEnergy, "power", cal.Power.U > 0},
		{rig.Plate, "chamber", cal.Chamber.Transfer > 0},
	} {
		p.refuse(len(from[need.channel]) > 0 && !need.have, fmt.Sprintf("calibration.%s is missing, and this bench has %s", need.key, need.channel),
			"what that part does and how sure that is; docs/pi-bench.md says how to find out", "calibration", need.key)
	}
}
