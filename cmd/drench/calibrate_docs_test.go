package main

import (
	"encoding/csv"
	"os"
	"regexp"
	"strings"
	"testing"

	"drench/rig/calibration"
	"drench/rig/config"
)

// TestCalibrationDocs follows the page: its commands run as they stand, its
// table of weighings is a file that is taken, and the rig file that it tells
// to write has the records' values.
func TestCalibrationDocs(t *testing.T) {
	text, err := os.ReadFile("../../docs/calibration.md")
	if err != nil {
		t.Fatal(err)
	}
	page := string(text)
	t.Chdir(t.TempDir())
	table := strings.ReplaceAll(regexp.MustCompile(`(?m)(?:^    .*(?:s|mg),.*\n)+`).FindString(page), "    ", "")
	if err := os.WriteFile("weighings.csv", []byte(table), 0o644); err != nil {
		t.Fatal(err)
	}
	ran := 0
	for _, m := range regexp.MustCompile(`(?m)^    drench (calibrate .*)$`).FindAllStringSubmatch(page, -1) {
		args := words(t, m[1])
		if strings.Contains(m[1], "--rig bench.yaml") {
			known := newCalibrate() // without hardware: that the flags are there
			sub, rest, err := known.Find(args[1:])
			if err == nil {
				sub.Flags().String("rig", "", "")
				err = sub.ParseFlags(rest)
			}
			if err != nil {
				t.Errorf("%s: %v", m[0], err)
			}
			continue
		}
		if out, err := typed(underRoot(newCalibrate()), args...); err != nil {
			t.Errorf("%s: %v\n%s", m[0], err, out)
		}
		ran++
	}
	if ran != 6 {
		t.Errorf("%d commands ran", ran)
	}
	stock, err := config.LoadRig("", map[string]any{"virtual": nil})
	if err != nil {
		t.Fatal(err)
	}
	line := regexp.MustCompile(`(?m)^    (calibrations: .*)$`).FindStringSubmatch(page)[1]
	if err := os.WriteFile("rig.yaml", []byte(string(stock.Source.Text)+line+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	l, err := config.LoadRig("rig.yaml", map[string]any{"virtual": nil})
	if err != nil {
		t.Fatal(err)
	}
	records, err := calibration.OfRig(l)
	if err != nil {
		t.Fatal(err)
	}
	got := calibration.Apply(l.Calibration, records...)
	if got.Drip.Drop == l.Calibration.Drip.Drop || got.Supply.SlewUp == l.Calibration.Supply.SlewUp || got.Stamp != l.Calibration.Stamp {
		t.Errorf("%+v", got)
	}
}

// words splits a command line at spaces outside quotes.
func words(t *testing.T, line string) []string {
	t.Helper()
	r := csv.NewReader(strings.NewReader(line))
	r.Comma = ' '
	args, err := r.Read()
	if err != nil {
		t.Fatal(err)
	}
	return args
}
