package config

import (
	"path/filepath"
	"strings"
	"testing"
)

func TestCalibrationFiles(t *testing.T) {
	const head = "name: bench 3\nbench: real\ndut: capacitive-500ms\ncalibration: {stamp: {u: 1 ms}}\ninterlock: {inputs: [estop], pump_on: 10 s, volume: 1 l}\n"
	dir := t.TempDir()
	write(t, filepath.Join(dir, "cal", "pump.yaml"), "by: me\n")
	absolute := filepath.Join(dir, "cal", "stamps.yaml")
	write(t, absolute, "")
	path := filepath.Join(dir, "rig.yaml")
	write(t, path, head+"calibrations: [cal/pump.yaml, "+absolute+"]\n")
	l, err := LoadRig(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if f := l.CalibrationFiles; len(f) != 2 || f[0].Name != filepath.Join(dir, "cal", "pump.yaml") || string(f[0].Text) != "by: me\n" || f[1].Name != absolute ||
		f[1].SHA256 != "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855" { // of nothing: FIPS 180-4 (NIST example "empty message", from memory)
		t.Errorf("%+v", f)
	}
	for _, c := range []struct{ list, want string }{
		{"[cal/pump.yaml, cal/none.yaml]", ":6:31: open " + dir + "/cal/none.yaml: no such file or directory; expected the file of a calibration record, by its path from this file's folder"},
		{"[cal/pump.yaml, cal/pump.yaml]", `:6:31: "cal/pump.yaml" is empty or there twice; expected each file of a calibration record once`},
		{"['']", `:6:16: "" is empty or there twice`},
		{"[cal]", ":6:16: read " + dir + "/cal: is a directory"},
		{"cal/pump.yaml", `:6:15: calibrations is the text "cal/pump.yaml"; expected a list`},
		{"[3]", ":6:16: item 1 of calibrations is the number 3; expected text"},
	} {
		write(t, path, head+"calibrations: "+c.list+"\n")
		if _, err := LoadRig(path, nil); err == nil || !strings.HasPrefix(err.Error(), path+c.want) {
			t.Errorf("%s: got  %v\nwant %s%s", c.list, err, path, c.want)
		}
	}
}
