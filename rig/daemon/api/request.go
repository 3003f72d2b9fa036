package api

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"drench/rig/mistake"
)

// maxBody is how much of a body is read.
const maxBody = 1 << 20

// A request's type is a struct. Each of its fields comes from one place,
// which its tag names: path:"id", query:"limit", header:"If-Match", or
// body:"application/json". The tags about (what it is), least and most
// (bounds of a number) are for the document too.
var places = []string{"path", "query", "header", "body"}

// placed is a field of a request.
type placed struct {
	field reflect.StructField
	place string // path, query, header, body
	name  string // of the parameter, or the media type of the body
}

// fieldsOf lists the fields of a request's type.
func fieldsOf(t reflect.Type) []placed {
	var list []placed
	for _, f := range reflect.VisibleFields(t) {
		for _, place := range places {
			if name := f.Tag.Get(place); name != "" {
				list = append(list, placed{f, place, name})
			}
		}
	}
	return list
}

// read fills a request's struct from the HTTP request, strictly: what nobody
// asked for is refused, so that a slip is not taken for a wish.
func read(w http.ResponseWriter, r *http.Request, into reflect.Value, body *jsonschema.Schema) error {
	query, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return &failure{class: malformed, where: "query", what: "it can't be read: " + err.Error(), want: "name=value&…, with other characters as %XX", cause: err}
	}
	fields := fieldsOf(into.Type())
	if err := onlyKnown(query, fields); err != nil {
		return err
	}
	takesBody := false
	for _, f := range fields {
		to := into.FieldByIndex(f.field.Index)
		switch f.place {
		case "path":
			err = set(f, to, r.PathValue(f.name))
		case "query":
			err = set(f, to, query.Get(f.name))
		case "header":
			err = set(f, to, r.Header.Get(f.name))
		case "body":
			takesBody = true
			err = readBody(w, r, f, to, body)
		}
		if err != nil {
			return err
		}
	}
	if !takesBody {
		return noBody(w, r)
	}
	return nil
}

// noBody refuses a body that would be ignored.
func noBody(w http.ResponseWriter, r *http.Request) error {
	n, err := io.Copy(io.Discard, http.MaxBytesReader(w, r.Body, maxBody))
	if err == nil && n > 0 {
		return &failure{class: malformed, where: "body", what: fmt.Sprintf("there are %d bytes", n), want: "no body"}
	}
	return err
}

// onlyKnown refuses parameters that the operation does not have, and twice
// the same.
func onlyKnown(query url.Values, fields []placed) error {
	var known []string
	for _, f := range fields {
		if f.place == "query" {
			known = append(known, f.name)
		}
	}
	for name, values := range query {
		switch {
		case !slices.Contains(known, name):
			want := "none"
			if len(known) > 0 {
				want = "one of " + strings.Join(known, ", ")
			}
			if near := mistake.Nearest(name, known, 2); near != "" {
				want = near
			}
			return &failure{class: malformed, where: "query " + mistake.Quote(name), what: "there is no such parameter", want: want}
		case len(values) > 1:
			return &failure{class: malformed, where: "query " + name, what: fmt.Sprintf("it stands there %d times", len(values)), want: "it once"}
		}
	}
	return nil
}

// set reads a parameter; an empty one leaves the zero value.
func set(f placed, to reflect.Value, text string) error {
	if text == "" {
		return nil
	}
	if !utf8.ValidString(text) {
		return f.wrong(text, "UTF-8", nil)
	}
	if allowed := words[to.Type()]; allowed != nil {
		if !slices.ContainsFunc(allowed, func(v any) bool { return fmt.Sprint(v) == text }) {
			return f.wrong(text, oneOf(allowed), nil)
		}
	}
	switch v := to.Addr().Interface().(type) {
	case *time.Time:
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			return f.wrong(text, "an instant as in 2026-01-31T22:00:00Z", err)
		}
		*v = at
	case *bool:
		if text != "true" && text != "false" {
			return f.wrong(text, "true or false", nil)
		}
		*v = text == "true"
	default:
		if to.CanInt() {
			return setInt(f, to, text)
		}
		to.SetString(text)
	}
	return nil
}

func oneOf(list []any) string {
	text := make([]string, len(list))
	for i, v := range list {
		text[i] = fmt.Sprint(v)
	}
	return "one of " + strings.Join(text, ", ")
}

func setInt(f placed, to reflect.Value, text string) error {
	n, err := strconv.ParseInt(text, 10, 64)
	least, most := f.bounds()
	if err != nil || n < least || n > most {
		return f.wrong(text, fmt.Sprintf("a whole number from %d to %d", least, most), err)
	}
	to.SetInt(n)
	return nil
}

// bounds of a number: the tags least and most.
func (f placed) bounds() (least, most int64) {
	tag := func(name string, otherwise int64) int64 {
		if n, err := strconv.ParseInt(f.field.Tag.Get(name), 10, 64); err == nil {
			return n
		}
		return otherwise
	}
	return tag("least", 0), tag("most", 1<<63-1)
}

func (f placed) wrong(text, want string, cause error) error {
	return &failure{class: malformed, where: f.place + " " + f.name, what: "it is " + mistake.Quote(text), want: want, cause: cause}
}
