package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/drivers/gpio"
	"drench/drivers/virtual"
	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/config"
	"drench/rig/engine"
	"drench/rig/physics"

	"github.com/spf13/cobra"
	"periph.io/x/conn/v3/physic"
)

// calibrate runs the command as typed, with answers to its questions, and
// returns what it printed.
func calibrate(answers string, args ...string) (string, error) {
	cmd := newCalibrate()
	root := underRoot(cmd)
	root.SetIn(strings.NewReader(answers))
	return typed(root, append([]string{"calibrate"}, args...)...)
}

func readRecord(t *testing.T, path string) *calibration.Record {
	t.Helper()
	src, err := config.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := calibration.Read(src)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// delivered is what the pump of the virtual bench of a seed truly gives: what
// lands in minutes of steady running.
func delivered(t *testing.T, seed uint64) (flow rig.Flow, drop rig.Volume) {
	t.Helper()
	b, err := readBench("")
	if err != nil {
		t.Fatal(err)
	}
	world, err := b.open(seed)
	if err != nil {
		t.Fatal(err)
	}
	defer world.Close()
	table := world.Channels()
	pump, _ := rig.Find(table, rig.PumpDrip)
	gate, _ := rig.Find(table, rig.DropGate)
	deadman, _ := rig.Find(table, rig.Deadman)
	ctx := t.Context()
	if _, err := world.Set(ctx, pump, int64(b.rig.Calibration.Drip.Asked())); err != nil {
		t.Fatal(err)
	}
	// From a drop to a later one, once the tube is full. Drops land in the order
	// in which they pass the gate, 162 ms later.
	var first, last rig.Instant
	n := 0
	beat := int64(1)
	for next := rig.Instant(0); next < rig.Instant(20*time.Minute); next = next.Add(100 * time.Millisecond) {
		if _, err := world.Set(ctx, deadman, beat); err != nil {
			t.Fatal(err)
		}
		beat ^= 1
		for {
			ev, ok, err := world.Await(ctx, next)
			if err != nil {
				t.Fatal(err)
			}
			if !ok {
				break
			}
			if ev.Kind == rig.Edge && ev.Channel == gate && ev.Value == 1 {
				if n == 0 {
					first = ev.At
				}
				last = ev.At
				n++
			}
		}
	}
	var landed rig.Volume
	for _, w := range world.Truth() {
		landed += w.Volume
	}
	drop = landed / rig.Volume(n)
	return rig.Flow(float64(landed) / float64(n) * float64(n-1) / last.Sub(first).Minutes()), drop
}

// TestCalibratePumpTruth: over many seeds the calibrated rate lies within two
// standard uncertainties of the truth about 95 times of 100 (at least 27 of 30:
// fewer happen once in 60 times by chance), never beyond four.
func TestCalibratePumpTruth(t *testing.T) {
	within, seeds := 0, 30
	if testing.Short() {
		seeds = 5
	}
	for seed := range uint64(seeds) {
		to := filepath.Join(t.TempDir(), "pump.yaml")
		if out, err := calibrate("", "pump", "--seed", fmt.Sprint(seed), "--to", to); err != nil {
			t.Fatalf("seed %d: %v\n%s", seed, err, out)
		}
		got := readRecord(t, to).Pump.Result
		flow, drop := delivered(t, seed)
		off := math.Abs(float64(got.Rate-flow)) / float64(got.RateU)
		if off <= 2 {
			within++
		}
		t.Logf("seed %d: %v (u %v), truly %v, off by %.1f u; drop %v (u %v), truly %v", seed, rig.Of(got.Rate), rig.Of(got.RateU), rig.Of(flow), off, rig.Of(got.Drop), rig.Of(got.DropU), rig.Of(drop))
		if off > 4 {
			t.Errorf("seed %d: the rate is off by %.1f standard uncertainties", seed, off)
		}
		if d := math.Abs(float64(got.Drop-drop)) / float64(got.DropU); d > 4 {
			t.Errorf("seed %d: the drop is off by %.1f standard uncertainties", seed, d)
		}
	}
	if within < seeds*9/10 {
		t.Errorf("%d of %d rates within two standard uncertainties", within, seeds)
	}
}

// TestCalibrateStartsTruth: the lag of a dose and the volume of the tube against
// what the world was built of. A pump that was stopped by a drop in the gate has
// gone on while that fell to the gate and while it stopped: so much less is
// missing for the next drop.
func TestCalibrateStartsTruth(t *testing.T) {
	cfg := virtual.Default()
	fall := func(d physic.Distance) time.Duration {
		return time.Duration(float64(physics.FallTime(physics.Metre(float64(d)/float64(physic.Metre)))) * 1e9)
	}
	const seeds = 10
	within := 0
	for seed := range uint64(seeds) {
		to := filepath.Join(t.TempDir(), "pump.yaml")
		out, err := calibrate("", "pump", "--seed", fmt.Sprint(seed), "--n", "3", "--to", to)
		if err != nil {
			t.Fatalf("seed %d: %v\n%s", seed, err, out)
		}
		got := readRecord(t, to).Pump.Starts.Result
		flow, drop := delivered(t, seed)
		grow := time.Duration(float64(drop)/float64(flow)*float64(time.Minute)) - fall(cfg.Drip.Gate) - cfg.Lines.StampLag - cfg.Drip.Lag
		lag := cfg.Drip.Lag + grow + fall(cfg.Drip.Fall)
		lagOff, lineOff := float64(got.Lag-lag)/float64(got.LagU), float64(got.Line-cfg.Drip.Line)/float64(got.LineU)
		t.Logf("seed %d: lag %v (u %v), truly %v; tube %v (u %v), truly %v", seed, got.Lag, got.LagU, lag, rig.Of(got.Line), rig.Of(got.LineU), rig.Of(cfg.Drip.Line))
		if math.Abs(lagOff) <= 2 && math.Abs(lineOff) <= 2 {
			within++
		}
		if math.Abs(lagOff) > 4 || math.Abs(lineOff) > 4 {
			t.Errorf("seed %d: off by %.1f and %.1f standard uncertainties", seed, lagOff, lineOff)
		}
		if got.LagU > 10*time.Millisecond || got.LineU > 100*rig.Microlitre {
			t.Errorf("seed %d: uncertainties of %v and %v say nothing", seed, got.LagU, rig.Of(got.LineU))
		}
	}
	if within < seeds-2 {
		t.Errorf("%d of %d within two standard uncertainties", within, seeds)
	}
}

// The worked example of ISO 8655-6 weighings (see rig/calibration), as a file.
const weighingsCSV = `# balance 7, 21.5 °C, 1013.25 hPa
on,mass_mg,drops
3 s,993.1,60
3 s,995.7,60
3 s,992.4,60
3 s,996.8,60
3 s,994.6,60
3 s,993.9,60
3 s,997.2,60
3 s,992.8,60
3 s,995.1,60
3 s,994.4,60
30 s,9935.4,599
30 s,9931.2,599
`

func rawData(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

var weighingRoom = []string{"--by", "A. Tester", "--instrument", "balance 7", "--temperature", "21.5 °C", "--pressure-hpa", "1013.25", "--balance-u-mg", "0.1", "--flow", "20 ml/min"}

func TestCalibratePumpData(t *testing.T) {
	data := rawData(t, "weighings.csv", weighingsCSV)
	to := filepath.Join(t.TempDir(), "pump.yaml")
	out, err := calibrate("", append([]string{"pump", "--data", data, "--to", to}, weighingRoom...)...)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"pump_drip gives 19.93 ml/min where 20 ml/min is asked for", "997.75 µl", "-2.25 µl (-0.22 %)", "1.64 µl", "0.16 %", "Z 1.003169 µl/mg", "note: 2 weighings of 30s; ISO 8655-6 takes ten", "calibrations: [\"" + to + "\"]"} {
		if !strings.Contains(out, want) {
			t.Errorf("%s\nlacks %q", out, want)
		}
	}
	r := readRecord(t, to)
	if len(r.Pump.Weighings) != 12 || r.By != "A. Tester" || r.Expires.Time().Sub(r.Date.Time()) != 365*24*time.Hour || !strings.Contains(out, r.Source.SHA256) {
		t.Errorf("%+v", r)
	}
	if _, err := calibrate("", append([]string{"pump", "--data", data, "--to", to}, weighingRoom...)...); err == nil || !strings.Contains(err.Error(), "is there already, and a record is not written over") {
		t.Errorf("a second time: %v", err)
	}
	out, err = calibrate("", append([]string{"pump", "--json", "--data", data, "--to", to + "2"}, weighingRoom...)...)
	var printed kept
	if err != nil || json.Unmarshal([]byte(out), &printed) != nil || len(printed.Doses) != 2 || printed.Record.Pump.Result != r.Pump.Result || printed.SHA256 == "" {
		t.Errorf("%v\n%s", err, out)
	}
}

// What no flag says is asked for, and a wrong answer is asked again.
func TestCalibratePumpAsks(t *testing.T) {
	data := rawData(t, "weighings.csv", weighingsCSV)
	to := filepath.Join(t.TempDir(), "pump.yaml")
	out, err := calibrate("A. Tester\n\nbalance 7\n21.5 °C\nhigh\n1013.25\n0.1\n", "pump", "--data", data, "--to", to, "--flow", "20 ml/min")
	if err != nil || !strings.Contains(out, `"high" is no number above 0`) {
		t.Fatalf("%v\n%s", err, out)
	}
	if r := readRecord(t, to); r.By != "A. Tester" || r.Instrument != "balance 7" || r.Pump.Air.Pressure != 1013.25 || r.Pump.Balance.U != 0.1 {
		t.Errorf("%+v", r)
	}
	out, err = calibrate("A. Tester\n", "pump", "--data", data, "--to", to+"2")
	if err == nil || !strings.Contains(err.Error(), "the input has ended; answer, or give --instrument") {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestCalibrateWrongUse(t *testing.T) {
	old := rawData(t, "old.yaml", "")
	for _, c := range []struct {
		want string
		args []string
	}{
		{"the virtual bench has no lines to put a wire between", []string{"timing"}},
		{"the virtual bench has no lines to put a wire between", []string{"timing", "--out", "GPIO26", "--in", "GPIO11"}},
		{"--out and --in are missing", []string{"timing", "--rig", piBench}},
		{"--out GPIO27 is the line of drip_motor", []string{"timing", "--rig", piBench, "--out", "GPIO27", "--in", "GPIO11"}},
		{"--n 5; expected 10 to 1000000 edges", []string{"timing", "--rig", piBench, "--out", "GPIO26", "--in", "GPIO11", "--n", "5"}},
		{`--channel "supply"; expected pump_drip or pump_spray`, []string{"pump", "--channel", "supply"}},
		{"the virtual bench has no beaker under its pump_spray", []string{"pump", "--channel", "pump_spray"}},
		{"--n 1; expected 2 to 1000 doses", []string{"pump", "--n", "1"}},
		{"--on gives 1 time; expected two different ones", []string{"pump", "--on", "3 s", "--on", "3 s"}},
		{"--on 2 min; expected more than 0 and less than 1m0s", []string{"pump", "--on", "3 s", "--on", "2 min"}},
		{`--on: "3" is not a number with a unit`, []string{"pump", "--on", "3"}},
		{`--temperature: "294 mbar" has an unknown unit`, []string{"pump", "--temperature", "294 mbar"}},
		{"pressure_hpa is 101325; expected the pressure of the air", []string{"pump", "--pressure-hpa", "101325"}},
		{"--valid-days 0; expected a whole number from 1", []string{"pump", "--valid-days", "0"}},
		{"is there already", []string{"pump", "--to", old}},
		{"read raw data: open nowhere.csv", []string{"pump", "--data", "nowhere.csv", "--by", "x", "--instrument", "x", "--temperature", "20 °C", "--pressure-hpa", "1000", "--balance-u-mg", "1"}},
		{"--high 5 V is above the DUT's supply of 3.3 V", []string{"supply", "--high", "5 V"}},
		{"--low 3.3 V is not below --high 3.3 V", []string{"supply", "--low", "3.3 V"}},
		{"--n 1; expected 2 to 50 steps", []string{"supply", "--n", "1"}},
		{"has 10 readings", []string{"supply", "--window", "10 ms"}},
		{`calibrate: there is no "everything"; expected pump, timing or supply`, []string{"everything"}},
	} {
		args := c.args
		if !strings.Contains(strings.Join(args, " "), "--to") && args[0] != "everything" {
			args = append(args, "--to", filepath.Join(t.TempDir(), "r.yaml"))
		}
		out, err := calibrate("", args...)
		var bench *benchError
		if err == nil || !strings.Contains(err.Error(), c.want) || errors.As(err, &bench) {
			t.Errorf("%q: %v, want %q\n%s", c.args, err, c.want, out)
		}
	}
}

func TestCalibrateData(t *testing.T) {
	for name, c := range map[string]struct{ command, text, want string }{
		"no column":           {"pump", "on,mass\n", ":1:1: there is no column mass_mg; expected a header of on, mass_mg, drops?"},
		"a column too many":   {"pump", "on,mass_mg,colour\n", `:1:12: column "colour" is unknown or there twice; expected a header of on, mass_mg, drops`},
		"empty":               {"pump", "", ":1:1: EOF; expected a header of on, mass_mg, drops?"},
		"a row too short":     {"pump", "on,mass_mg\n3 s\n", ":2:1: wrong number of fields; expected 2 values"},
		"a time without unit": {"pump", "on,mass_mg\n3,993.1\n", `:2:1: on is "3"; expected a value with its unit, such as "2 s"`},
		"negative mass":       {"pump", "on,mass_mg\n3 s,993.1\n3 s, -993.1\n", `:3:6: mass_mg is "-993.1"; expected a net mass in mg, such as 497.1`},
		"NaN":                 {"pump", "on,mass_mg\n3 s,NaN\n", `:2:5: mass_mg is "NaN"; expected a net mass`},
		"half a drop":         {"pump", "on,mass_mg,drops\n3 s,993.1,1.5\n", `:2:11: drops is "1.5"; expected a whole number`},
		"one weighing":        {"pump", "on,mass_mg\n3 s,993.1\n30 s,9930\n", "calibrate pump_drip: weighings: 1 weighing of 3s; expected 2 or more"},
		"a step torn apart":   {"supply", "step,from,to,at,rail\n1,1 V,2 V,0 ms,1 V\n1,2 V,1 V,1 ms,1 V\n", `:3:1: step "1" has other levels than in the row before`},
		"a rail in mV/s":      {"supply", "step,from,to,at,rail\n1,1 V,2 V,0 ms,1 mV/s\n", `:2:16: rail is "1 mV/s"; expected a value with its unit, such as "3.3 V"`},
		"no steps":            {"supply", "step,from,to,at,rail\n", "calibrate supply: steps: 0 steps up and 0 down; expected 2 or more of each"},
	} {
		t.Run(name, func(t *testing.T) {
			path := rawData(t, "data.csv", c.text)
			args := []string{c.command, "--data", path, "--by", "x", "--instrument", "x", "--to", filepath.Join(t.TempDir(), "r.yaml")}
			if c.command == "pump" {
				args = append(args, "--temperature", "20 °C", "--pressure-hpa", "1000", "--balance-u-mg", "1")
			} else {
				args = append(args, "--level-u", "1 mV")
			}
			out, err := calibrate("", args...)
			if err == nil || !strings.Contains(strings.ReplaceAll(err.Error(), path, ""), c.want) {
				t.Errorf("got  %v\nwant %s\n%s", err, c.want, out)
			}
		})
	}
}

// By hand: the pump runs through the interlocks, and waits for the person
// while they are watched.
func TestCalibrateByHand(t *testing.T) {
	b, err := readBench("")
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	answers := "\n" + strings.Repeat("\n500 mg\n\n0.9985 g\n", 2)
	p := &calibration.Pump{Channel: rig.PumpDrip, Flow: b.rig.Calibration.Drip.Asked()}
	term := &terminal{out: &out, in: strings.NewReader(answers)}
	waited := 0
	err = b.guarded(t.Context(), "pump", 1, func(ctx context.Context, run *engine.Run, _ running) error {
		term.idle = func(ctx context.Context, d time.Duration) error {
			waited++
			return errors.Join(pause(ctx, time.Millisecond), run.Wait(ctx, d))
		}
		d := dosing{run: run, cal: b.rig.Calibration.Drip, pump: p, times: []time.Duration{3 * time.Second, 6 * time.Second}, n: 2, scale: &handScale{term}, most: time.Minute}
		return d.do(ctx)
	})
	if err != nil {
		t.Fatal(err)
	}
	want := []calibration.Milligram{500, 998.5, 500, 998.5}
	for i, w := range p.Weighings {
		if i >= len(want) || w.Mass != want[i] || w.Drops < 25 {
			t.Errorf("weighing %d: %+v", i, w)
		}
	}
	if len(p.Weighings) != 4 || waited == 0 || !strings.Contains(out.String(), "Dose 4 of 4, 6s: put the tared beaker under the nozzle.") {
		t.Errorf("%d weighings, waited %d times\n%s", len(p.Weighings), waited, out.String())
	}
}

// An interlock ends a calibration as it ends a run: with status 4, and no record.
func TestCalibrateTrips(t *testing.T) {
	for name, c := range map[string]struct{ fault, want string }{
		"emergency stop": {"estop_pressed", "emergency stop pressed"},
		"no water":       {"blocked_nozzle", "no water came"},
	} {
		b, err := readBench("")
		if err != nil {
			t.Fatal(err)
		}
		if err := b.world.SetFault(c.fault); err != nil {
			t.Fatal(err)
		}
		f := pumpFlags{}
		f.flags(&cobra.Command{})
		f.to = filepath.Join(t.TempDir(), "pump.yaml")
		_, err = calibratePump(t.Context(), b, &f, &terminal{out: io.Discard, in: strings.NewReader(""), idle: pause})
		var bench *benchError
		if err == nil || !strings.Contains(err.Error(), c.want) || !errors.As(err, &bench) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := os.Stat(f.to); err == nil {
			t.Errorf("%s: a record was written", name)
		}
	}
}

// The supply's slew and the rail's error against what the world was built of:
// 100 and 50 V/s, an error of 0.05 % of 3.3 V as standard deviation.
func TestCalibrateSupplyTruth(t *testing.T) {
	world := virtual.Default().Supply
	for seed := range uint64(5) {
		to := filepath.Join(t.TempDir(), "supply.yaml")
		out, err := calibrate("", "supply", "--seed", fmt.Sprint(seed), "--to", to)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		r := readRecord(t, to).Supply.Result
		for what, v := range map[string][3]rig.Slew{"up": {r.SlewUp, r.SlewUpU, world.SlewUp}, "down": {r.SlewDown, r.SlewDownU, world.SlewDown}} {
			if off := math.Abs(float64(v[0] - v[2])); off > 2*float64(v[1]) {
				t.Errorf("seed %d: slew %s %v (u %v), truly %v", seed, what, rig.Of(v[0]), rig.Of(v[1]), rig.Of(v[2]))
			}
		}
		// Half the DUT's 3.3 V at the slower slew, the supply's answer before it
		// and its last 10 mV at a tenth of the slew, none of which is in the band.
		if least, most := world.Command+33*time.Millisecond-time.Millisecond, world.Command+36*time.Millisecond; r.Settling < least || r.Settling > most {
			t.Errorf("seed %d: settles in %v, want %v to %v", seed, r.Settling, least, most)
		}
		if r.RailU < 1500*physic.MicroVolt || r.RailU > 10*physic.MilliVolt {
			t.Errorf("seed %d: rail error %v, u %v", seed, r.RailError, r.RailU)
		}
	}
}

// Stamps come out as the driver itself makes of the same edges.
func TestCalibrateTiming(t *testing.T) {
	b, err := readBench(piBench)
	if err != nil {
		t.Fatal(err)
	}
	l := wired(90 * time.Microsecond)
	want, err := l.Calibration()
	if err != nil {
		t.Fatal(err)
	}
	hw := wiring{func() ([]gpio.Chip, error) { return header(), nil }, func(_ context.Context, w loopWire, n int) (gpio.LoopBack, error) { return l, nil }}
	k := keeping{by: "me", validDays: 30, to: filepath.Join(t.TempDir(), "stamps.yaml"), now: time.Now}
	r, err := calibrateTiming(t.Context(), b, &k, loopWire{"GPIO26", "GPIO11"}, 100, hw, &terminal{out: io.Discard, in: strings.NewReader(""), idle: pause})
	if err != nil {
		t.Fatal(err)
	}
	got := calibration.Apply(rig.Calibration{}, readRecord(t, k.to)).Stamp
	if got.Lag != want.Lag || max(got.U-want.U, want.U-got.U) > 2 || r.Instrument != "a wire from GPIO26 to GPIO11 and this machine's clock" {
		t.Errorf("%+v, the driver has %+v; %s", got, want, r.Instrument)
	}
	if s := timingSentence(r.Timing); !strings.Contains(s, "Edges are stamped 90µs late") {
		t.Error(s)
	}
	k.to += "2"
	l = gpio.LoopBack{Missed: 100}
	var bench *benchError
	if _, err := calibrateTiming(t.Context(), b, &k, loopWire{"GPIO26", "GPIO11"}, 100, hw, nil); !errors.As(err, &bench) || !strings.Contains(err.Error(), "missed: 100") {
		t.Errorf("no wire: %v", err)
	}
	offset := 26
	b.real.Lines.RelayDUT = &lineConfig{Chip: "pinctrl-bcm2711", Offset: &offset}
	if _, err := calibrateTiming(t.Context(), b, &k, loopWire{"GPIO26", "GPIO11"}, 100, hw, nil); err == nil || !strings.Contains(err.Error(), "is the line of relay_dut") {
		t.Errorf("a wire on a relay: %v", err)
	}
}

// Whatever a table of raw data holds: it is taken with finite masses and times
// in order of its rows, or refused at a place in it.
func FuzzRawData(f *testing.F) {
	f.Add([]byte(weighingsCSV))
	f.Add([]byte("step,from,to,at,rail\n1,1 V,2 V,0 ms,1 V\n"))
	f.Add([]byte("on,mass_mg\n\"3 s\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		w, err := parseWeighings("f.csv", bytes.NewReader(text))
		if err != nil && !strings.HasPrefix(err.Error(), "f.csv:") {
			t.Errorf("no place: %v", err)
		}
		for _, v := range w {
			if err == nil && !(v.Mass > 0 && !math.IsInf(float64(v.Mass), 0)) {
				t.Errorf("taken: %+v", v)
			}
		}
		steps, err := parseSteps("f.csv", bytes.NewReader(text))
		if err != nil && !strings.HasPrefix(err.Error(), "f.csv:") {
			t.Errorf("no place: %v", err)
		}
		for _, s := range steps {
			if err == nil && len(s.Trace) == 0 {
				t.Errorf("a step without a reading: %+v", s)
			}
		}
	})
}
