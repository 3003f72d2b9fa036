package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"drench/results/sweep"
	"drench/results/verdict"
)

// The sweep that the docs show: the 2 s detector at its middle threshold, and
// twice as fast, are worth choosing from. A low sensitivity misses doses, a
// high one cries wolf, and half as fast is slower than the limit; power falls
// with the period.
func TestSweep(t *testing.T) {
	bin, data, out := drench(t), t.TempDir(), t.TempDir()
	stdout, stderr, status := call(t, data, bin, "sweep", "../../docs/sweep.yaml", "--seed", "3", "--out", out, "--json")
	var points []sweep.Point
	if err := json.Unmarshal([]byte(stdout), &points); err != nil || status != 0 {
		t.Fatalf("exit status %d, %v\n%s", status, err, stderr)
	}
	chosen := map[string]bool{}
	for _, p := range points {
		if p.Meets() && p.Front {
			chosen[p.Name()] = true
		}
		if v := p.Values[sweep.Missed]; strings.HasSuffix(p.Name(), "low") && (v.Low < 0.05 || p.Verdict != verdict.Fail) {
			t.Errorf("%s misses %v of its doses, verdict %v; want many, fail", p.Name(), v.Value, p.Verdict)
		}
		if v := p.Values[sweep.FalseAlarms]; strings.HasSuffix(p.Name(), "high") && v.Low <= 0 {
			t.Errorf("%s has no false alarms", p.Name())
		}
	}
	if len(points) != 9 || len(chosen) != 2 || !chosen["sampling 1 s, level mid"] || !chosen["sampling 2 s, level mid"] {
		t.Errorf("%d settings, of which %v are worth choosing from", len(points), chosen)
	}
	if fast, slow := points[1], points[7]; fast.Values[sweep.Power].Low <= slow.Values[sweep.Power].High || fast.Battery >= slow.Battery {
		t.Errorf("sampling every 1 s takes %v and lasts %v, every 4 s %v and %v", fast.Values[sweep.Power], fast.Battery, slow.Values[sweep.Power], slow.Battery)
	}
	page, err := os.ReadFile(filepath.Join(out, "sweep.html"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Worth choosing from: 2 (sampling 1 s, level mid); 5 (sampling 2 s, level mid)", "limit 2.5 s", "mean power, µW", "latency, 95 % quantile, s"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// A setting that the profile does not know is found before anything runs.
func TestSweepBadSetting(t *testing.T) {
	bin, dir := drench(t), t.TempDir()
	file := filepath.Join(dir, "bad.yaml")
	text := "sweep: bad\nscenario: drip\nfactors:\n  - name: f\n    levels:\n      - name: fine\n      - {name: wrong, set: [\"sampling.perod=1 s\"]}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(dir, "data")
	_, stderr, status := call(t, data, bin, "sweep", file)
	if status != wrongUse || !strings.Contains(stderr, "setting f wrong") || !strings.Contains(stderr, "perod") {
		t.Errorf("exit status %d, %q; want 2 and the setting named", status, stderr)
	}
	if _, err := os.Stat(data); !os.IsNotExist(err) {
		t.Errorf("something was written: %v", err)
	}
	if _, stderr, status := call(t, data, bin, "check", file, "../../docs/sweep.yaml"); status != 0 {
		t.Errorf("check: exit status %d\n%s", status, stderr)
	}
}
