package api

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
)

var anew = flag.Bool("update", false, "write the lists in docs/api.md anew")

const docsPath = "../../../docs/api.md"

// TestDocs holds the lists in the documentation against the tables they come
// from.
func TestDocs(t *testing.T) {
	b, err := os.ReadFile(docsPath)
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	text = between(t, text, "<!-- problems -->\n", problemList())
	text = between(t, text, "<!-- operations -->\n", operationList())
	if text == string(b) {
		return
	}
	if !*anew {
		t.Fatal("docs/api.md has other lists than the program; write them anew with: go test ./rig/daemon/api -run TestDocs -update")
	}
	if err := os.WriteFile(docsPath, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// between puts a list between a mark and the end of it.
func between(t *testing.T, text, mark, list string) string {
	t.Helper()
	before, rest, found := strings.Cut(text, mark)
	_, after, ends := strings.Cut(rest, "<!-- end -->")
	if !found || !ends {
		t.Fatalf("docs/api.md lacks %q or its end", mark)
	}
	return before + mark + list + "<!-- end -->" + after
}

func problemList() string {
	var out strings.Builder
	out.WriteString("| status | type | means |\n|---|---|---|\n")
	for _, k := range classes {
		fmt.Fprintf(&out, "| %d | `%s` | %s |\n", k.Status, k.Slug, k.About)
	}
	return out.String()
}

func operationList() string {
	var out strings.Builder
	out.WriteString("| operation | role | does |\n|---|---|---|\n")
	for _, o := range operations() {
		var query []string
		for _, f := range fieldsOf(o.request) {
			if f.place == "query" {
				query = append(query, f.name)
			}
		}
		asked := ""
		if query != nil {
			asked = " (`" + strings.Join(query, "`, `") + "`)"
		}
		fmt.Fprintf(&out, "| `%s %s`%s | %s | %s |\n", o.method, strings.TrimPrefix(o.path, Root), asked, o.role, o.summary)
	}
	return out.String()
}

// TestExamples runs the documentation's commands, in its order, as they stand
// but for the daemon's address.
func TestExamples(t *testing.T) {
	if _, err := exec.LookPath("curl"); err != nil {
		if os.Getenv("DRENCH_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	b, err := os.ReadFile(docsPath)
	if err != nil {
		t.Fatal(err)
	}
	s := local(t)
	script, commands := "set -eu\ncurl() { command curl -sS --fail-with-body \"$@\"; }\n", 0
	for line := range strings.Lines(string(b)) {
		if command, ok := strings.CutPrefix(line, "    "); ok {
			script += strings.Replace(command, "http://localhost:8480", s.URL, 1)
			commands++
		}
	}
	if commands < 20 {
		t.Errorf("%d commands found", commands)
	}
	cmd := exec.CommandContext(t.Context(), "bash", "-c", script)
	cmd.Dir = t.TempDir()
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%.3000s", err, out)
	}
}
