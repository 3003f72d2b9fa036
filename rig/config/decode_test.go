package config

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// sample has every kind of field that a file may set.
type sample struct {
	Name   string                   `yaml:"name"`
	On     time.Duration            `yaml:"pump_on"`
	Level  physic.ElectricPotential `yaml:"level"`
	Temp   physic.Temperature       `yaml:"temp"`
	Dose   rig.Volume               `yaml:"dose"`
	Wet    bool                     `yaml:"wet"`
	Count  int                      `yaml:"count"`
	Small  uint8                    `yaml:"small"`
	Gain   float64                  `yaml:"gain"`
	Inputs []string                 `yaml:"inputs"`
	Steps  []rig.Volume             `yaml:"steps"`
	Words  map[string]string        `yaml:"words"`
	Tubes  map[string]tube          `yaml:"tubes"`
	Main   tube                     `yaml:"main"`
	Spare  *tube                    `yaml:"spare"`
	Secret int                      `yaml:"-"`
	Other  int
}

// tube refuses a rate of zero, and a tube longer than 1 m.
type tube struct {
	Rate   rig.Flow        `yaml:"rate"`
	Length physic.Distance `yaml:"length"`
}

func (u tube) Check() []Problem {
	var p []Problem
	if u.Rate == 0 {
		p = append(p, Problem{[]string{"rate"}, "rate is 0", "more than 0 ml/min"})
	}
	if u.Length > physic.Metre {
		p = append(p, Problem{[]string{"length"}, "length is " + u.Length.String(), "at most 1 m"})
	}
	return p
}

