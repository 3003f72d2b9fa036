package config

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strconv"

	"drench/rig"
	"drench/rig/mistake"

	"go.yaml.in/yaml/v3"
)

// Numbers are plain decimals. YAML would take 0x10, 1_000 and 010 as well, and
// the last means 8 to some readers and 10 to others.
var (
	whole   = regexp.MustCompile(`^-?(?:0|[1-9][0-9]*)$`)
	decimal = regexp.MustCompile(`^-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?$`)
)

// quantity reads a value with its unit.
func (t *tree) quantity(n *yaml.Node, what string, v reflect.Value, unit rig.Unit) {
	want := fmt.Sprintf("a value with its unit, such as %q", unit.Example())
	if n.Kind != yaml.ScalarNode {
		t.add(n, fmt.Sprintf("%s is %s", what, kind(n)), want)
		return
	}
	if decimal.MatchString(n.Value) {
		t.add(n, fmt.Sprintf("%s is %s without a unit", what, mistake.Quote(n.Value)), want)
		return
	}
	q, err := rig.ParseQuantity(n.Value)
	switch {
	case err != nil:
		t.add(n, fmt.Sprintf("%s: %v", what, err), want)
	case q.Unit != unit:
		t.add(n, fmt.Sprintf("%s is %s, the wrong kind of unit", what, mistake.Quote(n.Value)), want)
	default:
		v.SetInt(q.N)
	}
}

// scalar reads text, true or false, or a number.
func (t *tree) scalar(n *yaml.Node, what string, v reflect.Value) {
	ok := n.Kind == yaml.ScalarNode && setScalar(n, v)
	switch {
	case ok:
	case n.Kind == yaml.ScalarNode && (n.Tag == "!!int" || n.Tag == "!!float"):
		t.add(n, fmt.Sprintf("%s is the number %s", what, n.Value), wanted(v))
	case n.Kind == yaml.ScalarNode:
		t.add(n, fmt.Sprintf("%s is %s", what, mistake.Quote(n.Value)), wanted(v))
	default:
		t.add(n, fmt.Sprintf("%s is %s", what, kind(n)), wanted(v))
	}
}

func setScalar(n *yaml.Node, v reflect.Value) bool {
	plain := n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) == 0
	switch v.Kind() {
	case reflect.String:
		if n.Tag != "!!str" {
			return false
		}
		v.SetString(n.Value)
		return true
	case reflect.Bool:
		v.SetBool(n.Value == "true")
		return plain && (n.Value == "true" || n.Value == "false")
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		i, err := strconv.ParseInt(n.Value, 10, v.Type().Bits())
		v.SetInt(i)
		return err == nil && plain && whole.MatchString(n.Value)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		i, err := strconv.ParseUint(n.Value, 10, v.Type().Bits())
		v.SetUint(i)
		return err == nil && plain && whole.MatchString(n.Value)
	case reflect.Float64:
		f, err := strconv.ParseFloat(n.Value, 64)
		v.SetFloat(f)
		return err == nil && plain && decimal.MatchString(n.Value)
	}
	return false
}

// wanted says what v can be read from.
func wanted(v reflect.Value) string {
	if unit, ok := rig.UnitOf(v.Interface()); ok {
		return fmt.Sprintf("a value with its unit, such as %q", unit.Example())
	}
	switch v.Kind() {
	case reflect.Pointer:
		return wanted(reflect.New(v.Type().Elem()).Elem())
	case reflect.Struct:
		return keyList(fields(v))
	case reflect.Map:
		return "names with values"
	case reflect.Slice:
		return "a list"
	case reflect.String:
		return "text, in quotes if it looks like something else"
	case reflect.Bool:
		return "true or false"
	case reflect.Float64:
		return "a number such as 0.5"
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return fmt.Sprintf("a whole number from 0 to %d", ^uint64(0)>>(64-v.Type().Bits()))
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		most := int64(1)<<(v.Type().Bits()-1) - 1
		if most > math.MaxInt32 {
			return "a whole number"
		}
		return fmt.Sprintf("a whole number from %d to %d", -most-1, most)
	}
	return "a field that can be read; " + v.Type().String() + " can't"
}

// kind names what n is to someone who has never heard of nodes.
func kind(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a group of keys"
	case yaml.SequenceNode:
		return "a list"
	}
	if n.Tag == "!!int" || n.Tag == "!!float" {
		return "the number " + n.Value
	}
	return "the text " + mistake.Quote(n.Value)
}
