package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"drench/drivers/gpio"
	"drench/drivers/supply"
	"drench/rig"
	"drench/rig/calibration"
)

func (p *patient) hasLines() bool { return p.bench.isReal() && len(p.bench.real.Lines.all()) > 0 }
func (p *patient) hasLoop() bool  { return p.loop.given() }

func (p *patient) gpioChips(context.Context) []finding {
	chips, err := p.chips()
	if err != nil {
		what, _, _ := strings.Cut(err.Error(), "; ")
		return ill(broken, what, "use a board with GPIO lines and a kernel of 5.10 or later, and run as a user in the group that owns /dev/gpiochip0 (mostly gpio)")
	}
	var out []finding
	for _, c := range chips {
		used := 0
		for _, l := range c.Lines {
			if l.Used {
				used++
			}
		}
		out = append(out, well("%v, %d lines, %d in use", c, len(c.Lines), used)...)
	}
	return out
}

// located is a line of a chip.
type located struct {
	path, chip string
	offset     int
	info       gpio.LineInfo
}

// locate finds the one line that the rig file means.
func locate(chips []gpio.Chip, l lineConfig) (located, error) {
	var found []located
	var names []string
	for _, c := range chips {
		if l.Chip != "" && l.Chip != c.Name && l.Chip != c.Label && l.Chip != c.Path && !slices.Contains(c.Links, l.Chip) {
			continue
		}
		for offset, info := range c.Lines {
			names = append(names, info.Name)
			if l.Line != "" && l.Line == info.Name || l.Line == "" && l.Offset != nil && *l.Offset == offset {
				found = append(found, located{c.Path, c.String(), offset, info})
			}
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return located{}, fmt.Errorf("%s is %d lines; give chip and offset in the rig file", l.where(), len(found))
	}
	want := "give a name that gpioinfo shows, or chip and offset"
	if i := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(n, l.Line) }); i >= 0 {
		want = names[i] + ", perhaps: capitals matter"
	}
	return located{}, fmt.Errorf("no chip has %s; %s", l.where(), want)
}

// gpioLines looks for each line of the rig file, and whether it is free.
func (p *patient) gpioLines(context.Context) []finding {
	chips, err := p.chips()
	if err != nil {
		return ill(broken, "can't be looked at without chips", "see GPIO chips")
	}
	var out []finding
	lines := p.bench.real.Lines.all()
	for _, name := range slices.Sorted(maps.Keys(lines)) {
		f := lineFinding(chips, lines[name])
		f.Check = "line " + name
		out = append(out, f)
	}
	return out
}

func lineFinding(chips []gpio.Chip, l lineConfig) finding {
	at, err := locate(chips, l)
	if err != nil {
		what, mend, _ := strings.Cut(err.Error(), "; ")
		return finding{Grade: broken, Found: what, Mend: mend}
	}
	found := fmt.Sprintf("%s is line %d of %s", l.where(), at.offset, at.chip)
	if at.info.Used {
		return finding{Grade: broken, Found: fmt.Sprintf("%s, held by %q", found, cmp.Or(at.info.Consumer, "an unnamed user")),
			Mend: "end that program, take that overlay out of the board's configuration, or wire another line"}
	}
	return finding{Grade: fine, Found: found + ", free"}
}

// busNames are the I2C buses that the rig file names.
func (p *patient) busNames() []string {
	var names []string
	if p.bench.isReal() {
		names = append(names, p.bench.real.Power.Bus, p.bench.real.Climate.Bus)
	}
	slices.Sort(names)
	return slices.DeleteFunc(slices.Compact(names), func(s string) bool { return s == "" })
}

func (p *patient) hasBuses() bool { return len(p.busNames()) > 0 }

func (p *patient) buses(context.Context) []finding {
	var out []finding
	for _, name := range p.busNames() {
		f := p.device("/dev/i2c-"+name, "switch on I2C in the board's configuration (dtparam=i2c_arm=on), or correct bus in the rig file")
		f.Check = "I2C bus " + name
		out = append(out, f)
	}
	return out
}

// device tells whether a device file is there and may be opened. It is not
// opened: on a serial bridge that would raise DTR, which resets some boards.
func (p *patient) device(name, missing string) finding {
	path := filepath.Join(p.root, name)
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return finding{Grade: broken, Found: name + " is not there", Mend: missing}
	case err != nil:
		return finding{Grade: broken, Found: err.Error(), Mend: missing}
	}
	if err := p.access(path); err != nil {
		return finding{Grade: broken, Found: fmt.Sprintf("%s may not be opened by user %d: %v", name, p.uid, err),
			Mend: fmt.Sprintf("add the user to the group %s (sudo usermod -aG %[1]s USER) and log in again", p.owner(info))}
	}
	return finding{Grade: fine, Found: name + " may be opened"}
}

// owner is the group that owns a file.
func (p *patient) owner(info fs.FileInfo) string {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return p.groupName(int(s.Gid))
	}
	return "that owns it"
}

const byID = "/dev/serial/by-id"

// portNames are the serial devices of the rig file, with what they are for.
func (p *patient) portNames() map[string]string {
	names := map[string]string{}
	if !p.bench.isReal() {
		return names
	}
	if port := p.bench.real.UART.Port; port != "" {
		names["the DUT's UART"] = port
	}
	for name, s := range p.supplies() {
		if rest, ok := strings.CutPrefix(s.Address, "serial://"); ok {
			names[name], _, _ = strings.Cut(rest, "?")
		}
	}
	return names
}

