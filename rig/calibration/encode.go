package calibration

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"

	"drench/rig"

	"go.yaml.in/yaml/v3"
)

// form is how a file has a quantity: exact, in a unit that people use.
type form struct {
	unit   string
	digits int   // nano units in the unit are 10^digits
	zero   int64 // nano units at 0
}

var forms = map[rig.Unit]form{
	rig.Volt: {"V", 9, 0}, rig.Kelvin: {"K", 9, 0}, rig.RelHum: {"%RH", 5, 0}, rig.Litre: {"ul", 3, 0},
	rig.LitreRate: {"ml/min", 6, 0}, rig.Second: {"ms", 6, 0}, rig.SlewRate: {"V/s", 9, 0}, rig.Metre: {"mm", 6, 0},
}

var celsius = form{"°C", 9, 273_150_000_000}

func (f form) text(n int64) string {
	n -= f.zero
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	s := fmt.Sprintf("%0*d", f.digits+1, n)
	s = strings.TrimRight(s[:len(s)-f.digits]+"."+s[len(s)-f.digits:], "0")
	return sign + strings.TrimSuffix(s, ".") + " " + f.unit
}

// encode writes a record as [Read] takes it.
func encode(r Record) ([]byte, error) {
	n, err := node("", reflect.ValueOf(r))
	if err != nil {
		return nil, err
	}
	n.HeadComment = "Calibration of " + r.What() + ", written by drench calibrate. Every u is a standard uncertainty\n(JCGM 100). Result is computed from the rest; a file in which it is not is refused."
	return yaml.Marshal(n)
}

// node gives v the form that [config.Decode] reads. Items of a list stand in a
// line each.
func node(key string, v reflect.Value) (*yaml.Node, error) {
	if unit, ok := rig.UnitOf(v.Interface()); ok {
		f, known := forms[unit]
		if !known {
			return nil, fmt.Errorf("%s: no way to write a quantity such as %q", key, unit.Example())
		}
		if unit == rig.Kelvin && !strings.HasSuffix(key, "_u") {
			f = celsius
		}
		return &yaml.Node{Kind: yaml.ScalarNode, Value: f.text(v.Int())}, nil
	}
	switch v.Kind() {
	case reflect.Pointer:
		return node(key, v.Elem())
	case reflect.String:
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Style: yaml.DoubleQuotedStyle, Value: v.String()}, nil
	case reflect.Int:
		return &yaml.Node{Kind: yaml.ScalarNode, Value: strconv.FormatInt(v.Int(), 10)}, nil
	case reflect.Float64:
		return &yaml.Node{Kind: yaml.ScalarNode, Value: strconv.FormatFloat(v.Float(), 'f', -1, 64)}, nil
	case reflect.Slice:
		return sequence(key, v)
	case reflect.Struct:
		return mapping(v)
	}
	return nil, fmt.Errorf("%s: no way to write a %v", key, v.Type())
}

func sequence(key string, v reflect.Value) (*yaml.Node, error) {
	list := &yaml.Node{Kind: yaml.SequenceNode}
	for i := range v.Len() {
		item, err := node(key, v.Index(i))
		if err != nil {
			return nil, err
		}
		if !hasList(item) {
			item.Style = yaml.FlowStyle
		}
		list.Content = append(list.Content, item)
	}
	return list, nil
}

func hasList(n *yaml.Node) bool {
	for _, c := range n.Content {
		if c.Kind == yaml.SequenceNode {
			return true
		}
	}
	return false
}

func mapping(v reflect.Value) (*yaml.Node, error) {
	m := &yaml.Node{Kind: yaml.MappingNode}
	for i := range v.NumField() {
		key, option, _ := strings.Cut(v.Type().Field(i).Tag.Get("yaml"), ",")
		f := v.Field(i)
		if key == "" || key == "-" || f.Kind() == reflect.Pointer && f.IsNil() || option == "omitempty" && f.IsZero() {
			continue
		}
		value, err := node(key, f)
		if err != nil {
			return nil, err
		}
		m.Content = append(m.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: key}, value)
	}
	return m, nil
}