func TestDecode(t *testing.T) {
	got := sample{
		Level: 5 * physic.Volt, Inputs: []string{"gone"}, Words: map[string]string{"gone": "x"},
		Main: tube{Rate: 1, Length: physic.MilliMetre},
	}
	text := `# a comment
name: drip one
pump_on: 1.5 s
temp: 23 °C
dose: 0.4 ml
wet: true
count: -3
small: 255
gain: 2.5e-1
inputs: [estop, tray]
steps:
  - 10 ul
  - 20 ul
words: {level: "12", hold: off}
tubes:
  long: {rate: 3 ml/min, length: 100 mm}
main:
  rate: 30 ml/min
spare:
  rate: 1 ml/min
`
	want := sample{
		Name: "drip one", On: 1500 * time.Millisecond, Level: 5 * physic.Volt,
		Temp: physic.ZeroCelsius + 23*physic.Kelvin, Dose: 400 * rig.Microlitre, Wet: true, Count: -3, Small: 255, Gain: 0.25,
		Inputs: []string{"estop", "tray"}, Steps: []rig.Volume{10 * rig.Microlitre, 20 * rig.Microlitre},
		Words: map[string]string{"level": "12", "hold": "off"},
		Tubes: map[string]tube{"long": {3 * rig.MlPerMin, 100 * physic.MilliMetre}},
		Main:  tube{30 * rig.MlPerMin, physic.MilliMetre}, Spare: &tube{Rate: rig.MlPerMin},
	}
	if err := Decode("f.yaml", []byte(text), &got); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

func TestDecodeKeepsDefaultsOfAnEmptyFile(t *testing.T) {
	for _, text := range []string{"", "# nothing\n", "---\n", "\ufeff"} {
		got := tube{Rate: 7}
		if err := Decode("f.yaml", []byte(text), &got); err != nil || got.Rate != 7 {
			t.Errorf("%q: %+v, %v", text, got, err)
		}
	}
}

func TestDecodeErrors(t *testing.T) {
	ok := "main: {rate: 1 l/min}\n" // keeps tube.Check quiet
	for _, c := range []struct{ name, text, want string }{
		{"unknown key", ok + "dose: 1 ml\npump_no: 1 s", `f.yaml:3:1: unknown key pump_no; expected "pump_on", perhaps`},
		{"unknown key far from all", "main: {rate: 1 l/min, colour: red}", `f.yaml:1:23: unknown key colour; expected keys out of length, rate`},
		{"twice", ok + "wet: true\nwet: false", `f.yaml:3:1: wet is given twice, first in line 2; expected each key once`},
		{"twice but for case", ok + "wet: true\n\nWet: false", `f.yaml:4:1: "Wet" is given twice, first in line 2; expected each key once`},
		{"capitals", ok + "Wet: false", `f.yaml:2:1: key "Wet" is not in small letters; expected wet`},
		{"dotted key", ok + "a.b: false", `f.yaml:2:1: key "a.b" is no name; expected small letters, digits, _ and -, beginning with a letter`},
		{"bare number", ok + "pump_on: 5", `f.yaml:2:10: pump_on is "5" without a unit; expected a value with its unit, such as "2 s"`},
		{"bare number in quotes", ok + "pump_on: '5'", `f.yaml:2:10: pump_on is "5" without a unit; expected a value with its unit, such as "2 s"`},
		{"wrong unit", ok + "pump_on:   5 V", `f.yaml:2:12: pump_on is "5 V", the wrong kind of unit; expected a value with its unit, such as "2 s"`},
		{"unknown unit", ok + "steps: [1 ml, 2 qux]", `f.yaml:2:15: item 2 of steps: "2 qux" has an unknown unit "qux"; expected a value with its unit, such as "0.4 ml"`},
		{"too fine", ok + "pump_on: 0.1 ns", `f.yaml:2:10: pump_on: "0.1 ns" is finer than can be set; expected a value with its unit, such as "2 s"`},
		{"group for quantity", ok + "pump_on: {a: 1}", `f.yaml:2:10: pump_on is a group of keys; expected a value with its unit, such as "2 s"`},
		{"misspelt key is not missing too", "main: {raet: 1 l/min}", `f.yaml:1:8: unknown key raet; expected "rate", perhaps`},
		{"capital key is not missing too", "main: {Rate: 1 l/min}", `f.yaml:1:8: key "Rate" is not in small letters; expected rate`},
		{"fraction to int", ok + "count: 1.9", `f.yaml:2:8: count is the number 1.9; expected a whole number`},
		{"text to int", ok + "small: '12'", `f.yaml:2:8: small is "12"; expected a whole number from 0 to 255`},
		{"int too large", ok + "small: 256", `f.yaml:2:8: small is the number 256; expected a whole number from 0 to 255`},
		{"hexadecimal", ok + "small: 0x10", `f.yaml:2:8: small is the number 0x10; expected a whole number from 0 to 255`},
		{"octal", ok + "small: 010", `f.yaml:2:8: small is the number 010; expected a whole number from 0 to 255`},
		{"not a number", ok + "gain: .nan", `f.yaml:2:7: gain is the number .nan; expected a number such as 0.5`},
		{"number to text", ok + "name: 12", `f.yaml:2:7: name is the number 12; expected text, in quotes if it looks like something else`},
		{"bool to text", ok + "words: {hold: true}", `f.yaml:2:15: hold is "true"; expected text, in quotes if it looks like something else`},
		{"yes", ok + "wet: yes", `f.yaml:2:6: wet is "yes"; expected true or false`},
		{"text in quotes to bool", ok + "wet: 'true'", `f.yaml:2:6: wet is "true"; expected true or false`},
		{"text for list", ok + "inputs: estop", `f.yaml:2:9: inputs is the text "estop"; expected a list`},
		{"list for group", "main: [1]", "f.yaml:1:7: main is a list; expected keys out of length, rate"},
		{"list for map", ok + "words: [1]", "f.yaml:2:8: words is a list; expected names with values"},
		{"number for group", "main: 3", "f.yaml:1:7: main is the number 3; expected keys out of length, rate"},
		{"empty", ok + "count:\nwet: true", `f.yaml:2:7: count is empty; expected a whole number`},
		{"empty group", "spare:\n" + ok, "f.yaml:1:7: spare is empty; expected keys out of length, rate"},
		{"list of values", "- a\n- b", "f.yaml:1:1: the file is a list; expected keys out of count, dose, gain, inputs, level, main, name, pump_on, small, spare, steps, temp, tubes, wet, words"},
		{"anchor", ok + "name: &a x", "f.yaml:2:7: an anchor &a; expected the value without it"},
		{"alias", ok + "words: {a: &a x, b: *a}", "f.yaml:2:12: an anchor &a; expected the value without it\nf.yaml:2:21: an alias *a; expected the value written out"},
		{"merge key", ok + "words: {<<: {a: b}}", "f.yaml:2:9: a merge key <<; expected the values written out"},
		{"tag", ok + "name: !!str 12", "f.yaml:2:7: a tag !!str; expected the value without it"},
		{"key is a list", ok + "? [a]\n: b", "f.yaml:2:3: a key that is not a word; expected a name such as pump_on"},
		{"two documents", ok + "---\nname: x", "f.yaml:2:1: a second document begins; expected one document in the file"},
		{"rule broken", "main: {rate: 0 l/min}", "f.yaml:1:8: rate is 0; expected more than 0 ml/min"},
		{"rule broken, key absent", "wet: true\nmain: {length: 1 mm}", "f.yaml:2:1: rate is 0; expected more than 0 ml/min"},
		{"rule broken, group absent", "\n\nwet: true", "f.yaml:3:1: rate is 0; expected more than 0 ml/min"},
		{"rule broken in a map", ok + "tubes:\n  a: {rate: 1 ml/min}\n  b:\n    length: 1 mm", "f.yaml:4:3: rate is 0; expected more than 0 ml/min"},
		{"unreadable value is not reported as zero too", "main: {rate: 5}", `f.yaml:1:14: rate is "5" without a unit; expected a value with its unit, such as "30 ml/min"`},
		{"all in order", "wet: 1\nmain:\n  length: 2 m\n  rate: 3\ncount: x", `f.yaml:1:6: wet is the number 1; expected true or false
f.yaml:3:3: length is 2m; expected at most 1 m
f.yaml:4:9: rate is "3" without a unit; expected a value with its unit, such as "30 ml/min"
f.yaml:5:8: count is "x"; expected a whole number`},
		{"columns count characters", ok + "words: {a: µµµ, µ: b}", `f.yaml:2:17: key "µ" is no name; expected small letters, digits, _ and -, beginning with a letter`},
		{"byte order mark", "\ufeffmain: 1", "f.yaml:1:7: main is the number 1; expected keys out of length, rate"},
		{"CR LF", "name: x\r\nmain: 1\r\n", "f.yaml:2:7: main is the number 1; expected keys out of length, rate"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := Decode("f.yaml", []byte(c.text), &sample{})
			if err == nil || err.Error() != c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
}

func TestUnreadable(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"two colons", "x: 1\na: b: c\nd: 2\n", "2:5: not readable as YAML: mapping values are not allowed in this context"},
		{"open list", "x: 1\na: [1, 2\nb: 3\nc: 4\nd: 5\n", "2:4: not readable as YAML: did not find expected ',' or ']'"},
		{"open list to the end", "x: 1\na: [1, 2\n", "2:4: not readable as YAML: did not find expected ',' or ']'"},
		{"open quote", "x: 1\na: \"x\nb: 3\n", "2:4: not readable as YAML: found unexpected end of stream"},
		{"quote within quotes", "# c\nx:\n  y: 1\n  a: 'it's'\nb: 2\n", "4:10: not readable as YAML: did not find expected key"},
		{"tab", "x:\n\tb: 3\nc: 3\n", "2:2: not readable as YAML: found character that cannot start any token; expected spaces, no tab, at the start of the line"},
		{"deeper without reason", "a: 1\n b: 2\nc: 3\n", "2:3: not readable as YAML: mapping values are not allowed in this context"},
		{"back to no level", "# c\na:\n    b: 2\n  c: 3\nd: 3\n", "4:3: not readable as YAML: did not find expected key"},
		{"at sign", "a: 1\nb: @x\nc: 2\n", "2:4: not readable as YAML: found character that cannot start any token"},
		{"unknown alias", "a: 1\nb: *x\nc: 2\n", "2:4: not readable as YAML: unknown anchor 'x' referenced"},
		{"no colon", "a: 1\nfoo\nb: 2\nc: 2\n", "2:1: not readable as YAML: could not find expected ':'"},
		{"control character", "a: 1\nb: x\x01y\n", "2:5: not readable as YAML: control characters are not allowed"},
		{"not UTF-8", "a: 1\nbµ: x\xff\n", "2:6: byte 0xff is not UTF-8; expected text in UTF-8"},
		{"UTF-16", "\xff\xfea\x00", "1:1: byte 0xff is not UTF-8; expected text in UTF-8"},
		{"lone CR", "a: 1\rb: 2\n", "1:5: an unusual line break; expected lines that end in LF or CR LF"},
		{"too large", strings.Repeat("#", maxSize) + "\n", "1:1: the file has 1048577 bytes; expected at most 1048576"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := Decode("f.yaml", []byte(c.text), &sample{})
			if err == nil || err.Error() != "f.yaml:"+c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
}

func TestErrorsGivesSingleErrors(t *testing.T) {
	err := Decode("f.yaml", []byte("main: 3\nwet: 4"), &sample{})
	var e Error
	if !errors.As(err, &e) || e.Line != 1 || e.Col != 7 {
		t.Errorf("got %+v from %v", e, err)
	}
}

func TestDecodeTarget(t *testing.T) {
	var nothing *sample
	for _, v := range []any{nil, sample{}, new(int), nothing} {
		var list Errors
		if err := Decode("f.yaml", nil, v); err == nil || errors.As(err, &list) {
			t.Errorf("%T: %v", v, err)
		}
	}
}