func (p *patient) hasPorts() bool { return len(p.portNames()) > 0 }

func (p *patient) ports(context.Context) []finding {
	var there []string
	entries, _ := os.ReadDir(filepath.Join(p.root, byID)) // none: nothing is plugged in
	for _, e := range entries {
		there = append(there, byID+"/"+e.Name())
	}
	mend := "plug it in; no serial bridge is"
	if len(there) > 0 {
		mend = "plug it in, or name one of " + strings.Join(there, ", ")
	}
	var out []finding
	names := p.portNames()
	for _, what := range slices.Sorted(maps.Keys(names)) {
		f := p.device(names[what], mend)
		f.Check = "port of " + what
		if f.Grade == fine && strings.HasPrefix(names[what], "/dev/ttyUSB") {
			f = finding{f.Check, doubtful, f.Found + ", but its number may be another after it was unplugged", "name it by " + byID}
		}
		out = append(out, f)
	}
	return out
}

// supplies are the instruments of the rig file that give voltage.
func (p *patient) supplies() map[string]supplySection {
	m := map[string]supplySection{}
	for name, s := range map[string]supplySection{rig.SupplySet: p.bench.real.Supply, rig.DipRail: p.bench.real.DipSupply} {
		if p.bench.isReal() && given(&s) {
			m[name] = s
		}
	}
	return m
}

func (p *patient) hasInstruments() bool {
	return len(p.supplies())+len(p.meters()) > 0
}

// meters are the instruments of the rig file that only measure.
func (p *patient) meters() map[string]meterConfig {
	m := map[string]meterConfig{}
	for name, c := range p.bench.real.Meters.channels() {
		if p.bench.isReal() && c != nil {
			m["meter of "+name] = *c
		}
	}
	return m
}

// instrumentWithin is how long an instrument may take to say who it is.
const instrumentWithin = 5 * time.Second

// instruments asks each instrument who it is; nothing is set.
func (p *patient) instruments(ctx context.Context) []finding {
	asked := map[string]supply.Config{}
	for name, s := range p.supplies() {
		d, err := s.dialect(p.bench.rig)
		if err != nil { // checked with the rig file
			return ill(broken, err.Error(), "correct dialect in the rig file")
		}
		asked[name] = supply.Config{Address: s.Address, Dialect: d}
	}
	for name, m := range p.meters() {
		d, err := supply.LoadDialect("minimal", "")
		if err != nil {
			return ill(broken, err.Error(), "use a drench that was built whole")
		}
		asked[name] = supply.Config{Address: m.Address, Dialect: d}
	}
	var out []finding
	for _, name := range slices.Sorted(maps.Keys(asked)) {
		cfg := asked[name]
		cfg.Redial.Attempts = 1
		ctx, cancel := context.WithTimeout(ctx, instrumentWithin)
		id, err := p.identify(ctx, cfg)
		cancel()
		f := finding{name, fine, fmt.Sprintf("%v at %s", id, cfg.Address), ""}
		if err != nil {
			f = finding{name, broken, fmt.Sprintf("%s: %v", cfg.Address, err), "switch it on, look at cable, address and rate, and set it to remote"}
		}
		out = append(out, f)
	}
	return out
}

func identify(ctx context.Context, cfg supply.Config) (supply.Identity, error) {
	s, err := supply.Dial(ctx, cfg)
	if err != nil {
		return supply.Identity{}, err
	}
	id, err := s.Identify(ctx)
	return id, errors.Join(err, s.Close())
}

// doctorEdges are enough to see whether the wire is there and stamps are near.
const doctorEdges = 100

// loopBackWire measures how late edges are stamped, and compares that with
// what the rig file says of them.
func (p *patient) loopBackWire(ctx context.Context) []finding {
	const mend = "look at the wire from --out to --in, and that both lines are free"
	chips, err := p.chips()
	if err == nil {
		err = p.loop.spare(chips, &p.bench.real.Lines)
	}
	if err != nil {
		return ill(broken, err.Error(), mend)
	}
	l, err := p.loopBack(ctx, p.loop, doctorEdges)
	if err != nil {
		return ill(broken, err.Error(), mend)
	}
	cal, err := l.Calibration()
	if err != nil {
		return ill(broken, err.Error(), mend)
	}
	d := l.SinceBefore()
	found := fmt.Sprintf("%d edges of %d, stamped late by %v (u %v), at most %v", len(l.Samples), doctorEdges, cal.Lag, cal.U, d.Max)
	have := p.stamp()
	switch {
	case l.Missed+l.Gaps > 0:
		return ill(broken, fmt.Sprintf("%s; %d missed, %d gaps", found, l.Missed, l.Gaps), mend)
	case max(cal.Lag-have.Lag, have.Lag-cal.Lag) > 3*have.U || cal.U > 3*have.U:
		return ill(doubtful, fmt.Sprintf("%s; the rig file says %v (u %v)", found, have.Lag, have.U), "calibrate with drench calibrate timing --out "+p.loop.Out+" --in "+p.loop.In)
	}
	return well("%s", found)
}

// stamp is the calibration of edge stamps in force.
func (p *patient) stamp() rig.LagCal {
	records, err := calibration.OfRig(p.bench.rig)
	if err != nil { // told by the check of calibrations
		return p.bench.rig.Calibration.Stamp
	}
	return calibration.Apply(p.bench.rig.Calibration, records...).Stamp
}
