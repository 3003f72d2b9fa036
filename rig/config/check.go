package config

import (
	"maps"
	"reflect"
	"slices"
	"strconv"

	"go.yaml.in/yaml/v3"
)

// step is one key on the way to a value, with the nodes of key and value; both
// are nil where the file is silent.
type step struct {
	at    *yaml.Node // where messages point
	value *yaml.Node
}

// place is the way from the top of the file to a value.
type place []step

// down follows a key, or the index of a list item.
func (t *tree) down(p place, key string) place {
	next := step{}
	if n := p[len(p)-1].value; n != nil {
		next = t.child(n, key)
	}
	return append(p[:len(p):len(p)], next)
}

func (t *tree) child(n *yaml.Node, key string) step {
	switch n.Kind {
	case yaml.MappingNode:
		for i := 0; i < len(n.Content); i += 2 {
			if k := n.Content[i]; k.Value == key || t.meant[k] == key {
				return step{k, n.Content[i+1]}
			}
		}
	case yaml.SequenceNode:
		if i, err := strconv.Atoi(key); err == nil && i >= 0 && i < len(n.Content) {
			return step{n.Content[i], n.Content[i]}
		}
	}
	return step{}
}

// report adds problems of the struct at p, each at the key it names or at the
// nearest one above that the file has, unless that is known to be wrong.
func (t *tree) report(p place, problems []Problem) {
	if t.unreadable {
		return
	}
	for _, problem := range problems {
		way := p
		for _, key := range problem.Path {
			way = t.down(way, key)
		}
		if at, ok := t.nearestNode(way); ok {
			t.errs = append(t.errs, Error{File: t.file, Line: at.Line, Col: at.Column, What: problem.What, Want: problem.Want})
		}
	}
}

// nearestNode is the last node of the way that the file has; ok = false if any
// node of the way has an error already.
func (t *tree) nearestNode(way place) (at *yaml.Node, ok bool) {
	at = &yaml.Node{Line: 1, Column: 1}
	for _, s := range way {
		if s.at != nil {
			at = s.at
		}
		if s.at != nil && t.bad[s.at] || s.value != nil && t.bad[s.value] {
			return at, false
		}
	}
	return at, true
}

// check calls the Check method of every struct in v.
func (t *tree) check(p place, v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			t.check(p, v.Elem())
		}
	case reflect.Struct:
		t.checkStruct(p, v)
		t.checkFields(p, fields(v))
	case reflect.Slice:
		for i := range v.Len() {
			t.check(t.down(p, strconv.Itoa(i)), v.Index(i))
		}
	case reflect.Map:
		keys := map[string]reflect.Value{}
		for _, k := range v.MapKeys() {
			e := reflect.New(v.Type().Elem()).Elem() // map elements have no address
			e.Set(v.MapIndex(k))
			keys[k.String()] = e
		}
		t.checkFields(p, keys)
	}
}

func (t *tree) checkStruct(p place, s reflect.Value) {
	if c, ok := s.Addr().Interface().(Checker); ok {
		t.report(p, c.Check())
	}
}

// checkFields goes by the alphabet, so that the same file always gives the same
// list of errors.
func (t *tree) checkFields(p place, keys map[string]reflect.Value) {
	for _, key := range slices.Sorted(maps.Keys(keys)) {
		t.check(t.down(p, key), keys[key])
	}
}
