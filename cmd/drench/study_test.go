package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"drench/results/study"
)

// Two rigs, of which one believes that its witness electrode is 400 ms slower
// than it is, differ by 400 ms in every latency. The study must find the
// standard deviation of two values so far apart, 283 ms, and call them not good
// enough. (A rig's readings scatter by 0.1 s with the phase of 2 s sampling.)
func TestStudyFindsRigThatIsOff(t *testing.T) {
	bin, data, dir := drench(t), t.TempDir(), t.TempDir()
	stock, err := os.ReadFile("../../rig/config/stock/rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	const lag = "  witness:\n    lag: 1 ms\n"
	off := strings.Replace(string(stock), lag, "  witness:\n    lag: 401 ms\n", 1)
	if off == string(stock) {
		t.Fatalf("the stock rig no longer has %q", lag)
	}
	north, south := filepath.Join(dir, "north.yaml"), filepath.Join(dir, "south.yaml")
	for path, text := range map[string]string{north: string(stock), south: off} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	plan, stderr, status := call(t, data, bin, "study", "plan", "spring", "drip", "--duts", "a,b,c", "--rigs", north+","+south,
		"--repeats", "2", "--run-flag=--trials=40")
	if status != 0 {
		t.Fatalf("plan: exit status %d\n%s", status, stderr)
	}
	report := []string{bin, "study", "report", "spring", "--limit", "latency mean < 3 s", "--json"}
	lines := strings.Split(strings.TrimSpace(plan), "\n")
	for i, line := range lines {
		if i == len(lines)-1 { // one run is missing
			if _, stderr, status = call(t, data, report...); status != 3 || !strings.Contains(stderr, "has 1 runs of 2") {
				t.Errorf("report of an unfinished study: exit status %d, %q; want 3 and what is missing", status, stderr)
			}
		}
		words := strings.Fields(line)
		if _, stderr, status := call(t, data, append([]string{bin}, words[1:]...)...); status == wrongUse || status == 4 {
			t.Fatalf("%s: exit status %d\n%s", line, status, stderr)
		}
	}
	stdout, stderr, status := call(t, data, report...)
	var r study.Result
	if err := json.Unmarshal([]byte(stdout), &r); err != nil {
		t.Fatalf("%v\n%s%s", err, stdout, stderr)
	}
	if status != 1 || r.Grade != study.Poor {
		t.Errorf("exit status %d, grade %q; want 1 and %q", status, r.Grade, study.Poor)
	}
	if av := time.Duration(r.AV); av < 200*time.Millisecond || av > 380*time.Millisecond {
		t.Errorf("rigs differ with a standard deviation of %v; want about 283ms", av)
	}
	if ev := time.Duration(r.EV); ev < 40*time.Millisecond || ev > 250*time.Millisecond {
		t.Errorf("repeatability %v; want about 100ms", ev)
	}
}

// A check standard's chart is steady until the rig changes: then one run whose
// witness is believed to be 0.7 s slower than it is stands out.
func TestStudyChart(t *testing.T) {
	bin, data, dir := drench(t), t.TempDir(), t.TempDir()
	stock, err := os.ReadFile("../../rig/config/stock/rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	off := filepath.Join(dir, "off.yaml")
	if err := os.WriteFile(off, []byte(strings.Replace(string(stock), "lag: 1 ms\n", "lag: 701 ms\n", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	night := func(seed string, more ...string) {
		t.Helper()
		command := append([]string{bin, "run", "drip", "--trials", "40", "--dut", "drawer", "--tag", "standard=drawer", "--seed", seed}, more...)
		if _, stderr, status := call(t, data, command...); status == wrongUse || status == 4 {
			t.Fatalf("%v: exit status %d\n%s", command[1:], status, stderr)
		}
	}
	chart := func() (string, string, int) {
		t.Helper()
		return call(t, data, bin, "study", "chart", "drawer", "--limit", "latency mean < 3 s")
	}
	for seed := range fewestCharted - 1 {
		night(strconv.Itoa(seed))
	}
	if _, stderr, status := chart(); status != 3 || !strings.Contains(stderr, "a chart needs 8") {
		t.Errorf("chart of too few runs: exit status %d, %q; want 3 and how many it takes", status, stderr)
	}
	for seed := range 5 {
		night(strconv.Itoa(100 + seed))
	}
	if stdout, stderr, status := chart(); status != 0 || !strings.Contains(stdout, "steady: nothing") {
		t.Errorf("chart of a steady rig: exit status %d\n%s%s", status, stdout, stderr)
	}
	night("200", "--rig", off)
	stdout, stderr, status := chart()
	if lines := strings.Split(strings.TrimSpace(stdout), "\n"); status != 1 || !strings.Contains(lines[len(lines)-2], "OUTSIDE") {
		t.Errorf("chart of a rig that is off: exit status %d\n%s%s", status, stdout, stderr)
	}
}
