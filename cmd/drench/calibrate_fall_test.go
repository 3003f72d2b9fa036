package main

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/drivers/virtual"
	"drench/rig/calibration"
	"drench/rig/physics"
)

// TestCalibrateFallTruth: what drops and the rail tell against what the world
// was built of: the fall of the drop gate, the witness's lag, and the operate
// time of the dip switch.
func TestCalibrateFallTruth(t *testing.T) {
	world := virtual.Default()
	fall := float64(physics.TransitTime(0.008, 0.2)) * 1e9
	for _, c := range []struct {
		of    string
		args  []string
		truth float64 // ns
		value func(*calibration.Record) (v, u time.Duration)
		most  time.Duration // that u may be and still say something
	}{
		{ofGate, []string{"--gate-depth", "8 mm", "--sensor-depth", "200 mm", "--n", "5"}, fall,
			func(r *calibration.Record) (v, u time.Duration) {
				return r.DropGate.Result.Fall, r.DropGate.Result.FallU
			}, 2 * time.Millisecond},
		{ofWitness, nil, float64(world.Lines.WitnessLag),
			func(r *calibration.Record) (v, u time.Duration) { return r.Witness.Result.Lag, r.Witness.Result.U }, 2 * time.Millisecond},
		{ofSwitch, nil, float64(world.Supply.Switch),
			func(r *calibration.Record) (v, u time.Duration) { return r.Switch.Result.Operate, r.Switch.Result.U }, 50 * time.Microsecond},
	} {
		for seed := range 5 {
			to := filepath.Join(t.TempDir(), "r.yaml")
			out, err := calibrate("", append([]string{"timing", "--of", c.of, "--seed", fmt.Sprint(seed), "--to", to}, c.args...)...)
			if err != nil {
				t.Fatalf("%s, seed %d: %v\n%s", c.of, seed, err, out)
			}
			v, u := c.value(readRecord(t, to))
			t.Logf("%s, seed %d: %v (u %v), truly %v", c.of, seed, v, u, time.Duration(c.truth))
			if math.Abs(float64(v)-c.truth) > 2*float64(u) {
				t.Errorf("%s, seed %d: %v is more than two standard uncertainties of %v off %v", c.of, seed, v, u, time.Duration(c.truth))
			}
			if u > c.most {
				t.Errorf("%s: an uncertainty of %v says nothing", c.of, u)
			}
		}
	}
}

// TestCalibrateFallFinds: what is wrong with a bench shows.
func TestCalibrateFallFinds(t *testing.T) {
	for name, c := range map[string]struct {
		fault, want string
		args        []string
	}{
		"heights that are none": {"", "drops take ", []string{"--of", "gate", "--gate-depth", "8 mm", "--sensor-depth", "300 mm"}},
		"no water":              {"blocked_nozzle", "no water came", []string{"--of", "witness"}},
		"a witness that is off": {"broken_wire", "the witness did not tell of it", []string{"--of", "witness"}},
		"no height":             {"", "--gate-depth: ", []string{"--of", "gate"}},
		"something else":        {"", `--of "moon"; expected stamps, gate, witness or switch`, []string{"--of", "moon"}},
		"a wire for drops":      {"", "--out and --in are for --of stamps", []string{"--of", "witness", "--out", "GPIO1", "--in", "GPIO2"}},
		"few drops":             {"", "--n 4; expected 5 to 1000", []string{"--of", "witness", "--n", "4"}},
	} {
		t.Run(name, func(t *testing.T) {
			b, err := readBench("")
			if err != nil {
				t.Fatal(err)
			}
			if c.fault != "" {
				if err := b.world.SetFault(c.fault); err != nil {
					t.Fatal(err)
				}
			}
			var f timingFlags
			cmd := newCalibrateTiming()
			flags := *cmd
			flags.ResetFlags()
			f.flags(&flags)
			err = flags.ParseFlags(append(c.args, "--to", filepath.Join(t.TempDir(), "r.yaml")))
			if err == nil {
				err = f.complete()
			}
			if err == nil {
				_, err = calibrateFall(t.Context(), b, &f, nil)
			}
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
			var bench *benchError
			if c.fault != "" && !errors.As(err, &bench) {
				t.Errorf("%v is a fault of the bench", err)
			}
		})
	}
}
