package config

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"

	"drench/rig"
	"drench/rig/interlock"

	"go.yaml.in/yaml/v3"
	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

// FuzzDecode: whatever the text, no panic, and every error lies in the file.
func FuzzDecode(f *testing.F) {
	for _, pattern := range []string{"stock/*.yaml", "stock/duts/*.yaml", badFiles + "/*/*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			f.Fatalf("%s: %d files, %v", pattern, len(files), err)
		}
		for _, name := range files {
			text, err := os.ReadFile(name)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(text)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, v := range []any{&Rig{}, &rig.DUT{}, &sample{}} {
			tree := parse("f.yaml", text)
			if err := decode(tree, v, nil); err != nil {
				t.Fatal(err)
			}
			inFile(t, text, tree.errs)
			if tree.unreadable {
				break // for the others as well
			}
		}
	})
}

// inFile checks that every error has a place in text: a character, or the end
// of a line.
func inFile(t *testing.T, text []byte, list Errors) {
	lines := strings.Split(strings.TrimPrefix(string(text), "\ufeff"), "\n")
	for _, e := range list {
		if e.Line < 1 || e.Line > len(lines) || e.Col < 1 || e.Col > utf8.RuneCountInString(lines[e.Line-1])+1 {
			t.Errorf("%q: outside the file: %v", text, e)
		}
	}
}

// TestPositions spoils each value of the stock files in turn: the first error
// must be right there.
func TestPositions(t *testing.T) {
	for name, v := range map[string]func() any{
		"stock/rig.yaml":                   func() any { return &Rig{} },
		"stock/duts/capacitive-500ms.yaml": func() any { return &rig.DUT{} },
	} {
		src, err := readStock(name)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(string(src.Text), "\n")
		spoilt := 0
		for _, n := range values(parse(name, src.Text).root) {
			changed := append([]string(nil), lines...)
			l, written := changed[n.Line-1], len(n.Value)
			if n.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle) != 0 {
				written += 2
			}
			changed[n.Line-1] = l[:n.Column-1] + "{µ: 1}" + l[n.Column-1+written:]
			tree := parse("f.yaml", []byte(strings.Join(changed, "\n")))
			if err := decode(tree, v(), map[string]any{"virtual": nil, "model": nil}); err != nil {
				t.Fatal(err)
			}
			err := tree.err()
			if want := fmt.Sprintf("f.yaml:%d:%d: ", n.Line, n.Column); err == nil || !strings.HasPrefix(err.Error(), want) {
				t.Errorf("%s: %q spoilt: got %v, want %s", name, n.Value, err, want)
			}
			spoilt++
		}
		if spoilt < 15 {
			t.Errorf("%s: only %d values", name, spoilt)
		}
	}
}

// values are the scalars below n that are no keys, in keys that are not for a
// driver.
func values(n *yaml.Node) []*yaml.Node {
	if n.Kind == yaml.ScalarNode {
		return []*yaml.Node{n}
	}
	var all []*yaml.Node
	for i, c := range n.Content {
		driver := i > 0 && (n.Content[i-1].Value == "model" || n.Content[i-1].Value == "virtual")
		if n.Kind == yaml.MappingNode && (i%2 == 0 || driver) {
			continue
		}
		all = append(all, values(c)...)
	}
	return all
}

// written has every kind of field, and no rules about values.
type written struct {
	Bench  Rig               `yaml:"bench"`
	Guard  interlock.Config  `yaml:"guard"`
	Device rig.DUT           `yaml:"device"`
	Spare  *rig.DripCal      `yaml:"spare"`
	Tubes  map[string]length `yaml:"tubes"`
	Lags   []rig.LagCal      `yaml:"lags"`
	Gain   float64           `yaml:"gain"`
	Small  int8              `yaml:"small"`
	Big    uint64            `yaml:"big"`
	Heat   rig.Heating       `yaml:"heat"`
	Often  rig.Rate          `yaml:"often"`
	Water  rig.Conductivity  `yaml:"water"`
	Rain   rig.Rain          `yaml:"rain"`
	Film   rig.Film          `yaml:"film"`
	Power  physic.Power      `yaml:"power"`
	Energy physic.Energy     `yaml:"energy"`
	Fall   physic.Distance   `yaml:"fall"`

	Capacitor physic.ElectricalCapacitance `yaml:"capacitor"`
	Source    physic.ElectricResistance    `yaml:"source"`
}

