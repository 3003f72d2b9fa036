package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestCalibrated calibrates the virtual pump, refers a rig file to the record,
// and runs with it: the run names the record by its hash, and an expired one is
// said, or fails the run if its limits want that.
func TestCalibrated(t *testing.T) {
	bin, dir := drench(t), t.TempDir()
	record, rigFile := filepath.Join(dir, "pump.yaml"), filepath.Join(dir, "rig.yaml")
	_, stderr, status := call(t, dir, bin, "calibrate", "pump", "--by", "test", "--instrument", "simulated balance",
		"--temperature", "21.5 °C", "--pressure-hpa", "1013", "--balance-u-mg", "0.1", "--n", "4", "--to", record)
	if status != 0 {
		t.Fatalf("calibrate: %d %s", status, stderr)
	}
	stock, err := os.ReadFile("../../rig/config/stock/rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(rigFile, append(stock, "\ncalibrations: [pump.yaml]\n"...), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, stderr, status := call(t, dir, bin, "check", record, rigFile); status != 0 {
		t.Errorf("check: %d %s", status, stderr)
	}
	run := []string{bin, "run", "drip", "--rig", rigFile, "--seed", "1", "--trials", "60"}
	if _, stderr, status := call(t, dir, run...); status != 0 || strings.Contains(stderr, "warning") {
		t.Errorf("run: %d %s", status, stderr)
	}
	if stdout, _, _ := call(t, dir, bin, "show", "1", "--json"); !strings.Contains(stdout, `"calibration record 1"`) {
		t.Error("the run does not name its calibration record")
	}
	text, err := os.ReadFile(record)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for line := range strings.Lines(string(text)) {
		switch {
		case strings.HasPrefix(line, "date:"):
			line = "date: \"2020-01-01T00:00:00Z\"\n"
		case strings.HasPrefix(line, "expires:"):
			line = "expires: \"2021-01-01T00:00:00Z\"\n"
		}
		lines = append(lines, line)
	}
	if err := os.WriteFile(record, []byte(strings.Join(lines, "")), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, stderr, _ := call(t, dir, run...); !strings.Contains(stderr, "warning: ") || !strings.Contains(stderr, "expired") {
		t.Errorf("an expired calibration is not said: %s", stderr)
	}
	// The same run judged by a limits file that allows none, then by its own.
	strict := filepath.Join(dir, "strict.limits")
	if err := os.WriteFile(strict, []byte("expired calibrations <= 0\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	if stdout, stderr, status := call(t, dir, bin, "rejudge", "2", "--limits", strict); status != 1 || !strings.Contains(stdout, "pump_drip expired on 2021-01-01") {
		t.Errorf("an expired calibration under a strict limit: %d %s%s", status, stdout, stderr)
	}
	if stdout, stderr, status := call(t, dir, bin, "rejudge", "1", "--limits", strict); status != 0 {
		t.Errorf("a calibration that was valid when the run began: %d %s%s", status, stdout, stderr)
	}
	if stdout, stderr, status := call(t, dir, bin, "run", "drip", "--seed", "1", "--trials", "4", "--limits", strict); status != 3 {
		t.Errorf("no calibration record at all: %d %s%s", status, stdout, stderr)
	}
}
