package config

import (
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"drench/rig"
	"drench/rig/interlock"
	"drench/rig/mistake"

	"periph.io/x/conn/v3/physic"
)

// Rig is a rig file, but for the sections that belong to drivers.
type Rig struct {
	Name        string          `yaml:"name"`
	Bench       string          `yaml:"bench"` // Virtual or Real
	DUT         string          `yaml:"dut"`   // a stock profile, or a path from the rig file's folder
	Calibration rig.Calibration `yaml:"calibration"`
	// Calibrations are files of calibration records, from the rig file's
	// folder, whose values count instead of those in Calibration.
	Calibrations []string         `yaml:"calibrations"`
	Interlock    interlock.Config `yaml:"interlock"`
}

// Kinds of bench.
const (
	Virtual = "virtual"
	Real    = "real"
)

// Loaded is a rig file that was read without complaint.
type Loaded struct {
	Rig
	Source Source
	// CalibrationFiles are the files of Calibrations, in that order, as they
	// stand; package calibration decodes them.
	CalibrationFiles []Source
	tree             *tree
}

// LoadRig reads the rig file at path, or the stock rig if path is "".
// sections has, for each further top-level key that drivers know, a pointer to
// the struct to decode it into (see [Decode]), preset with its defaults.
//
// A file that says something wrong gives [Errors].
func LoadRig(path string, sections map[string]any) (*Loaded, error) {
	read := readFile
	if path == "" {
		path, read = "stock/rig.yaml", readStock
	}
	src, err := read(path)
	if err != nil {
		return nil, fmt.Errorf("read rig file: %w", err)
	}
	l := &Loaded{Source: src, tree: parse(path, src.Text)}
	l.Interlock.Poll, l.Interlock.Stale, l.Interlock.PumpRest = 200*time.Millisecond, time.Second, interlock.DefaultPumpRest
	if err := decode(l.tree, &l.Rig, sections); err != nil {
		return nil, err
	}
	l.tree.report(place{{l.tree.root, l.tree.root}}, append(l.problems(), l.readCalibrations()...))
	if err := l.tree.err(); err != nil {
		return nil, err
	}
	return l, nil
}

// readCalibrations reads the files of calibration records.
func (l *Loaded) readCalibrations() []Problem {
	r := l.tree.rules()
	for i, name := range l.Calibrations {
		path := fmt.Sprintf("calibrations.%d", i)
		if strings.TrimSpace(name) == "" || slices.Contains(l.Calibrations[:i], name) {
			r.refuse(true, path, mistake.Quote(name)+" is empty or there twice", "each file of a calibration record once")
			continue
		}
		if !filepath.IsAbs(name) {
			name = filepath.Join(filepath.Dir(l.Source.Name), name)
		}
		src, err := readFile(name)
		if err != nil {
			r.refuse(true, path, err.Error(), "the file of a calibration record, by its path from this file's folder")
			continue
		}
		l.CalibrationFiles = append(l.CalibrationFiles, src)
	}
	return r.found
}

// Place gives problems, with paths from the top of the rig file, their lines:
// for what shows only when parts of the file are seen together, or beside the
// hardware. It returns nil if there are none, or else [Errors].
func (l *Loaded) Place(problems []Problem) error {
	t := *l.tree // which has no errors, and keeps none
	t.report(place{{t.root, t.root}}, problems)
	return t.err()
}

// ProfileSource finds the profile of the rig's DUT.
func (l *Loaded) ProfileSource() (Source, error) {
	src, err := findProfile(l.DUT, filepath.Dir(l.Source.Name))
	if err != nil {
		return src, fmt.Errorf("read DUT profile: %w", err)
	}
	return src, nil
}

// LoadProfile reads the profile of the rig's DUT, see [Loaded.ReadProfile].
func (l *Loaded) LoadProfile(model any) (rig.DUT, Source, error) {
	src, err := l.ProfileSource()
	if err != nil {
		return rig.DUT{}, src, err
	}
	return l.ReadProfile(src, nil, model)
}

// ReadProfile reads a profile with settings over it (see [ReadProfile]), and
// checks that it goes together with the rig.
func (l *Loaded) ReadProfile(src Source, settings Overlay, model any) (rig.DUT, Source, error) {
	d, src, err := ReadProfile(src, settings, model)
	if err != nil {
		return d, src, err
	}
	over := l.Interlock.OverVoltage
	if over > 0 && over <= d.Supply {
		err = l.Place([]Problem{{[]string{"interlock", "over_voltage"},
			fmt.Sprintf("over_voltage is %v, no more than the supply of %s", rig.Of(over), mistake.Quote(d.Name)),
			fmt.Sprintf("more than %v, and more than any level that a scenario sets", rig.Of(d.Supply))}})
	}
	return d, src, err
}

// problems are the values that no rig can have.
func (l *Loaded) problems() []Problem {
	r := l.tree.rules()
	for _, f := range []struct{ key, value, want string }{
		{"name", l.Name, "a name for the rig, for reports"},
		{"bench", l.Bench, "virtual or real"},
		{"dut", l.DUT, "a stock DUT (" + strings.Join(StockProfiles(), ", ") + ") or a path to a profile"},
	} {
		r.refuse(strings.TrimSpace(f.value) == "", f.key, f.key+" is missing", f.want)
	}
	r.refuse(l.Bench != "" && l.Bench != Virtual && l.Bench != Real, "bench", "bench is "+mistake.Quote(l.Bench), "virtual or real")
	r.refuse(l.Bench == Real && l.Name == Virtual, "name", "a real bench is called virtual", "another name: reports go by it")
	r.calibration(l.Calibration)
	r.interlock(l.Interlock)
	return r.found
}