type length struct {
	Steps []rig.Volume `yaml:"steps"`
}

// TestWrittenForm: what is written and read again is the same.
func TestWrittenForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want, got written
		fill(t, reflect.ValueOf(&want).Elem())
		text, err := yaml.Marshal(encode(reflect.ValueOf(want)))
		if err != nil {
			t.Fatal(err)
		}
		if err := Decode("f.yaml", text, &got); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got  %+v\nwant %+v\n%s", got, want, text)
		}
	})
}

// fill draws a value for v. Lists and maps are never nil: the written form
// does not tell a nil from an empty one.
func fill(t *rapid.T, v reflect.Value) {
	const most = 1e17 - 1 // what twelve digits and a unit can say of any unit
	if _, ok := rig.UnitOf(v.Interface()); ok {
		v.SetInt(rapid.Int64Range(-most, most).Draw(t, "quantity"))
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fill(t, v.Field(i))
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(t, v.Elem())
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), rapid.IntRange(0, 3).Draw(t, "n"), 3))
		for i := range v.Len() {
			fill(t, v.Index(i))
		}
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		for range rapid.IntRange(0, 3).Draw(t, "n") {
			e := reflect.New(v.Type().Elem()).Elem()
			fill(t, e)
			v.SetMapIndex(reflect.ValueOf(rapid.StringMatching(`[a-z][a-z0-9_-]{0,9}`).Draw(t, "key")), e)
		}
	case reflect.String:
		v.SetString(rapid.String().Draw(t, "text"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "bool"))
	case reflect.Float64:
		v.SetFloat(rapid.Float64().Draw(t, "float"))
	case reflect.Uint64:
		v.SetUint(rapid.Uint64().Draw(t, "whole"))
	default:
		shift := 64 - v.Type().Bits()
		v.SetInt(rapid.Int64().Draw(t, "int") >> shift)
	}
}

// base is a unit of each kind.
var base = map[rig.Unit]struct {
	text   string
	digits int // nano units in it are 10^digits
}{
	rig.Volt: {"V", 9}, rig.Ampere: {"A", 9}, rig.Kelvin: {"K", 9}, rig.RelHum: {"%rH", 5}, rig.Litre: {"l", 9},
	rig.LitreRate: {"l/min", 9}, rig.RainRate: {"mm/min", 6}, rig.Second: {"s", 9}, rig.FilmMass: {"g/m2", 6},
	rig.SlewRate: {"V/ms", 12}, rig.Proportion: {"%", 7}, rig.Hertz: {"Hz", 9}, rig.Area: {"cm2", 5},
	rig.Conduct: {"S/m", 9}, rig.Watt: {"W", 9}, rig.Joule: {"J", 9}, rig.Metre: {"m", 9}, rig.Farad: {"uF", 6}, rig.Ohm: {"kohm", 12}, rig.TempRate: {"K/min", 9},
}

// encode gives v the form that people write.
func encode(v reflect.Value) any {
	if unit, ok := rig.UnitOf(v.Interface()); ok {
		return decimals(v.Int(), base[unit].digits) + " " + base[unit].text
	}
	switch v.Kind() {
	case reflect.String:
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Style: yaml.DoubleQuotedStyle, Value: v.String()}
	case reflect.Struct:
		m := map[string]any{}
		for key, f := range fields(v) {
			m[key] = encode(f)
		}
		return m
	case reflect.Pointer:
		return encode(v.Elem())
	case reflect.Slice:
		s := []any{}
		for i := range v.Len() {
			s = append(s, encode(v.Index(i)))
		}
		return s
	case reflect.Map:
		m := map[string]any{}
		for _, k := range v.MapKeys() {
			m[k.String()] = encode(v.MapIndex(k))
		}
		return m
	}
	return v.Interface()
}

// decimals writes n × 10^-digits.
func decimals(n int64, digits int) string {
	s := fmt.Sprintf("%0*d", digits+1, n)
	sign := ""
	if n < 0 {
		sign, s = "-", fmt.Sprintf("%0*d", digits+1, uint64(-n))
	}
	return sign + s[:len(s)-digits] + "." + s[len(s)-digits:]
}
