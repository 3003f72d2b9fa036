package calibration

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

// records has one of each kind.
func records(t *testing.T) map[string]Record {
	t.Helper()
	pump, timing, supply := aRecord(), aRecord(), aRecord()
	pump.Pump, timing.Timing, supply.Supply = aPump(), aTiming(t), aSupply()
	return map[string]Record{"pump": pump, "timing": timing, "supply": supply}
}

// What is read is what was written, and its identity is the file's hash.
func TestRoundTrip(t *testing.T) {
	for name, r := range records(t) {
		got, err := New(name+".yaml", r)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		want := r
		want.Source = got.Source
		if !reflect.DeepEqual(*got, want) {
			t.Errorf("%s: got\n%+v\nwant\n%+v", name, *got, want)
		}
		if sum := fmt.Sprintf("%x", sha256.Sum256(got.Source.Text)); got.Source.SHA256 != sum {
			t.Errorf("%s: identity %s of a file with %s", name, got.Source.SHA256, sum)
		}
	}
}

// Every mass, time, text and temperature comes back from the file as it was.
func TestRoundTripAny(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := aRecord()
		r.Instrument = "x" + rapid.String().Draw(t, "instrument")
		p := aPump()
		p.Air.Temperature = physic.ZeroCelsius + physic.Temperature(rapid.Int64Range(0, 40e9).Draw(t, "temperature"))
		p.Air.TemperatureU = physic.Temperature(rapid.Int64Range(0, 1e9).Draw(t, "temperature_u"))
		p.Flow = rig.Flow(rapid.Int64Range(1, 1e9).Draw(t, "flow"))
		for i := range p.Weighings {
			p.Weighings[i].Mass += Milligram(rapid.Float64Range(0, 900).Draw(t, "mass"))
		}
		r.Pump = p
		got, err := New("r.yaml", r)
		if err != nil {
			t.Fatal(err)
		}
		r.Source = got.Source
		if !reflect.DeepEqual(*got, r) {
			t.Fatalf("got\n%+v\nwant\n%+v", *got, r)
		}
	})
}

