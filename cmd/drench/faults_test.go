package main

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"drench/drivers/virtual"
	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig/timeline"

	"github.com/spf13/cobra"
)

// outcome is a scenario run on the stock virtual bench and judged by its own
// limits.
type outcome struct {
	world  *virtual.Bench
	header timeline.Header
	set    *measure.Set
	limits.Judgement
}

// try runs a scenario, with a fault if one is named.
func try(t *testing.T, scenario, fault string, seed uint64, mend func(*bench)) outcome {
	t.Helper()
	cmd := &cobra.Command{}
	cmd.Flags().String("rig", "", "")
	cmd.Flags().String("data", t.TempDir(), "")
	jobs, err := prepare(cmd, []string{scenario}, runFlags{seed: seed, fault: fault})
	if err != nil {
		t.Fatal(err)
	}
	j := jobs[0]
	if mend != nil {
		mend(j.bench)
	}
	world, err := j.bench.open(seed)
	if err != nil {
		t.Fatal(err)
	}
	defer world.Close()
	var kept memory
	if _, _, err := j.runOn(context.Background(), world, &kept, nil); err != nil {
		t.Fatal(err)
	}
	tl, err := timeline.NewReader(bytes.NewReader(kept.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	set, err := measure.Extract(tl.Header, tl.All())
	if err != nil {
		t.Fatal(err)
	}
	return outcome{world, tl.Header, set, limits.Judge(set, j.limits, tl.Header)}
}

// TestFaults: each fault of the device breaks the limit that is there for it,
// each fault of the rig takes the verdict away, and nothing else is blamed.
func TestFaults(t *testing.T) {
	table := map[string]struct {
		scenario string
		verdict  verdict.Verdict
		names    string // limits that must fail, or what the reason says
	}{
		"":                {"drip", verdict.Pass, ""},
		"stuck_quiet":     {"drip", verdict.Fail, "missed, latency"},
		"stuck_wet":       {"drip", verdict.Fail, "false alarms"},
		"dead_heartbeat":  {"drip", verdict.Fail, "heartbeat gap"},
		"slow_clock":      {"drip", verdict.Fail, "heartbeat gap, latency"},
		"lost_settings":   {"brownout", verdict.Fail, "settings lost"},
		"false_alarms":    {"drip", verdict.Fail, "false alarms"},
		"ramp_chatter":    {"brownout", verdict.Fail, "chatter"},
		"insensitive":     {"drip", verdict.Fail, "missed"},
		"no_release":      {"drip", verdict.Fail, "release"},
		"glitches":        {"drip", verdict.Fail, "glitches"},
		"slow_start":      {"brownout", verdict.Fail, "start-up"},
		"hungry_sleep":    {"drip", verdict.Fail, "standby"},
		"uart_lies":       {"drip", verdict.Fail, "uart disagreement"},
		"hang_after_dip":  {"brownout", verdict.Fail, "not recovered"},
		"dip_alarm":       {"brownout", verdict.Fail, "dip alarms"},
		"high_drop_out":   {"brownout", verdict.Fail, "drop-out, recovery"},
		"late":            {"drip", verdict.Fail, "latency"},
		"blocked_nozzle":  {"drip", verdict.Inconc, "stimulus not confirmed"},
		"worn_tube":       {"drip", verdict.Pass, ""}, // doses are counted by drops
		"backfed":         {"brownout", verdict.Inconc, "fed from elsewhere"},
		"lost_edges":      {"drip", verdict.Inconc, "edges were lost"},
		"supply_link":     {"drip", verdict.Error, "supply has not answered"},
		"estop_pressed":   {"drip", verdict.Error, "emergency stop"},
		"tray_full":       {"drip", verdict.Error, "water in the tray"},
		"lid_open":        {"drip", verdict.Error, "lid open"},
		"reservoir_empty": {"drip", verdict.Error, "reservoir low"},
		"slow_switch":     {"brownout", verdict.Pass, ""}, // dips come later, not shorter: the rail shows it
		"broken_wire":     {"drip", verdict.Pass, ""},     // the drop gate stands in for the witness
	}
	for _, f := range virtual.Faults() {
		if _, ok := table[f.Name]; !ok {
			t.Errorf("fault %s is not in the table", f.Name)
		}
	}
	for fault, want := range table {
		t.Run(want.scenario+"/"+fault, func(t *testing.T) {
			t.Parallel()
			got := try(t, want.scenario, fault, 7, nil)
			if got.Verdict != want.verdict {
				t.Errorf("verdict %v (%s), want %v", got.Verdict, got.Reason, want.verdict)
			}
			var failed []string
			reasons := got.Reason
			for _, r := range got.Results {
				reasons += "\n" + r.Limit.Text + ": " + r.Reason
				if r.Verdict == verdict.Fail {
					failed = append(failed, r.Limit.Measure)
				}
			}
			if want.verdict != verdict.Fail {
				if !strings.Contains(reasons, want.names) {
					t.Errorf("reasons lack %q:\n%s", want.names, reasons)
				}
				return
			}
			for _, name := range strings.Split(want.names, ", ") {
				if !strings.Contains(strings.Join(failed, ", "), name) {
					t.Errorf("failed limits are %q, want %q among them", failed, name)
				}
			}
		})
	}
}

// TestHealthy: every stock scenario passes on every stock device.
func TestHealthy(t *testing.T) {
	for _, scenario := range []string{"drip", "spray", "condensation", "brownout"} {
		for _, seed := range []uint64{1, 7} {
			got := try(t, scenario, "", seed, nil)
			if got.Verdict != verdict.Pass {
				t.Errorf("%s, seed %d: %v: %s", scenario, seed, got.Verdict, got.Reason)
				for _, r := range got.Results {
					if r.Verdict != verdict.Pass {
						t.Errorf("  %v %s: %s", r.Verdict, r.Limit.Text, r.Reason)
					}
				}
			}
		}
	}
}
