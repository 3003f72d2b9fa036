package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"drench/scenarios"
)

const root = "../.."

// read is a text of the source tree.
func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(root, path))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

var (
	codeBlock = regexp.MustCompile("(?ms)^```.*?^```$")
	link      = regexp.MustCompile(`\]\(([^)\s]+)\)`)
	heading   = regexp.MustCompile(`(?m)^#+ (.+)$`)
	notInLink = regexp.MustCompile(`[^\p{L}\p{N} _-]`)
)

// anchors are what links to the headings of a page end in.
func anchors(page string) []string {
	var list []string
	for _, m := range heading.FindAllStringSubmatch(codeBlock.ReplaceAllString(page, ""), -1) {
		list = append(list, strings.ReplaceAll(notInLink.ReplaceAllString(strings.ToLower(m[1]), ""), " ", "-"))
	}
	return list
}

// TestLinks: each link from one file to another leads somewhere, and the README
// leads to every page.
func TestLinks(t *testing.T) {
	pages, err := fs.Glob(os.DirFS(root), "docs/*.md")
	if err != nil || len(pages) == 0 {
		t.Fatalf("no pages: %v", err)
	}
	for _, page := range append([]string{"README.md", "DEVELOPERS.md"}, pages...) {
		for _, m := range link.FindAllStringSubmatch(codeBlock.ReplaceAllString(read(t, page), ""), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			file, anchor, _ := strings.Cut(m[1], "#")
			to := page
			if file != "" {
				to = filepath.Join(filepath.Dir(page), file)
			}
			if _, err := os.Stat(filepath.Join(root, to)); err != nil {
				t.Errorf("%s: link to %s: %v", page, m[1], err)
			} else if anchor != "" && !slices.Contains(anchors(read(t, to)), anchor) {
				t.Errorf("%s: link to %s: there is no such heading", page, m[1])
			}
		}
	}
	readme := read(t, "README.md")
	for _, page := range pages {
		if !strings.Contains(readme, "]("+page+")") {
			t.Errorf("README.md has no link to %s", page)
		}
	}
}

// TestReadme: its tables have every command and every stock scenario, and its
// list of packages is the one that CI installs.
func TestReadme(t *testing.T) {
	text := read(t, "README.md")
	for _, c := range newRoot().Commands() {
		row := regexp.MustCompile(`(?m)^\| (.*, )?` + "`drench " + c.Name() + `[ \x60]`)
		if !row.MatchString(text) {
			t.Errorf("README.md has no row for %q", c.CommandPath())
		}
	}
	for _, name := range scenarios.Stock() {
		if !strings.Contains(text, "\n| `"+name+"` | ") {
			t.Errorf("README.md has no row for the scenario %s", name)
		}
	}
	need := regexp.MustCompile(`(?m)^need (.+)$`).FindStringSubmatch(read(t, ".ci/run"))
	listed := regexp.MustCompile(`Debian package \(([^)]+)\)`).FindStringSubmatch(text)
	if need == nil || listed == nil {
		t.Fatal("no list of packages")
	}
	if got := strings.Fields(strings.ReplaceAll(listed[1], ",", " ")); !slices.Equal(got, strings.Fields(need[1])) {
		t.Errorf("README.md lists the packages %q, .ci/run installs %q", got, need[1])
	}
}

// imports are what each package's code, tests aside, imports, by its folder.
func imports(t *testing.T) map[string][]string {
	t.Helper()
	all := map[string][]string{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.Contains(path, "testdata") {
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		folder, err := filepath.Rel(root, filepath.Dir(path))
		all[folder] = append(all[folder], "") // a package that imports nothing is one
		for _, s := range f.Imports {
			name, _ := strconv.Unquote(s.Path.Value)
			all[folder] = append(all[folder], name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// TestDependencies holds the rules in DEVELOPERS.md on who may import whom, and
// finds each package in its table.
func TestDependencies(t *testing.T) {
	text := read(t, "DEVELOPERS.md")
	rules := []struct {
		of  string // folders below this
		not string // import nothing below this
		but []string
	}{
		{"drivers", "drench/results", nil},
		{"drivers", "drench/scenarios", nil},
		{"results", "drench/drivers", nil},
		{"results", "drench/scenarios", nil},
		{"rig", "drench/drivers", nil},
		{"rig", "drench/scenarios", nil},
		{"rig", "drench/results", []string{"rig/calibration", "rig/daemon", "rig/daemon/api", "rig/daemon/web"}},
		{"scenarios", "drench/drivers", nil},
		{"", "database/sql", []string{"results/store", "cmd/drench"}},
		{"", "github.com/spf13/cobra", []string{"cmd/drench"}},
		{"", "drench/cmd", nil},
		{"results/safety", "drench/rig/engine", nil},
		{"results/stats", "drench/rig", nil},
	}
	below := func(path, folder string) bool {
		return folder == "" || path == folder || strings.HasPrefix(path, folder+"/")
	}
	for folder, names := range imports(t) {
		if !strings.Contains(text, "`"+folder+"`") {
			t.Errorf("DEVELOPERS.md has no place for %s", folder)
		}
		for _, r := range rules {
			if !below(folder, r.of) || slices.Contains(r.but, folder) {
				continue
			}
			for _, name := range names {
				if below(name, r.not) {
					t.Errorf("%s imports %s", folder, name)
				}
			}
		}
	}
}
