package config

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"drench/rig"
	"drench/rig/mistake"

	"go.yaml.in/yaml/v3"
)

// Decode reads YAML text into the struct that v points to, by its `yaml:"key"`
// tags. file is only for messages.
//
// What v holds already are defaults: a field stays as it is when the file does
// not name it, nested structs field by field. A list or a map in the file
// replaces the default as a whole. Quantities, that is fields of a type that
// [rig.UnitOf] knows, are written with their unit ("3.3 V"). Other fields may
// be text, bool, whole numbers, float64, and structs, pointers to structs,
// lists, and maps by string of all these. Fields without a tag, or tagged "-",
// are not the file's to set.
//
// After reading, the Check method of every struct that has one is called, also
// where the file was silent.
//
// The error, if any, is of type [Errors] and lists all that is wrong; v then
// holds what could be read. A v that can't be decoded into is a plain error.
func Decode(file string, text []byte, v any) error {
	t := parse(file, text)
	if err := decode(t, v, nil); err != nil {
		return err
	}
	return t.err()
}

// decode reads t into the struct that v points to, and the values of further
// top-level keys into the structs that sections has for them. A nil there
// accepts whatever the file says. What the file has wrong is left in t; the
// error is for a v or section that can't be decoded into.
func decode(t *tree, v any, sections map[string]any) error {
	keys := map[string]reflect.Value{}
	for key, s := range sections {
		keys[key] = reflect.Value{}
		if s == nil {
			continue
		}
		p, err := target(s)
		if err != nil {
			return fmt.Errorf("decode section %s: %w", key, err)
		}
		keys[key] = p
	}
	top, err := target(v)
	if err != nil {
		return fmt.Errorf("decode %s: %w", t.file, err)
	}
	for key, f := range fields(top) {
		keys[key] = f
	}
	if t.unreadable {
		return nil
	}
	if t.root != nil {
		t.mapping(t.root, "the file", keys)
	}
	t.checkStruct(place{{t.root, t.root}}, top)
	t.checkFields(place{{t.root, t.root}}, keys)
	return nil
}

func target(v any) (reflect.Value, error) {
	p := reflect.ValueOf(v)
	if p.Kind() != reflect.Pointer || p.IsNil() || p.Elem().Kind() != reflect.Struct {
		return reflect.Value{}, fmt.Errorf("%T is no pointer to a struct", v)
	}
	return p.Elem(), nil
}

// fields returns what the struct s lets a file set, by key.
func fields(s reflect.Value) map[string]reflect.Value {
	keys := map[string]reflect.Value{}
	for i := range s.NumField() {
		tag, _, _ := strings.Cut(s.Type().Field(i).Tag.Get("yaml"), ",")
		if tag != "" && tag != "-" && s.Type().Field(i).IsExported() {
			keys[tag] = s.Field(i)
		}
	}
	return keys
}

// value reads n into v; what names it in messages.
func (t *tree) value(n *yaml.Node, what string, v reflect.Value) {
	if t.bad[n] || !v.IsValid() {
		return
	}
	if n.Tag == "!!null" {
		t.add(n, what+" is empty", wanted(v))
		return
	}
	if unit, ok := rig.UnitOf(v.Interface()); ok {
		t.quantity(n, what, v, unit)
		return
	}
	switch k := v.Kind(); {
	case k == reflect.Struct:
		t.mapping(n, what, fields(v))
	case k == reflect.Pointer:
		if v.IsNil() {
			v.Set(reflect.New(v.Type().Elem()))
		}
		t.value(n, what, v.Elem())
	case k == reflect.Map && v.Type().Key().Kind() == reflect.String:
		t.table(n, what, v)
	case k == reflect.Slice:
		t.list(n, what, v)
	default:
		t.scalar(n, what, v)
	}
}

// mapping reads the keys of n into the values that keys has for them.
func (t *tree) mapping(n *yaml.Node, what string, keys map[string]reflect.Value) {
	if n.Kind != yaml.MappingNode {
		t.add(n, fmt.Sprintf("%s is %s", what, kind(n)), keyList(keys))
		return
	}
	for i := 0; i < len(n.Content); i += 2 {
		k := n.Content[i]
		if t.bad[k] {
			continue
		}
		v, ok := keys[k.Value]
		if !ok {
			t.unknown(k, keys)
			continue
		}
		t.value(n.Content[i+1], name(k), v)
	}
}

// table reads n into a map by string.
func (t *tree) table(n *yaml.Node, what string, v reflect.Value) {
	if n.Kind != yaml.MappingNode {
		t.add(n, fmt.Sprintf("%s is %s", what, kind(n)), wanted(v))
		return
	}
	m := reflect.MakeMapWithSize(v.Type(), len(n.Content)/2)
	for i := 0; i < len(n.Content); i += 2 {
		k := n.Content[i]
		if t.bad[k] {
			continue
		}
		e := reflect.New(v.Type().Elem()).Elem()
		t.value(n.Content[i+1], name(k), e)
		m.SetMapIndex(reflect.ValueOf(k.Value).Convert(v.Type().Key()), e)
	}
	v.Set(m)
}

// list reads n into a slice.
func (t *tree) list(n *yaml.Node, what string, v reflect.Value) {
	if n.Kind != yaml.SequenceNode {
		t.add(n, fmt.Sprintf("%s is %s", what, kind(n)), wanted(v))
		return
	}
	s := reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content))
	for i, c := range n.Content {
		t.value(c, fmt.Sprintf("item %d of %s", i+1, what), s.Index(i))
	}
	v.Set(s)
}

// unknown complains about a key, with what was likely meant by it or else all
// that it could be.
func (t *tree) unknown(k *yaml.Node, keys map[string]reflect.Value) {
	want := keyList(keys)
	if near := mistake.Nearest(k.Value, slices.Collect(maps.Keys(keys)), 2); near != "" {
		t.meant[k] = near
		want = strconv.Quote(near) + ", perhaps"
	}
	t.add(k, "unknown key "+name(k), want)
}

// keyList lists what may stand in a mapping.
func keyList(keys map[string]reflect.Value) string {
	names := slices.Sorted(maps.Keys(keys))
	switch len(names) {
	case 0:
		return "no keys"
	case 1:
		return "the key " + names[0]
	}
	return "keys out of " + strings.Join(names, ", ")
}
