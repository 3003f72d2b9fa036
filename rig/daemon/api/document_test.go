package api

import (
	"encoding/json"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"drench/rig"
	"drench/rig/daemon/access"
)

// metaSchema is the OpenAPI Initiative's schema of OpenAPI 3.1 documents.
func metaSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	f, err := os.Open("testdata/openapi-3.1.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	value, err := jsonschema.UnmarshalJSON(f)
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("oas.json", value); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("oas.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// parsed is the document as its readers get it.
func parsed(t *testing.T) map[string]any {
	t.Helper()
	b, err := json.Marshal(document(operations()))
	if err != nil {
		t.Fatal(err)
	}
	value, err := jsonschema.UnmarshalJSON(strings.NewReader(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	return value.(map[string]any)
}

// TestDocument holds the document against the schema of such documents, which
// must refuse it once it is spoilt.
func TestDocument(t *testing.T) {
	meta := metaSchema(t)
	if err := meta.Validate(parsed(t)); err != nil {
		t.Fatalf("%#v", err)
	}
	operation := func(d map[string]any) map[string]any {
		return d["paths"].(map[string]any)[Root+"/jobs/{id}"].(map[string]any)["get"].(map[string]any)
	}
	for name, spoil := range map[string]func(map[string]any){
		"no title":            func(d map[string]any) { delete(d["info"].(map[string]any), "title") },
		"unknown word":        func(d map[string]any) { operation(d)["sumary"] = "" },
		"tag that is no text": func(d map[string]any) { operation(d)["tags"] = 3 },
		"parameter nowhere":   func(d map[string]any) { delete(operation(d)["parameters"].([]any)[0].(map[string]any), "in") },
		"answer undescribed": func(d map[string]any) {
			delete(operation(d)["responses"].(map[string]any)["200"].(map[string]any), "description")
		},
	} {
		d := parsed(t)
		spoil(d)
		if meta.Validate(d) == nil {
			t.Errorf("%s: not refused", name)
		}
	}
}

// TestSchemas compiles every schema of the document, and looks for what a
// reader would miss in it.
func TestSchemas(t *testing.T) {
	d := parsed(t)
	c, err := compiled(document(operations()))
	if err != nil {
		t.Fatal(err)
	}
	for name := range d["components"].(map[string]any)["schemas"].(map[string]any) {
		if _, err := c.Compile(documentURL + "#/components/schemas/" + name); err != nil {
			t.Error(err)
		}
		if strings.HasPrefix(name, "AMBIGUOUS") || !regexp.MustCompile(`^[A-Za-z]+$`).MatchString(name) {
			t.Errorf("component %s", name)
		}
	}
	ids := map[string]bool{}
	for _, o := range operations() {
		if ids[o.id] {
			t.Errorf("%s twice", o.id)
		}
		ids[o.id] = true
		var inPath []string
		for _, f := range fieldsOf(o.request) {
			if f.place == "path" {
				inPath = append(inPath, "{"+f.name+"}")
			}
			if f.place != "body" && f.field.Tag.Get("about") == "" {
				t.Errorf("%s: %s is not explained", o.id, f.name)
			}
		}
		if want := regexp.MustCompile(`\{.*?\}`).FindAllString(o.path, -1); !slices.Equal(inPath, want) {
			t.Errorf("%s: path has %v, the request %v", o.id, want, inPath)
		}
		if !slices.ContainsFunc(groups, func(g groupAbout) bool { return g.name == o.group }) {
			t.Errorf("%s: group %q is not explained", o.id, o.group)
		}
		if o.role < access.Viewer || o.summary == "" {
			t.Errorf("%s: role %v, summary %q", o.id, o.role, o.summary)
		}
	}
}

// TestWords: every unit and every kind of event has a word.
func TestWords(t *testing.T) {
	for u := rig.Level; u <= rig.TempRate; u++ {
		if unitOf(u) == "" {
			t.Errorf("unit %d has no word", u)
		}
	}
	if slices.Contains(eventKinds(), "") || eventKinds()[len(eventKinds())-1] != "failed" {
		t.Errorf("%q", eventKinds())
	}
	for _, k := range classes {
		if k.Status < 400 || k.About == "" {
			t.Errorf("%+v", k)
		}
	}
}
