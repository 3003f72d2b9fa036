package supply

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

func TestStockDialects(t *testing.T) {
	for _, name := range StockDialects() {
		d, err := LoadDialect(name, "")
		must(t, err)
		if d.Name != name {
			t.Errorf("dialect %s calls itself %s", name, d.Name)
		}
		for _, p := range d.Check() {
			t.Errorf("%s: %s", name, p.What)
		}
	}
	d, err := LoadDialect("standard", "")
	must(t, err)
	for _, f := range d.Commands.forms() {
		if f.text == "" {
			t.Errorf("the standard dialect has no %s", f.key)
		}
	}
}

// TestDialectFile: a file needs only what differs.
func TestDialectFile(t *testing.T) {
	dir := t.TempDir()
	text := "name: mine\nterminator: crlf\nvoltage:\n  max: 12 V\npause: 50 ms\nsetup: [\"SYST:REM\"]\ncommands:\n  output_on: \"OUT 1\"\n  complete: \"\"\n"
	must(t, os.WriteFile(filepath.Join(dir, "mine.yaml"), []byte(text), 0o666))
	d, err := LoadDialect("mine.yaml", dir)
	must(t, err)
	if d.Name != "mine" || d.ending() != "\r\n" || d.Voltage.Max != 12*physic.Volt || d.Voltage.Step != physic.MilliVolt ||
		d.Pause != 50*time.Millisecond || d.Commands.OutputOn != "OUT 1" || d.Commands.OutputOff != "OUTP OFF" || d.Commands.Complete != "" || len(d.Setup) != 1 {
		t.Errorf("got %+v", d)
	}
}

// TestBadDialect: what is wrong is told with its place and the mend.
func TestBadDialect(t *testing.T) {
	for text, want := range map[string]string{
		"terminator: nl":                      `bad.yaml:1:1: terminator is "nl"; expected lf, crlf or cr`,
		"name: \"\"":                          "name is missing",
		"voltage:\n  max: 0 V":                "voltage has no range; expected 0 V ≤ min < max",
		"current:\n  step: 0 A":               "bad.yaml:2:3: current.step is not over 0",
		"current:\n  max: 5 V":                "bad.yaml:2:8: ",
		"slew_up: 0 V/s":                      "slew_up is not over 0",
		"answer: 0 s":                         "answer is not over 0",
		"pause: -1 s":                         "pause is negative",
		"settling: -1 s":                      "settling is negative",
		"commands:\n  set_voltage: \"VOLT\"":  "bad.yaml:2:3: set_voltage has 0 places {} for a number; expected one in what sets a number",
		"commands:\n  output_on: \"OUTP {}\"": "output_on has 1 places",
		"commands:\n  output_on: \"\"":        "output_on is missing",
		"commands:\n  voltage: \"VOLT\"":      "voltage has its question mark wrong",
		"commands:\n  reset: \"*RST?\"":       "reset has its question mark wrong",
		"commands:\n  reset: \"*RST;*CLS\"":   "reset joins two units by a semicolon; expected one unit a message",
		"commands:\n  reset: \"*RST\\n\"":     "reset has characters that can't be sent",
		"commands:\n  token: \"\"":            "only one of set_token and token is there",
		"setup: [\"SYST:REM\", \"\"]":         "item 2 of setup is empty",
		"setup: [\"SYST:ERR?\"]":              "item 1 of setup has its question mark wrong",
		"comands:\n  reset: \"\"":             `unknown key comands; expected "commands", perhaps`,
	} {
		dir := t.TempDir()
		must(t, os.WriteFile(filepath.Join(dir, "bad.yaml"), []byte(text), 0o666))
		_, err := LoadDialect("./bad.yaml", dir)
		wantText(t, err, want)
	}
	_, err := LoadDialect("other", "")
	wantText(t, err, `no supply dialect "other"`, "minimal, standard", "./other.yaml")
	_, err = LoadDialect("./none.yaml", t.TempDir())
	wantError(t, err, os.ErrNotExist, "read supply dialect")
}

// TestTravel: 5 V at 500 V/s are 10 ms up, at 100 V/s 50 ms down, and 20 ms to
// settle (the standard dialect).
func TestTravel(t *testing.T) {
	d, err := LoadDialect("standard", "")
	must(t, err)
	if up, down := d.travel(0, 5*physic.Volt), d.travel(5*physic.Volt, 0); up != 30*time.Millisecond || down != 70*time.Millisecond {
		t.Errorf("got %v up and %v down", up, down)
	}
	d.SlewUp = 20 * rig.VoltPerSec / 1000
	if got := d.travel(0, 2*physic.Volt); got != 100*time.Second+20*time.Millisecond {
		t.Errorf("2 V at 20 mV/s take %v", got)
	}
}

func TestErrorTexts(t *testing.T) {
	for want, err := range map[string]error{
		`supply refused "VOLT 99": -222, Data out of range`:    &Error{"VOLT 99", -222, "Data out of range"},
		`after "VOLT 5", voltage is 3 V instead of 5 V`:        &ReadbackError{"VOLT 5", Difference{"voltage", "5 V", "3 V"}},
		"over-voltage and over-current protection has tripped": &TripError{Trips{true, true}},
	} {
		wantText(t, err, want)
	}
	if s := (Identity{"a", "b", "1", "2"}).String(); !strings.Contains(s, "a b, serial number 1") {
		t.Errorf("identity prints as %s", s)
	}
}
