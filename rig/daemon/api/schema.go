package api

import (
	"encoding"
	"encoding/json"
	"fmt"
	"path"
	"reflect"
	"strings"
	"time"
	"unicode"

	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/daemon"
)

// schema is a JSON Schema (2020-12, the dialect of OpenAPI 3.1).
type schema map[string]any

var verdictWords = []any{"none", "pass", "inconc", "fail", "error"}

// words are the values of types that have a few.
var words = map[reflect.Type][]any{
	reflect.TypeFor[daemon.State]():    {daemon.Queued, daemon.Running, daemon.Finished, daemon.Cancelled, daemon.Interrupted},
	reflect.TypeFor[store.State]():     {store.Running, store.Done},
	reflect.TypeFor[verdict.Verdict](): verdictWords,
	reflect.TypeFor[verdictWord]():     verdictWords,
	reflect.TypeFor[rig.DipShape]():    anys(rig.DipShapes),
	reflect.TypeFor[rig.Standing]():    {rig.Valid, rig.Expired, rig.Future},
	reflect.TypeFor[eventKind]():       anys(eventKinds()),
}

func anys[T any](list []T) []any {
	out := make([]any, len(list))
	for i, v := range list {
		out[i] = v
	}
	return out
}

// schemas makes schemas of Go types as encoding/json writes and reads them.
// Named structs go into components, and are referred to.
type schemas struct {
	components map[string]any
	types      map[string]reflect.Type
}

func newSchemas() *schemas {
	return &schemas{components: map[string]any{}, types: map[string]reflect.Type{}}
}

var (
	timeType = reflect.TypeFor[time.Time]()
	rawType  = reflect.TypeFor[json.RawMessage]()
	textType = reflect.TypeFor[encoding.TextMarshaler]()
)

// of returns the schema of a type.
func (s *schemas) of(t reflect.Type) schema {
	switch {
	case words[t] != nil:
		return schema{"type": "string", "enum": words[t]}
	case t == timeType:
		return schema{"type": "string", "format": "date-time"}
	case t == rawType || t.Kind() == reflect.Interface:
		return schema{}
	case t.Implements(textType):
		return schema{"type": "string"}
	case t.Kind() == reflect.Struct:
		if inner, ok := embeds(t); ok {
			return s.of(inner)
		}
		return s.reference(t)
	}
	return s.plain(t)
}

// integers are the bounds of integers, which JSON has none of.
var integers = map[reflect.Kind]schema{
	reflect.Int: {"format": "int64"}, reflect.Int64: {"format": "int64"}, reflect.Int32: {"format": "int32"},
	reflect.Uint8: {"minimum": 0, "maximum": 1<<8 - 1}, reflect.Uint16: {"minimum": 0, "maximum": 1<<16 - 1},
	reflect.Uint32: {"minimum": 0, "maximum": uint32(1<<32 - 1)},
	reflect.Uint64: {"minimum": 0, "maximum": uint64(1<<64 - 1)}, reflect.Uint: {"minimum": 0, "maximum": uint64(1<<64 - 1)},
}

func (s *schemas) plain(t reflect.Type) schema {
	switch kind := t.Kind(); kind {
	case reflect.String:
		return schema{"type": "string"}
	case reflect.Bool:
		return schema{"type": "boolean"}
	case reflect.Float64, reflect.Float32:
		return schema{"type": "number"}
	case reflect.Pointer:
		return s.of(t.Elem())
	case reflect.Slice, reflect.Array:
		return schema{"type": "array", "items": s.of(t.Elem())}
	case reflect.Map:
		return schema{"type": "object", "additionalProperties": s.of(t.Elem())}
	default:
		out := schema{"type": "integer"}
		for k, v := range integers[kind] {
			out[k] = v
		}
		return out
	}
}

// embeds returns the one struct that a struct is made of and nothing else: it
// only gives it methods.
func embeds(t reflect.Type) (reflect.Type, bool) {
	if t.NumField() == 1 && t.Field(0).Anonymous {
		return t.Field(0).Type, true
	}
	return nil, false
}

// reference makes a struct a component, once, and refers to it.
func (s *schemas) reference(t reflect.Type) schema {
	name := componentName(t)
	ref := schema{"$ref": "#/components/schemas/" + name}
	if s.types[name] == t {
		return ref
	}
	if other := s.types[name]; other != nil {
		// Two types under one name are a mistake in this package; the
		// document's test finds the name.
		name = fmt.Sprintf("AMBIGUOUS_%s_%s", other, t)
	}
	s.types[name] = t
	properties, required := schema{}, []string{}
	for _, f := range reflect.VisibleFields(t) {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && name == "" || !f.IsExported() || name == "-" {
			continue
		}
		if name == "" {
			name = f.Name
		}
		left := strings.Contains(options, "omitempty") || strings.Contains(options, "omitzero")
		properties[name] = s.field(t, f.Type, left)
		if !left {
			required = append(required, name)
		}
	}
	out := schema{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		out["required"] = required
	}
	s.components[name] = out
	return ref
}

// field allows for null where encoding/json writes it. Lists and maps of this
// package's own types are never nil.
func (s *schemas) field(of, t reflect.Type, left bool) schema {
	out := s.of(t)
	own := of.PkgPath() == reflect.TypeFor[schemas]().PkgPath()
	switch t.Kind() {
	case reflect.Pointer:
	case reflect.Slice, reflect.Map:
		if own || t == rawType {
			return out
		}
	default:
		return out
	}
	if left {
		return out
	}
	return schema{"anyOf": []any{out, schema{"type": "null"}}}
}

// componentName is a type's name: as it is for the daemon's types and this
// package's, and else with its package's before it.
func componentName(t reflect.Type) string {
	name := t.Name()
	if i := strings.IndexByte(name, '['); i >= 0 {
		name = name[:i]
	}
	switch pkg := path.Base(t.PkgPath()); pkg {
	case "api", "daemon":
		return capital(name)
	default:
		return capital(pkg) + capital(name)
	}
}

func capital(s string) string {
	r := []rune(s)
	r[0] = unicode.ToUpper(r[0])
	return string(r)
}
