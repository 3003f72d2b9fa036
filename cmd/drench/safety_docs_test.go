package main_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"drench/drivers/virtual"
)

// faultRow is a row of the table of faults in docs/safety.md.
var faultRow = regexp.MustCompile("(?m)^\\| ([^|`]+) \\| `([^`]+)` \\| ([^|(]*[^|( ])(?: ?\\([^|]*)? \\| ([0-4]) \\|$")

// TestDocumentedFaults runs each row as it stands.
func TestDocumentedFaults(t *testing.T) {
	page, err := os.ReadFile("../../docs/safety.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := faultRow.FindAllStringSubmatch(string(page), -1)
	if len(rows) < 15 {
		t.Fatalf("only %d rows of faults", len(rows))
	}
	d := build(t)
	for i, row := range rows {
		name, line, says, status := row[1], row[2], row[3], row[4]
		t.Run(name, func(t *testing.T) {
			args, isCommand := strings.CutPrefix(line, "drench ")
			if !isCommand {
				script := filepath.Join(t.TempDir(), fmt.Sprintf("row%d.star", i))
				for path, text := range map[string]string{
					script: "about = \"one line\"\ntrials = {\"dry\": 1}\n\ndef run():\n    " + line + "\n",
					strings.TrimSuffix(script, "star") + "limits": "false alarms <= 0\n",
				} {
					if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
						t.Fatal(err)
					}
				}
				args = "run " + script
			}
			data := t.TempDir()
			f := d.run(t, append(strings.Fields(args), "--seed", "7", "--data", data)...)
			if strconv.Itoa(f.status) != status || !strings.Contains(f.stdout, says) {
				t.Errorf("exit status %d, want %s; printed\n%s%s\nwant %q", f.status, status, f.stdout, f.stderr, says)
			}
			if f := d.run(t, "show", "1", "--data", data); !strings.Contains(f.stdout, "safety held") {
				t.Errorf("show printed\n%s%s", f.stdout, f.stderr)
			}
		})
	}
	for _, f := range virtual.Faults() {
		if strings.HasPrefix(f.About, "rig:") && !strings.Contains(string(page), "--fault "+f.Name+"`") {
			t.Errorf("the page has no row of the rig's fault %s", f.Name)
		}
	}
}

// TestDocumentedTests: each test that docs/safety.md names is there.
func TestDocumentedTests(t *testing.T) {
	page, err := os.ReadFile("../../docs/safety.md")
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	err = filepath.WalkDir("../..", func(path string, _ fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		for _, m := range regexp.MustCompile(`(?m)^func (Test\w+)\(`).FindAllSubmatch(text, -1) {
			there[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile("`(Test\\w+)`").FindAllSubmatch(page, -1)
	for _, m := range names {
		if !there[string(m[1])] {
			t.Errorf("there is no test %s", m[1])
		}
	}
	if len(names) < 10 {
		t.Errorf("the page names %d tests only", len(names))
	}
}

// TestDocumentedOperations types what docs/operations.md says about backup and
// restore, in its order.
func TestDocumentedOperations(t *testing.T) {
	if _, err := exec.LookPath("sqlite3"); err != nil {
		if os.Getenv("DRENCH_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	page, err := os.ReadFile("../../docs/operations.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ := strings.Cut(string(page), "## Back up\n")
	text, _, ok := strings.Cut(text, "## Upgrade\n")
	if !ok {
		t.Fatal("docs/operations.md has no backup before its upgrade")
	}
	script := "set -eux\n"
	for line := range strings.Lines(text) {
		if typed, ok := strings.CutPrefix(line, "    "); ok {
			script += typed
		}
	}
	d := build(t)
	before := d.run(t, "run", "drip", "--trials", "4", "--seed", "1")
	data := filepath.Join(d.home, ".local", "share", "drench")
	kept := chunks(t, data, 1)
	if len(kept) < 2 {
		t.Fatalf("nothing to back up: %s", before.stderr)
	}
	cmd := exec.CommandContext(t.Context(), "sh", "-c", script)
	cmd.Env = []string{"HOME=" + d.home, "PATH=" + filepath.Dir(d.binary) + ":" + os.Getenv("PATH")}
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	// Two restores, each followed by a list, and one look with sqlite3.
	if n := strings.Count(string(out), "conductive-2s"); n != 3 {
		t.Errorf("the run was seen %d times, want 3:\n%s", n, out)
	}
	if !strings.Contains(string(out), "/backup/drench.db is whole") {
		t.Errorf("the doctor does not call the backup whole:\n%s", out)
	}
	sound(t, data)
	if got := chunks(t, data, 1); !bytes.Equal(bytes.Join(got, nil), bytes.Join(kept, nil)) {
		t.Errorf("restored %d chunks, had %d", len(got), len(kept))
	}
}
