package supply

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/physic"
)

// mostAnswer is the longest answer that is read: an entry of the error queue
// has up to 255 characters of text (SCPI-1999, volume 2, 21.8, from memory).
const mostAnswer = 512

// plain tells whether an answer has printable ASCII only.
func plain(answer []byte) bool {
	for _, c := range answer {
		if c < ' ' || c > '~' {
			return false
		}
	}
	return len(answer) > 0
}

// clip quotes an answer for an error.
func clip(answer string) string {
	const most = 60
	if len(answer) > most {
		answer = answer[:most] + "…"
	}
	return strconv.Quote(answer)
}

func garbled(answer, want string) error {
	return fmt.Errorf("%w: %s; expected %s", ErrGarbled, clip(answer), want)
}

// decimalForm is NRf as IEEE 488.2 lets a device answer it, and a little more:
// the point may stand first or last.
var decimalForm = regexp.MustCompile(`^[+-]?(?:[0-9]{1,30}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,3})?$`)

// parseNumber reads a number in nano units. What SCPI-1999 answers in place of
// a number, ±9.9E37 for infinity and 9.91E37 for not-a-number (volume 1,
// 7.2.1), is ErrNotNumber.
func parseNumber(answer string) (int64, error) {
	s := strings.TrimSpace(answer)
	if !decimalForm.MatchString(s) {
		return 0, garbled(answer, "a number")
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil { // beyond a double
		return 0, garbled(answer, "a number")
	}
	if math.Abs(v) >= 9.9e37*(1-1e-9) {
		return 0, fmt.Errorf("%w: %s", ErrNotNumber, clip(answer))
	}
	const most = 1e9 // a thousand million volt or ampere
	if math.Abs(v) > most {
		return 0, garbled(answer, "a voltage or current")
	}
	return int64(math.Round(v * 1e9)), nil
}

func parseVoltage(answer string) (physic.ElectricPotential, error) {
	n, err := parseNumber(answer)
	return physic.ElectricPotential(n), err
}

func parseCurrent(answer string) (physic.ElectricCurrent, error) {
	n, err := parseNumber(answer)
	return physic.ElectricCurrent(n), err
}

// parseBool reads a boolean; the standard answers 0 or 1, some supplies words.
func parseBool(answer string) (bool, error) {
	switch strings.ToUpper(strings.TrimPrefix(strings.TrimSpace(answer), "+")) {
	case "1", "ON":
		return true, nil
	case "0", "OFF":
		return false, nil
	}
	return false, garbled(answer, "0 or 1")
}

// parseDone reads the answer to *OPC?, which is 1.
func parseDone(answer string) (struct{}, error) {
	if done, err := parseBool(answer); err != nil || !done {
		return struct{}{}, garbled(answer, "1")
	}
	return struct{}{}, nil
}

var integerForm = regexp.MustCompile(`^\+?[0-9]{1,3}$`)

// parseToken reads NR1.
func parseToken(answer string) (int, error) {
	s := strings.TrimSpace(answer)
	if !integerForm.MatchString(s) {
		return 0, garbled(answer, "a whole number")
	}
	return strconv.Atoi(s)
}

var entryForm = regexp.MustCompile(`^([+-]?[0-9]{1,6}) *, *(.*)$`)

// parseEntry reads an entry of the error queue, number,"text". Text without
// quotes is taken too.
func parseEntry(answer string) (Error, error) {
	m := entryForm.FindStringSubmatch(strings.TrimSpace(answer))
	if m == nil {
		return Error{}, garbled(answer, `an entry of the error queue such as 0,"No error"`)
	}
	code, err := strconv.Atoi(m[1])
	if err != nil {
		return Error{}, garbled(answer, "a number before the comma")
	}
	text := m[2]
	if inner, ok := strings.CutPrefix(text, `"`); ok {
		if text, ok = strings.CutSuffix(inner, `"`); !ok {
			return Error{}, garbled(answer, "text in quotes")
		}
		text = strings.ReplaceAll(text, `""`, `"`)
	}
	return Error{Code: code, Text: text}, nil
}

// Identity is who the supply says that it is.
type Identity struct{ Maker, Model, Serial, Firmware string }

func (i Identity) String() string {
	return fmt.Sprintf("%s %s, serial number %s, firmware %s", i.Maker, i.Model, i.Serial, i.Firmware)
}

// parseIdentity reads four fields split by commas (IEEE 488.2, 10.14).
func parseIdentity(answer string) (Identity, error) {
	f := strings.Split(answer, ",")
	if len(f) != 4 {
		return Identity{}, garbled(answer, "maker, model, serial number and firmware, split by commas")
	}
	for i := range f {
		f[i] = strings.TrimSpace(f[i])
	}
	if f[0] == "" || f[1] == "" {
		return Identity{}, garbled(answer, "a maker and a model")
	}
	return Identity{f[0], f[1], f[2], f[3]}, nil
}
