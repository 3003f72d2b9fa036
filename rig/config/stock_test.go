package config

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// ignored takes the sections that drivers may have added to the stock files.
var ignored = map[string]any{"virtual": nil}

func TestStockRig(t *testing.T) {
	l, err := LoadRig("", ignored)
	if err != nil {
		t.Fatal(err)
	}
	const g = 9.80665 // m/s², standard gravity (SI Brochure, 9th ed.)
	fall := math.Sqrt(2*0.2/g) - math.Sqrt(2*0.008/g)
	if got := l.Calibration.Gate.Fall.Seconds(); math.Abs(got-fall) > 0.1e-3 {
		t.Errorf("fall from gate to sensor %v s, want %v", got, fall)
	}
	if got := 60 * l.Calibration.Drip.Drop; math.Abs(float64(got-rig.Millilitre)) > 60*float64(rig.Microlitre)/1000 {
		t.Errorf("60 drops are %v, want 1 ml (ISO 8536-4)", got)
	}
	if len(l.Source.SHA256) != 64 || !strings.Contains(string(l.Source.Text), "bench: virtual") || l.Source.Name != "stock/rig.yaml" {
		t.Errorf("source %q %q", l.Source.Name, l.Source.SHA256)
	}
	d, src, err := l.LoadProfile(nil)
	if err != nil || d.Name != l.DUT || src.Name != "stock/duts/"+l.DUT+".yaml" {
		t.Errorf("profile %q from %q: %v", d.Name, src.Name, err)
	}
	if l.Interlock.OverVoltage <= d.Supply*12/10 {
		t.Errorf("over_voltage %v leaves no room for 120 %% of %v", l.Interlock.OverVoltage, d.Supply)
	}
}

// The lines that the stock DUTs print, by profile.
var stockLines = map[string]struct{ reading, raw, diff, banner, settings string }{
	"conductive-2s":    {"sense raw=412 diff=-3 state=0", "412", "-3", "up fw=1.4.2", "set period_ms=2000 level=mid hold=off"},
	"latching-2s":      {"sense raw=412 diff=38 state=1", "412", "38", "up fw=1.4.2", "set period_ms=2000 level=mid hold=on"},
	"capacitive-500ms": {"cap=20411 delta=-12", "20411", "-12", "boot v2.0", "cfg period=500 count=2 gain=4"},
}

func TestStockProfiles(t *testing.T) {
	if got := len(StockProfiles()); got != len(stockLines) {
		t.Errorf("%d stock profiles, %d in the table", got, len(stockLines))
	}
	for _, name := range StockProfiles() {
		d, _, err := LoadProfile(name, "/nowhere", nil)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		want := stockLines[name]
		if d.Name != name || regexp.MustCompile(d.UART.Banner).FindString(want.banner) == "" {
			t.Errorf("%s: name %q, banner %q", name, d.Name, d.UART.Banner)
		}
		reading := regexp.MustCompile(d.UART.Reading)
		m := reading.FindStringSubmatch(want.reading)
		if m == nil || m[reading.SubexpIndex("raw")] != want.raw || m[reading.SubexpIndex("diff")] != want.diff {
			t.Errorf("%s: reading %q gives %q", name, want.reading, m)
		}
		settings := regexp.MustCompile(d.UART.Settings)
		m = settings.FindStringSubmatch(want.settings)
		for key, value := range d.Settings {
			if m == nil || m[settings.SubexpIndex(key)] != value {
				t.Errorf("%s: settings %q give %q, want %s = %q", name, want.settings, m, key, value)
			}
		}
	}
}

func TestLoadProfileModel(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "mine.yaml")
	write(t, path, `name: mine
supply: 3.3 V
model: {rate: 3 ml/min}
sampling: {period: 2 s, readings: 1}
heartbeat: 2 s
start_up: 400 ms
drop_out: 2.2 V
recovery: 2.5 V
`)
	model := tube{Length: physic.MilliMetre}
	for _, name := range []string{path, "./mine.yaml", "mine.yaml"} {
		d, src, err := LoadProfile(name, dir, &model)
		if err != nil || model != (tube{3 * rig.MlPerMin, physic.MilliMetre}) || d.Sampling.Period != 2*time.Second || src.Name != path {
			t.Errorf("%s: %+v, %+v, %q, %v", name, model, d, src.Name, err)
		}
	}
	if _, _, err := LoadProfile(path, "", &struct{}{}); err == nil || !strings.Contains(err.Error(), "unknown key rate") {
		t.Errorf("a model without the key: %v", err)
	}
	if _, _, err := LoadProfile(path, "", model); err == nil || !strings.Contains(err.Error(), "no pointer to a struct") {
		t.Errorf("a model that can't be set: %v", err)
	}
}

func TestLoadProfileNotFound(t *testing.T) {
	_, _, err := LoadProfile("conductive", "", nil)
	want := `read DUT profile: there is no stock DUT "conductive"; expected one of capacitive-500ms, conductive-2s, latching-2s, or a path to a profile that ends in .yaml`
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	if _, _, err := LoadProfile("no/such.yaml", t.TempDir(), nil); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
	if _, err := LoadRig(filepath.Join(t.TempDir(), "none.yaml"), nil); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestLoadRigSmall(t *testing.T) {
	path := filepath.Join(t.TempDir(), "rig.yaml")
	write(t, path, `name: bench 3
bench: real
dut: capacitive-500ms
calibration: {stamp: {u: 1 ms}}
interlock: {inputs: [estop], pump_on: 10 s, volume: 1 l, over_voltage: 3.3 V}
pump: {rate: 5 ml/min}
`)
	pump := tube{Length: physic.MilliMetre}
	l, err := LoadRig(path, map[string]any{"pump": &pump, "virtual": nil})
	if err != nil {
		t.Fatal(err)
	}
	if pump != (tube{5 * rig.MlPerMin, physic.MilliMetre}) {
		t.Errorf("section %+v", pump)
	}
	if l.Interlock.Poll != 200*time.Millisecond || l.Interlock.Stale != time.Second {
		t.Errorf("defaults %+v", l.Interlock)
	}
	err = l.Place([]Problem{{[]string{"pump", "rate"}, "too fast", ""}, {[]string{"dut"}, "not here", "another"}})
	if want := path + ":3:1: not here; expected another\n" + path + ":6:8: too fast"; err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	if err := l.Place(nil); err != nil {
		t.Errorf("earlier problems are still there: %v", err)
	}
	_, _, err = l.LoadProfile(nil)
	if want := path + `:5:58: over_voltage is 3.3 V, no more than the supply of "capacitive-500ms"; expected more than 3.3 V, and more than any level that a scenario sets`; err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	if _, err := LoadRig(path, nil); err == nil || !strings.Contains(err.Error(), ":6:1: unknown key pump") {
		t.Errorf("section that nobody knows: %v", err)
	}
	if _, err := LoadRig(path, map[string]any{"pump": tube{}}); err == nil || !strings.Contains(err.Error(), "section pump") {
		t.Errorf("section that can't be set: %v", err)
	}
}
