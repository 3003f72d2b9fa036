package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"strconv"
	"strings"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

type groupAbout struct {
	name  group
	about string
}

// groups are what the operations are sorted by, in the document's order.
var groups = []groupAbout{
	{live, "What the bench does now; stop and pause."},
	{queue, "Jobs: runs that wait, go on or are over."},
	{nights, "Sets of runs that a schedule starts."},
	{runs, "Runs that are stored: timelines, reports, judgements, tags."},
	{lots, "Lots that are accepted or rejected by a sample, with a ledger for each product: see docs/lots.md."},
	{files, "Scripts, limits and profiles that the daemon keeps."},
	{bench, "Trips of interlocks, and calibration records."},
	{about, "The API itself."},
}

// document is the table as an OpenAPI 3.1 document.
func document(table []operation) map[string]any {
	s := newSchemas()
	s.of(reflect.TypeFor[Problem]())
	paths := map[string]any{}
	for _, o := range table {
		item, _ := paths[o.path].(map[string]any)
		if item == nil {
			item = map[string]any{}
			paths[o.path] = item
		}
		item[strings.ToLower(o.method)] = o.document(s)
	}
	tags := make([]any, len(groups))
	for i, g := range groups {
		tags[i] = map[string]any{"name": string(g.name), "description": g.about}
	}
	return map[string]any{
		"openapi":           "3.1.0",
		"jsonSchemaDialect": "https://json-schema.org/draft/2020-12/schema",
		"info": map[string]any{"title": "drench", "version": "1", "license": map[string]any{"name": "MIT", "identifier": "MIT"},
			"description": "The bench's daemon. Instants of events are nanoseconds on the bench's clock; values are whole numbers in the channel's unit."},
		"servers":  []any{map[string]any{"url": "/"}},
		"security": []any{map[string]any{"token": []any{}}, map[string]any{}},
		"tags":     tags,
		"paths":    paths,
		"components": map[string]any{
			"schemas":         s.components,
			"securitySchemes": map[string]any{"token": map[string]any{"type": "http", "scheme": "bearer", "description": "On the machine itself none is asked for."}},
			"responses": map[string]any{"Problem": map[string]any{"description": "A problem (RFC 9457).",
				"content": map[string]any{"application/problem+json": map[string]any{"schema": schema{"$ref": "#/components/schemas/Problem"}}}}},
		},
	}
}

// document is one operation's part.
func (o operation) document(s *schemas) map[string]any {
	out := map[string]any{
		"operationId": o.id, "summary": o.summary, "tags": []any{string(o.group)},
		"description": "Needs the role " + o.role.String() + ".", "x-role": o.role.String(),
	}
	var params []any
	for _, f := range fieldsOf(o.request) {
		if f.place == "body" {
			out["requestBody"] = map[string]any{"required": true, "content": map[string]any{f.name: map[string]any{"schema": s.of(f.field.Type)}}}
			continue
		}
		params = append(params, map[string]any{"name": f.name, "in": f.place, "required": f.place == "path",
			"description": f.field.Tag.Get("about"), "schema": s.parameter(f)})
	}
	if params != nil {
		out["parameters"] = params
	}
	good := o.good(s)
	responses := map[string]any{strconv.Itoa(o.status): good, "default": map[string]any{"$ref": "#/components/responses/Problem"}}
	if o.creates {
		responses[strconv.Itoa(http.StatusCreated)] = good
	}
	if o.answer.Implements(reflect.TypeFor[versioned]()) && o.method == http.MethodGet {
		responses[strconv.Itoa(http.StatusNotModified)] = map[string]any{"description": "It is still the version that If-None-Match names."}
	}
	out["responses"] = responses
	return out
}

// good is the answer if all goes well.
func (o operation) good(s *schemas) map[string]any {
	out := map[string]any{"description": http.StatusText(o.status)}
	if o.answer.Implements(reflect.TypeFor[versioned]()) {
		out["headers"] = map[string]any{"ETag": map[string]any{"description": "The version, for If-Match.", "schema": schema{"type": "string"}}}
	}
	if o.media == "" {
		return out
	}
	content := map[string]any{"schema": s.of(o.answer)}
	if o.lines {
		// OpenAPI 3.1 has no word for the schema of each of many.
		content = map[string]any{"schema": schema{"type": "string"}, "x-each": s.of(o.answer)}
	}
	out["content"] = map[string]any{o.media: content}
	return out
}

// parameter is the schema of a parameter.
func (s *schemas) parameter(f placed) schema {
	out := s.of(f.field.Type)
	if out["type"] == "integer" {
		out["minimum"], out["maximum"] = f.bounds()
	}
	return out
}

// compiled makes the document's schemas ready to hold values against.
func compiled(doc map[string]any) (*jsonschema.Compiler, error) {
	b, err := json.Marshal(doc)
	if err != nil {
		return nil, fmt.Errorf("write the OpenAPI document: %w", err)
	}
	value, err := jsonschema.UnmarshalJSON(strings.NewReader(string(b)))
	if err != nil {
		return nil, fmt.Errorf("read the OpenAPI document: %w", err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	c.DefaultDraft(jsonschema.Draft2020)
	if err := c.AddResource(documentURL, value); err != nil {
		return nil, fmt.Errorf("take the OpenAPI document: %w", err)
	}
	return c, nil
}

// documentURL is what the compiler calls the document; nothing is loaded.
const documentURL = "drench:///openapi.json"

// bodySchemas are the schemas of JSON bodies, by operation.
func bodySchemas(table []operation) (map[string]*jsonschema.Schema, error) {
	c, err := compiled(document(table))
	if err != nil {
		return nil, err
	}
	out := map[string]*jsonschema.Schema{}
	for _, o := range table {
		for _, f := range fieldsOf(o.request) {
			if f.place != "body" || f.name != jsonType {
				continue
			}
			at := "#/paths/" + strings.NewReplacer("~", "~0", "/", "~1", "{", "%7B", "}", "%7D").Replace(o.path) + "/" + strings.ToLower(o.method) +
				"/requestBody/content/application~1json/schema"
			if out[o.id], err = c.Compile(documentURL + at); err != nil {
				return nil, fmt.Errorf("compile the schema of what %s takes: %w", o.id, err)
			}
		}
	}
	return out, nil
}