// calibration checks the parts that the file has: a rig without a spray pump
// need not calibrate one. Edge stamps every rig has.
func (r *rules) calibration(c rig.Calibration) {
	stamp := entry{"calibration.stamp.u", rig.Of(c.Stamp.U)}
	r.positive(stamp)
	for _, part := range []struct {
		path                  string
		positive, notNegative []entry
	}{
		{"drip", []entry{{"rate", rig.Of(c.Drip.Rate)}, {"rate_u", rig.Of(c.Drip.RateU)}, {"drop", rig.Of(c.Drip.Drop)}, {"lag_u", rig.Of(c.Drip.LagU)}},
			[]entry{{"flow", rig.Of(c.Drip.Flow)}, {"lag", rig.Of(c.Drip.Lag)}, {"line_volume", rig.Of(c.Drip.LineVolume)}}},
		{"drop_gate", []entry{{"fall", rig.Of(c.Gate.Fall)}, {"fall_u", rig.Of(c.Gate.FallU)}}, nil},
		{"witness", []entry{{"u", rig.Of(c.Witness.U)}}, []entry{{"lag", rig.Of(c.Witness.Lag)}}},
		{"spray", []entry{{"area", rig.Of(c.Spray.Area)}, {"rate_u", rig.Of(c.Spray.RateU)}, {"lag_u", rig.Of(c.Spray.LagU)}},
			[]entry{{"lag", rig.Of(c.Spray.Lag)}}},
		{"supply", []entry{{"slew_up", rig.Of(c.Supply.SlewUp)}, {"slew_down", rig.Of(c.Supply.SlewDown)}, {"rail_u", rig.Of(c.Supply.RailU)}},
			[]entry{{"switch", rig.Of(c.Supply.Switch)}}},
		{"power", []entry{{"u", rig.Of(c.Power.U)}}, nil},
		{"chamber", []entry{{"transfer_u", rig.Of(c.Chamber.TransferU)}, {"air_temp_u", rig.Of(c.Chamber.AirTempU)},
			{"air_rh_u", rig.Of(c.Chamber.AirRHU)}, {"plate_u", rig.Of(c.Chamber.PlateU)}}, nil},
	} {
		path := "calibration." + part.path
		if !r.has(path) {
			continue
		}
		r.positive(under(path, part.positive)...)
		r.notNegative(under(path, part.notNegative)...)
		r.shares(under(path, part.positive))
	}
	r.chamber(c.Chamber)
}

// under puts entries below a path.
func under(path string, entries []entry) []entry {
	below := make([]entry, len(entries))
	for i, e := range entries {
		below[i] = entry{path + "." + e.path, e.q}
	}
	return below
}

// shares refuses relative uncertainties above 100 %: a slip of the unit.
func (r *rules) shares(entries []entry) {
	for _, e := range entries {
		r.refuse(e.q.Unit == rig.Proportion && e.q.N > 1e9, e.path, fmt.Sprintf("%s is %v", e.key(), e.q), "at most 100 %")
	}
}

func (r *rules) chamber(c rig.ChamberCal) {
	const path = "calibration.chamber."
	r.refuse(r.has("calibration.chamber") && c.Transfer <= 0, path+"transfer_mw_m2k",
		"transfer_mw_m2k is not above 0", "a whole number of mW/(m² K), such as 10000")
	for _, e := range []entry{{path + "air_temp_u", rig.Of(c.AirTempU)}, {path + "plate_u", rig.Of(c.PlateU)}} {
		r.refuse(e.q.N > int64(100*physic.Kelvin), e.path, e.key()+" is a temperature, not a difference", `an uncertainty in kelvin, such as "0.2 K"`)
	}
}

// interlock checks what is watched and allowed.
func (r *rules) interlock(c interlock.Config) {
	r.refuse(!slices.Contains(c.Inputs, rig.EStop), "interlock.inputs", "inputs lacks "+rig.EStop,
		"the emergency stop among them, as in [estop, tray]")
	for i, name := range c.Inputs {
		path := fmt.Sprintf("interlock.inputs.%d", i)
		r.refuse(!rig.ValidName(name), path, mistake.Quote(name)+" is no channel name", "small letters, digits and _, beginning with a letter")
		r.refuse(slices.Contains(c.Inputs[:i], name), path, mistake.Quote(name)+" is there twice", "each input once")
	}
	for _, name := range slices.Sorted(maps.Keys(c.Tests)) {
		path := "interlock.tests." + name
		r.refuse(!slices.Contains(c.Inputs, name), path, mistake.Quote(name)+" is not among inputs", "an input that is watched")
		r.refuse(!rig.ValidName(c.Tests[name]), path, mistake.Quote(c.Tests[name])+" is no channel name", "the output that opens its loop, such as "+rig.LoopTest)
	}
	r.positive(
		entry{"interlock.pump_on", rig.Of(c.PumpOn)}, entry{"interlock.volume", rig.Of(c.Volume)},
		entry{"interlock.pump_rest", rig.Of(c.PumpRest)}, entry{"interlock.poll", rig.Of(c.Poll)}, entry{"interlock.stale", rig.Of(c.Stale)},
	)
	r.notNegative(entry{"interlock.over_current", rig.Of(c.OverCurrent)}, entry{"interlock.over_voltage", rig.Of(c.OverVoltage)})
	r.refuse(c.OverTemp != 0 && c.OverTemp < physic.ZeroCelsius, "interlock.over_temp", "over_temp is below freezing",
		`a temperature such as "70 °C"`)
	r.refuse(c.Poll > 0 && c.Stale > 0 && c.Stale <= c.Poll, "interlock.stale", "stale is not longer than poll",
		"several polls, so that one lost reading is no trip")
}
