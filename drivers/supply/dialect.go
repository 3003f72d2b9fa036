package supply

import (
	"embed"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

// Dialect is how a supply wants to be spoken to and what it can do. It comes
// from a YAML file; dialects/standard.yaml explains each key.
type Dialect struct {
	Name       string        `yaml:"name"`
	Terminator string        `yaml:"terminator"`
	Voltage    VoltageSpan   `yaml:"voltage"`
	Current    CurrentSpan   `yaml:"current"`
	SlewUp     rig.Slew      `yaml:"slew_up"`
	SlewDown   rig.Slew      `yaml:"slew_down"`
	Settling   time.Duration `yaml:"settling"`
	Answer     time.Duration `yaml:"answer"`
	Pause      time.Duration `yaml:"pause"`
	Setup      []string      `yaml:"setup"`
	Commands   Commands      `yaml:"commands"`
}

// VoltageSpan is what a voltage may be set to.
type VoltageSpan struct {
	Min  physic.ElectricPotential `yaml:"min"`
	Max  physic.ElectricPotential `yaml:"max"`
	Step physic.ElectricPotential `yaml:"step"`
}

// CurrentSpan is what a current may be set to.
type CurrentSpan struct {
	Min  physic.ElectricCurrent `yaml:"min"`
	Max  physic.ElectricCurrent `yaml:"max"`
	Step physic.ElectricCurrent `yaml:"step"`
}

// Commands are the forms of the messages; "" is what the supply does not have.
// In a form that sets a number, {} is the number's place.
type Commands struct {
	Identify string `yaml:"identify"`
	Reset    string `yaml:"reset"`
	Clear    string `yaml:"clear"`
	Complete string `yaml:"complete"`
	Error    string `yaml:"error"`
	SetToken string `yaml:"set_token"`
	Token    string `yaml:"token"`

	SetVoltage     string `yaml:"set_voltage"`
	Voltage        string `yaml:"voltage"`
	SetCurrent     string `yaml:"set_current"`
	Current        string `yaml:"current"`
	OutputOn       string `yaml:"output_on"`
	OutputOff      string `yaml:"output_off"`
	Output         string `yaml:"output"`
	MeasureVoltage string `yaml:"measure_voltage"`
	MeasureCurrent string `yaml:"measure_current"`

	SetOverVoltage     string `yaml:"set_over_voltage"`
	OverVoltage        string `yaml:"over_voltage"`
	ArmOverVoltage     string `yaml:"arm_over_voltage"`
	OverVoltageArmed   string `yaml:"over_voltage_armed"`
	OverVoltageTripped string `yaml:"over_voltage_tripped"`
	ClearOverVoltage   string `yaml:"clear_over_voltage"`

	SetOverCurrent     string `yaml:"set_over_current"`
	OverCurrent        string `yaml:"over_current"`
	ArmOverCurrent     string `yaml:"arm_over_current"`
	OverCurrentArmed   string `yaml:"over_current_armed"`
	OverCurrentTripped string `yaml:"over_current_tripped"`
	ClearOverCurrent   string `yaml:"clear_over_current"`
}

//go:embed dialects
var stock embed.FS

// StockDialects are the names of the dialects that come with the program.
func StockDialects() []string { return []string{"minimal", "standard"} }

// LoadDialect reads a dialect: the name of a stock one is just that; anything
// with a slash, or that ends in .yaml or .yml, is a path, from baseDir if it is
// not absolute. What a file does not name is as in the stock dialect standard.
//
// A file that says something wrong gives [config.Errors].
func LoadDialect(nameOrPath, baseDir string) (Dialect, error) {
	var d Dialect
	if err := decodeStock("standard", &d); err != nil {
		return d, err
	}
	ext := filepath.Ext(nameOrPath)
	if !strings.ContainsRune(nameOrPath, '/') && ext != ".yaml" && ext != ".yml" {
		return d, decodeStock(nameOrPath, &d)
	}
	if !filepath.IsAbs(nameOrPath) {
		nameOrPath = filepath.Join(baseDir, nameOrPath)
	}
	text, err := os.ReadFile(nameOrPath)
	if err != nil {
		return d, fmt.Errorf("read supply dialect: %w", err)
	}
	return d, config.Decode(nameOrPath, text, &d)
}

func decodeStock(name string, d *Dialect) error {
	file := "dialects/" + name + ".yaml"
	text, err := stock.ReadFile(file)
	if err != nil {
		return fmt.Errorf("there is no supply dialect %q; expected one of %s, or a path such as ./%s.yaml",
			name, strings.Join(StockDialects(), ", "), name)
	}
	return config.Decode(file, text, d)
}

// Check tells what can't be right; [config.Decode] asks it.
func (d Dialect) Check() []config.Problem {
	var found []config.Problem
	refuse := func(bad bool, key, what, want string) {
		if bad {
			found = append(found, config.Problem{Path: strings.Split(key, "."), What: what, Want: want})
		}
	}
	refuse(strings.TrimSpace(d.Name) == "", "name", "name is missing", "the supply's type, for messages")
	refuse(d.ending() == "", "terminator", fmt.Sprintf("terminator is %q", d.Terminator), "lf, crlf or cr")
	refuse(d.Voltage.Min < 0 || d.Voltage.Max <= d.Voltage.Min, "voltage", "voltage has no range", "0 V ≤ min < max")
	refuse(d.Voltage.Step <= 0, "voltage.step", "voltage.step is not over 0", "the smallest step, such as 1 mV")
	refuse(d.Current.Min < 0 || d.Current.Max <= d.Current.Min, "current", "current has no range", "0 A ≤ min < max")
	refuse(d.Current.Step <= 0, "current.step", "current.step is not over 0", "the smallest step, such as 1 mA")
	refuse(d.SlewUp <= 0, "slew_up", "slew_up is not over 0", "a rate such as 500 V/s")
	refuse(d.SlewDown <= 0, "slew_down", "slew_down is not over 0", "a rate such as 100 V/s")
	refuse(d.Settling < 0, "settling", "settling is negative", "0 s or more")
	refuse(d.Pause < 0, "pause", "pause is negative", "0 s or more")
	refuse(d.Answer <= 0, "answer", "answer is not over 0", "a time such as 2 s")
	for i, c := range d.Setup {
		what, want := form{text: c, kind: command}.wrong()
		refuse(what != "", fmt.Sprintf("setup.%d", i), fmt.Sprintf("item %d of setup %s", i+1, what), want)
	}
	for _, f := range d.Commands.forms() {
		what, want := f.wrong()
		refuse(what != "", "commands."+f.key, f.key+" "+what, want)
	}
	c := d.Commands
	refuse((c.SetToken == "") != (c.Token == ""), "commands.token", "only one of set_token and token is there", "both or none")
	return found
}

// ending is what ends a message.
func (d Dialect) ending() string {
	return map[string]string{"lf": "\n", "crlf": "\r\n", "cr": "\r"}[d.Terminator]
}

// formKind is the shape of a message.
type formKind uint8

const (
	command formKind = iota // no answer
	setting                 // no answer, has a number
	query                   // has an answer
)

// form is a message as the dialect has it.
type form struct {
	key    string
	text   string
	kind   formKind
	needed bool
}

func (c Commands) forms() []form {
	return []form{
		{"identify", c.Identify, query, true}, {"reset", c.Reset, command, false}, {"clear", c.Clear, command, false},
		{"complete", c.Complete, query, false}, {"error", c.Error, query, false},
		{"set_token", c.SetToken, setting, false}, {"token", c.Token, query, false},
		{"set_voltage", c.SetVoltage, setting, true}, {"voltage", c.Voltage, query, false},
		{"set_current", c.SetCurrent, setting, true}, {"current", c.Current, query, false},
		{"output_on", c.OutputOn, command, true}, {"output_off", c.OutputOff, command, true}, {"output", c.Output, query, false},
		{"measure_voltage", c.MeasureVoltage, query, true}, {"measure_current", c.MeasureCurrent, query, false},
		{"set_over_voltage", c.SetOverVoltage, setting, false}, {"over_voltage", c.OverVoltage, query, false},
		{"arm_over_voltage", c.ArmOverVoltage, command, false}, {"over_voltage_armed", c.OverVoltageArmed, query, false},
		{"over_voltage_tripped", c.OverVoltageTripped, query, false}, {"clear_over_voltage", c.ClearOverVoltage, command, false},
		{"set_over_current", c.SetOverCurrent, setting, false}, {"over_current", c.OverCurrent, query, false},
		{"arm_over_current", c.ArmOverCurrent, command, false}, {"over_current_armed", c.OverCurrentArmed, query, false},
		{"over_current_tripped", c.OverCurrentTripped, query, false}, {"clear_over_current", c.ClearOverCurrent, command, false},
	}
}

// wrong says what is wrong with a form, or "".
func (f form) wrong() (what, want string) {
	places := strings.Count(f.text, "{}")
	switch {
	case f.text == "" && f.needed:
		return "is missing", "a command, which no supply can do without"
	case f.text == "" && f.kind == command && f.key == "":
		return "is empty", "a command"
	case f.text == "":
		return "", ""
	case strings.ContainsFunc(f.text, func(r rune) bool { return r < ' ' || r > '~' }):
		return "has characters that can't be sent", "ASCII without control characters; the terminator is added"
	case strings.ContainsRune(f.text, ';'):
		return "joins two units by a semicolon", "one unit a message"
	case (f.kind == setting) != (places == 1) || places > 1:
		return fmt.Sprintf("has %d places {} for a number", places), "one in what sets a number, none elsewhere"
	case (f.kind == query) != strings.ContainsRune(f.text, '?'):
		return "has its question mark wrong", "one in a query, none elsewhere"
	}
	return "", ""
}

// withVoltage fills in a voltage, rounded to the step.
func (d Dialect) withVoltage(form string, v physic.ElectricPotential) (string, physic.ElectricPotential) {
	v = physic.ElectricPotential(round(int64(v), int64(d.Voltage.Step)))
	return strings.Replace(form, "{}", decimal(int64(v)), 1), v
}

// withCurrent fills in a current, rounded to the step.
func (d Dialect) withCurrent(form string, i physic.ElectricCurrent) (string, physic.ElectricCurrent) {
	i = physic.ElectricCurrent(round(int64(i), int64(d.Current.Step)))
	return strings.Replace(form, "{}", decimal(int64(i)), 1), i
}

// round rounds n, which is not negative, to a multiple of step.
func round(n, step int64) int64 { return (n + step/2) / step * step }

// decimal prints nano units, not negative, as a plain decimal number.
func decimal(nano int64) string {
	s := fmt.Sprintf("%d.%09d", nano/1e9, nano%1e9)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// travel is how long the output needs between two voltages.
func (d Dialect) travel(from, to physic.ElectricPotential) time.Duration {
	rate := d.SlewUp
	if to < from {
		rate = d.SlewDown
	}
	seconds := math.Abs(float64(to-from)) / float64(rate)
	return time.Duration(seconds*1e9) + d.Settling
}

// unsupported is the error for what the dialect has no command for.
func (d Dialect) unsupported(what string) error {
	return fmt.Errorf("%s: %w %q", what, ErrUnsupported, d.Name)
}

// ErrUnsupported is what a supply can't do.
var ErrUnsupported = errors.New("there is no command for this in the supply's dialect")
