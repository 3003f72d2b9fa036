package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"drench/results/lot"
)

// TestLotStatuses: exit statuses are those of the decision, refusals enter
// nothing, and results are JSON when asked for.
func TestLotStatuses(t *testing.T) {
	bin, data, dir := drench(t), t.TempDir(), t.TempDir()
	exported := func() string {
		t.Helper()
		out, _, _ := call(t, data, bin, "lot", "export")
		return out
	}
	for _, c := range []struct {
		command string
		status  int
		says    string // on either output
	}{
		{"lot show", 2, "no product has a ledger yet"},
		{"lot open --product p --size 20", 2, "--aql is missing"},
		{"lot open --product p --size 20 --aql 10 --trials 3", 2, "without --test"},
		{"lot open --product p --size 20 --aql 10 --test nothing", 2, "nothing"},
		{"lot open --product p --size 20 --aql 10 --sequential p0=1%", 2, "expected one of them"},
		{"lot open --product p --size 20 --sequential p0=1%,q=2", 2, "expected p0, p1, alpha, beta and limit"},
		{"lot open --product p --size 20 --aql 10 --test drip --by ann", 0, "test 5 units, accept with 1 nonconforming or fewer, reject with 2"},
		{"lot open --product p --size 20 --aql 10 --test drip --by ann", 2, "is still open"},
		{"lot decide", 3, "can't be decided yet: sample 1: take unit"},
		{"lot certificate", 3, "not decided yet"},
		{"lot test s1 spray", 2, "tested by drip, not by spray"},
		{"lot test s1 --trials 3", 2, "expected neither --trials nor --limits"},
		{"lot assign one s1", 2, "expected a whole number"},
		{"lot void 3", 2, "why"},
		{"lot test s1 --fault dead_heartbeat --by bob", 1, "1 of 5 tested, 1 nonconforming"},
		{"lot test s1", 2, "tested already"},
		{"lot test s2 --fault estop_pressed --by bob", 4, "tell"},
		{"lot show none", 2, "no such lot"},
		{"lot next", 0, "enter a retest with its reason"},
		{"lot history p", 0, "by iso2859"},
		{"lot verify --head abc", 1, "BROKEN"},
	} {
		before := ""
		if c.status == 2 {
			before = exported()
		}
		out, stderr, status := call(t, data, append([]string{bin}, strings.Fields(c.command)...)...)
		if status != c.status || c.says != "tell" && !strings.Contains(out+stderr, c.says) {
			t.Errorf("%s: exit status %d; expected %d and %q\n%s%s", c.command, status, c.status, c.says, out, stderr)
		}
		if c.status == 2 && exported() != before {
			t.Errorf("%s was refused, and entered something", c.command)
		}
	}
	// A copy of which one entry was changed.
	file := filepath.Join(dir, "ledger.txt")
	if err := os.WriteFile(file, []byte(strings.Replace(exported(), `"by":"bob","kind":"assign"`, `"by":"eve","kind":"assign"`, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	out, _, status := call(t, data, bin, "lot", "verify", "--file", file, "--json")
	var p proof
	if err := json.Unmarshal([]byte(out), &p); err != nil || status != 1 || p.Whole || p.Bad != 5 { // 4 is the assignment
		t.Errorf("exit status %d, %+v, %v", status, p, err)
	}
	out, _, status = call(t, data, bin, "lot", "next", "--json")
	var st lotState
	if err := json.Unmarshal([]byte(out), &st); err != nil || status != 0 || st.Next.Do != lot.ToRetest || st.Bad != 1 {
		t.Errorf("exit status %d, %+v, %v", status, st, err)
	}
}
