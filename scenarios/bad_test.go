package scenarios_test

import (
	"context"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"drench/drivers/virtual"
	"drench/rig"
	"drench/rig/config"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/timeline"
	"drench/scenarios"
)

var update = flag.Bool("update", false, "write the expected messages anew")

// rehearse runs a script on the stock virtual bench and returns what the
// script came to, and the timeline.
func rehearse(t *testing.T, s *scenarios.Script, trials int, seed uint64, mend func(*virtual.Config)) (tl []byte, cut error) {
	t.Helper()
	ctx := context.Background()
	world, model := virtual.Default(), virtual.Model{}
	l, err := config.LoadRig("", map[string]any{"virtual": &world})
	if err != nil {
		t.Fatal(err)
	}
	device, _, err := l.LoadProfile(&model)
	if err != nil {
		t.Fatal(err)
	}
	if mend != nil {
		mend(&world)
	}
	bench, err := virtual.Open(world, device, model, seed)
	if err != nil {
		t.Fatal(err)
	}
	defer bench.Close()
	if err := s.Check(bench.Channels()); err != nil {
		return nil, err
	}
	var kept timeline.Memory
	w, err := timeline.NewWriter(&kept, timeline.Header{Scenario: s.Name, Seed: seed, Channels: bench.Channels(), Device: device,
		Calibration: l.Calibration, Planned: s.Scale(trials)}, timeline.VirtualPace)
	if err != nil {
		t.Fatal(err)
	}
	guard, err := interlock.New(ctx, bench, l.Interlock)
	if err != nil {
		t.Fatal(err)
	}
	run, err := engine.New(ctx, guard, w)
	if err != nil {
		t.Fatal(err)
	}
	cut = run.Do(ctx, func(ctx context.Context) error {
		return s.Run(ctx, run, scenarios.Setup{Device: device, Calibration: l.Calibration, Seed: seed, Counts: s.Scale(trials)})
	})
	for _, c := range bench.Channels() {
		if c.Dir == rig.Output && c.Name != rig.Deadman && run.Last(c.Name) != 0 {
			t.Errorf("%s is at %d after the run", c.Name, run.Last(c.Name))
		}
	}
	return kept.Bytes(), cut
}

// TestBadScripts: each broken script gives exactly its message, with file,
// line and column, and leaves all outputs off.
func TestBadScripts(t *testing.T) {
	files, err := filepath.Glob("../testdata/bad/scripts/*.star")
	if err != nil || len(files) < 12 {
		t.Fatalf("found %d broken scripts: %v", len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".star")
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			s, fault := scenarios.Parse(name, name+".star", text)
			if fault == nil {
				_, fault = rehearse(t, s, 0, 1, nil)
			}
			if fault == nil {
				t.Fatal("the script was taken and ran")
			}
			golden := strings.TrimSuffix(file, ".star") + ".want"
			if *update {
				if err := os.WriteFile(golden, []byte(fault.Error()+"\n"), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got := fault.Error() + "\n"; got != string(want) {
				t.Errorf("got  %swant %s", got, want)
			}
		})
	}
}
