package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"strings"
	"unicode/utf8"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/santhosh-tekuri/jsonschema/v6/kind"
	"golang.org/x/text/language"
	"golang.org/x/text/message"

	"drench/rig/mistake"
)

// readBody reads a body of the media type that its field names.
func readBody(w http.ResponseWriter, r *http.Request, f placed, to reflect.Value, body *jsonschema.Schema) error {
	media, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != f.name {
		return &failure{class: wrongType, where: "header Content-Type", what: "it is " + mistake.Quote(r.Header.Get("Content-Type")), want: f.name, cause: err}
	}
	if set := params["charset"]; set != "" && !strings.EqualFold(set, "utf-8") {
		return &failure{class: wrongType, where: "header Content-Type", what: "the charset is " + mistake.Quote(set), want: "utf-8"}
	}
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		return err
	case err != nil:
		return &failure{class: malformed, where: "body", what: "it can't be read to its end: " + err.Error(), want: "all of it", cause: err}
	case !utf8.Valid(b):
		return &failure{class: malformed, where: "body", what: "it has bytes that are no characters", want: "UTF-8"}
	case f.name == jsonType:
		return decode(b, to, body)
	}
	to.SetString(string(b))
	return nil
}

// decode reads one JSON value that suits the schema that the document shows.
func decode(b []byte, to reflect.Value, body *jsonschema.Schema) error {
	if err := wellFormed(b); err != nil {
		return err
	}
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		return &failure{class: malformed, where: "body", what: err.Error(), want: "one JSON value", cause: err}
	}
	var invalid *jsonschema.ValidationError
	if err := body.Validate(value); errors.As(err, &invalid) {
		return &failure{class: malformed, where: "body" + pointer(invalid), what: said(invalid), want: "what " + Root + "/openapi.json shows", problems: all(invalid), cause: err}
	} else if err != nil {
		return fmt.Errorf("hold the body against its schema: %w", err)
	}
	// A schema takes 1.0 for an integer, and knows no 64 bits.
	if err := json.Unmarshal(b, to.Addr().Interface()); err != nil {
		return &failure{class: malformed, where: "body", what: err.Error(), want: "numbers that fit", cause: err}
	}
	return nil
}

// wellFormed refuses what is not JSON, and an object that has a name twice,
// of which one would be lost.
func wellFormed(b []byte) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	if err := once(d); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return &failure{class: malformed, where: fmt.Sprintf("body, byte %d", d.InputOffset()), what: "more follows after the JSON value", want: "one value"}
	}
	return nil
}

// once reads a value from its tokens.
func once(d *json.Decoder) error {
	token, err := d.Token()
	if err != nil {
		return notJSON(d, err)
	}
	open, ok := token.(json.Delim)
	if !ok {
		return nil
	}
	seen := map[string]bool{}
	for d.More() {
		if open == '{' {
			name, err := d.Token()
			if err != nil {
				return notJSON(d, err)
			}
			if text := name.(string); seen[text] { // the decoder takes nothing else there
				return &failure{class: malformed, where: fmt.Sprintf("body, byte %d", d.InputOffset()), what: "the name " + mistake.Quote(text) + " stands there twice", want: "it once"}
			} else {
				seen[text] = true
			}
		}
		if err := once(d); err != nil {
			return err
		}
	}
	if _, err := d.Token(); err != nil {
		return notJSON(d, err)
	}
	return nil
}

func notJSON(d *json.Decoder, err error) error {
	what := err.Error()
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		what = "it ends too soon"
	}
	return &failure{class: malformed, where: fmt.Sprintf("body, byte %d", d.InputOffset()), what: what, want: "JSON", cause: err}
}

// first is the innermost thing that a body has wrong.
func first(e *jsonschema.ValidationError) *jsonschema.ValidationError {
	for len(e.Causes) > 0 {
		e = e.Causes[0]
	}
	return e
}

// pointer says where in the body, as a JSON pointer (RFC 6901).
func pointer(e *jsonschema.ValidationError) string {
	text := ""
	for _, step := range first(e).InstanceLocation {
		text += "/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(step)
	}
	if text != "" {
		text = " " + text
	}
	return text
}

func said(e *jsonschema.ValidationError) string {
	return first(e).ErrorKind.LocalizedString(message.NewPrinter(language.English))
}

// all says each thing that is wrong.
func all(e *jsonschema.ValidationError) []string {
	if len(e.Causes) == 0 {
		return []string{"body" + pointer(e) + ": " + said(e)}
	}
	var list []string
	for _, c := range e.Causes {
		if _, ok := c.ErrorKind.(*kind.Type); ok && len(e.Causes) > 1 && isChoice(e) && strings.HasSuffix(said(c), "want null") {
			continue // null is never what is meant
		}
		list = append(list, all(c)...)
	}
	return list
}

func isChoice(e *jsonschema.ValidationError) bool {
	_, ok := e.ErrorKind.(*kind.AnyOf)
	return ok
}