func TestReadRefuses(t *testing.T) {
	text := map[string]string{}
	for name, r := range records(t) {
		got, err := New("r.yaml", r)
		if err != nil {
			t.Fatal(err)
		}
		text[name] = string(got.Source.Text)
	}
	for _, c := range []struct{ name, kind, old, new, want string }{
		{"a rate that does not follow", "pump", "rate: 6.62", "rate: 6.69", `: rate is 6.691 ml/min, but the data give 6.621 ml/min; expected values that follow from the data`},
		{"a stamp lag that does not follow", "timing", "lag: 0.1 ms", "lag: 0.2 ms", ": lag is 200 µs, but the data give 100 µs"},
		{"a slew that does not follow", "supply", "slew_up: 100 V/s", "slew_up: 110 V/s", ": slew_up is 110 V/s, but the data give 100 V/s"},
		{"a mass as text", "pump", "mass_mg: 993.1", `mass_mg: "993.1 mg"`, `: mass_mg is "993.1 mg"; expected a number such as 0.5`},
		{"a time without a unit", "pump", "{on: 3000 ms", "{on: 3", ": on is \"3\" without a unit"},
		{"negative mass", "pump", "mass_mg: 993.1", "mass_mg: -993.1", ": mass_mg is -993.1; expected the net mass"},
		{"not a date", "pump", `date: "2026-01-02T03:04:05Z"`, `date: "2 January"`, `r.yaml:4:1: date is "2 January"; expected an instant after RFC 3339`},
		{"date without zone", "pump", `date: "2026-01-02T03:04:05Z"`, `date: "2026-01-02T03:04:05"`, `date is "2026-01-02T03:04:05"`},
		{"expires first", "pump", `expires: "2027`, `expires: "2025`, "r.yaml:5:1: expires is not after date"},
		{"nobody", "timing", `by: "A. Tester"`, `by: " "`, "r.yaml:3:1: by is missing; expected who did it"},
		{"no instrument", "timing", "instrument: ", "instrumnt: ", `unknown key instrumnt; expected "instrument", perhaps`},
		{"unknown key", "supply", "level_u: ", "level: ", ": unknown key level;"},
		{"mean beyond the longest", "timing", "mean: 0.1 ms", "mean: 0.2 ms", ": min, median, p99, max and mean are not in order"},
		{"pressure in pascal", "pump", "pressure_hpa: 1013.25", "pressure_hpa: 101325", ": pressure_hpa is 101325; expected the pressure of the air where the balance stands"},
		{"two kinds", "timing", "timing:\n", "supply: {level_u: 1 mV, band: 1 mV, steps: []}\ntiming:\n", ": 2 kinds of calibration; expected one of pump, timing, supply"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !strings.Contains(text[c.kind], c.old) {
				t.Fatalf("no %q in\n%s", c.old, text[c.kind])
			}
			_, err := Read(config.Source{Name: "r.yaml", Text: []byte(strings.Replace(text[c.kind], c.old, c.new, 1))})
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "r.yaml:") {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
	if _, err := Read(config.Source{Name: "r.yaml"}); err == nil || !strings.Contains(err.Error(), "0 kinds of calibration") {
		t.Errorf("an empty file: %v", err)
	}
}

func TestExpired(t *testing.T) {
	r := aRecord()
	r.Source.Name = "pump.yaml"
	r.Pump = aPump()
	end := time.Date(2027, 1, 2, 3, 4, 5, 0, time.UTC)
	for _, c := range []struct {
		now     time.Time
		expired bool
		warning string
	}{
		{end.Add(-time.Second), false, ""},
		{end, true, "pump.yaml: the calibration of pump_drip expired on 2027-01-02T03:04:05Z; calibrate again"},
		{end.In(time.FixedZone("", 3600)), true, "pump.yaml: the calibration of pump_drip expired"},
		{end.AddDate(-2, 0, 0), false, "pump.yaml: the calibration of pump_drip is dated 2026-01-02T03:04:05Z, which is yet to come"},
	} {
		got := strings.Join(Warnings(c.now, &r), "\n")
		if r.Expired(c.now) != c.expired || !strings.HasPrefix(got, c.warning) || (c.warning == "") != (got == "") {
			t.Errorf("%v: expired %v, %q", c.now, r.Expired(c.now), got)
		}
	}
}

func TestApply(t *testing.T) {
	l, err := config.LoadRig("", map[string]any{"virtual": nil})
	if err != nil {
		t.Fatal(err)
	}
	var all []*Record
	for name, r := range records(t) {
		got, err := New(name+".yaml", r)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, got)
	}
	before := l.Calibration
	got := Apply(l.Calibration, all...)
	if l.Calibration != before {
		t.Error("Apply changed its argument")
	}
	if Apply(before) != before {
		t.Error("no records change something")
	}
	want := before
	p := aPump()
	if err := p.compute(); err != nil {
		t.Fatal(err)
	}
	// 20 ml/min were asked for, 6.62 came.
	want.Drip.Flow, want.Drip.Rate, want.Drip.Drop = 20*rig.MlPerMin, p.Result.Rate, p.Result.Drop
	want.Drip.RateU = got.Drip.RateU
	near(t, "rate", float64(got.Drip.Rate)/1e6, 6.62078, 5e-4)
	near(t, "rate_u", float64(got.Drip.RateU)/1e9, float64(p.Result.RateU)/float64(p.Result.Rate), 1e-8)
	want.Stamp = rig.LagCal{Lag: 100 * time.Microsecond, U: got.Stamp.U}
	want.Supply.SlewUp, want.Supply.SlewDown, want.Supply.RailU = 100*rig.VoltPerSec, 50*rig.VoltPerSec, 2*physic.MilliVolt
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	spray := aRecord()
	spray.Pump = aPump()
	spray.Pump.Channel = rig.PumpSpray
	sprayed, err := New("spray.yaml", spray)
	if err != nil {
		t.Fatal(err)
	}
	want = before
	want.Spray.RateU = spray.Pump.share()
	near(t, "spray's rate_u", float64(want.Spray.RateU)/1e9, 1-6.62078/20, 1e-4)
	if got := Apply(before, sprayed); got != want {
		t.Errorf("spray: got  %+v\nwant %+v", got, want)
	}
}

// The smallest relative uncertainty is the rate's own, when what was asked for
// came.
func TestShareOfATruePump(t *testing.T) {
	p := Pump{Flow: 1e7, Result: PumpResult{Rate: 1e7, RateU: 2e4}}
	if got := p.share(); got != 2e6 {
		t.Errorf("%v, want 0.2 %%", rig.Of(got))
	}
	p.Result.Rate = 1.01e7
	if got, want := float64(p.share()), 1e9*math.Hypot(0.01, 0.002); math.Abs(got-want) > 2 {
		t.Errorf("%v, want %v", got, want)
	}
}

const rigWith = `name: bench 3
bench: real
dut: capacitive-500ms
calibration: {stamp: {u: 1 ms}}
calibrations: [%s]
interlock: {inputs: [estop], pump_on: 10 s, volume: 1 l}
`

// write puts records and a rig file that names files into a folder.
func write(t *testing.T, names string) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "cal"), 0o755); err != nil {
		t.Fatal(err)
	}
	for name, r := range records(t) {
		got, err := New(name, r)
		if err != nil {
			t.Fatal(err)
		}
		files := map[string][]byte{name: got.Source.Text, name + "2": got.Source.Text, name + "-bad": bytes.Replace(got.Source.Text, []byte("by: "), []byte("bye: "), 1)}
		for file, text := range files {
			if err := os.WriteFile(filepath.Join(dir, "cal", file+".yaml"), text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	path := filepath.Join(dir, "rig.yaml")
	if err := os.WriteFile(path, fmt.Appendf(nil, rigWith, names), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestOfRig(t *testing.T) {
	path := write(t, "cal/pump.yaml, ./cal/supply.yaml")
	l, err := config.LoadRig(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	got, err := OfRig(l)
	if err != nil || len(got) != 2 || got[0].Pump == nil || got[1].Supply == nil {
		t.Fatalf("%v, %v", got, err)
	}
	if len(l.CalibrationFiles) != 2 || l.CalibrationFiles[1].SHA256 != got[1].Source.SHA256 || l.CalibrationFiles[0].Name != filepath.Join(filepath.Dir(path), "cal/pump.yaml") {
		t.Errorf("provenance %+v", l.CalibrationFiles)
	}
}

func TestOfRigRefuses(t *testing.T) {
	path := write(t, "cal/pump.yaml, cal/timing-bad.yaml, cal/pump2.yaml, cal/supply-bad.yaml")
	l, err := config.LoadRig(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	_, err = OfRig(l)
	for _, want := range []string{
		"cal/timing-bad.yaml:3:1: unknown key bye", "cal/supply-bad.yaml:3:1: unknown key bye",
		path + ":5:52: ", "cal/pump2.yaml both calibrate pump_drip; expected the one that is to count",
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v\nlacks %q", err, want)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, text := range []string{"", "pump: {weighings: [{on: 1 s, mass_mg: 1}]}", "supply: {steps: [{from: 1 V, trace: [{at: 1 s}]}]}", "timing: {edges: {n: 10}}"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := Read(config.Source{Name: "r.yaml", Text: text})
		if err == nil && (r.By == "" || !r.Expires.Time().After(r.Date.Time())) {
			t.Errorf("taken: %+v", r)
		}
	})
}
