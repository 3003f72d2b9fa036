package main

import (
	"strings"
	"testing"

	"drench/drivers/virtual"
	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig/timeline"
)

// judged measures a timeline and judges it by the job's limits.
func judged(t *testing.T, j *job, tl *timeline.Memory) (*measure.Set, limits.Judgement) {
	t.Helper()
	r, err := tl.Reader()
	if err != nil {
		t.Fatal(err)
	}
	set, err := measure.Extract(r.Header, r.All())
	if err != nil {
		t.Fatal(err)
	}
	return set, limits.Judge(set, j.limits, r.Header)
}

// try runs a scenario on the stock virtual bench, with a fault if one is named,
// and judges it by its own limits.
func try(t *testing.T, scenario, fault string, seed uint64) limits.Judgement {
	t.Helper()
	r := record(t, scenario, runFlags{seed: seed, fault: fault}, nil)
	_, judgement := judged(t, r.job, &r.timeline)
	return judgement
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
		"stuck_input":     {"drip", verdict.Error, "loop_test does not open estop"},
		"broken_wire":     {"drip", verdict.Pass, ""}, // the drop gate stands in for the witness
	}
	for _, f := range virtual.Faults() {
		if _, ok := table[f.Name]; !ok {
			t.Errorf("fault %s is not in the table", f.Name)
		}
	}
	for fault, want := range table {
		t.Run(want.scenario+"/"+fault, func(t *testing.T) {
			t.Parallel()
			got := try(t, want.scenario, fault, 7)
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
			got := try(t, scenario, "", seed)
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

// TestLostEdges: whichever edges are lost, in whichever scenario, no limit fails
// for it: what could not be seen is no fault of the device.
func TestLostEdges(t *testing.T) {
	for _, scenario := range []string{"drip", "spray", "condensation", "brownout"} {
		for _, seed := range []uint64{1, 2, 3, 7} {
			got := try(t, scenario, "lost_edges", seed)
			if got.Verdict != verdict.Inconc {
				t.Errorf("%s, seed %d: %v: %s", scenario, seed, got.Verdict, got.Reason)
			}
			for _, r := range got.Results {
				if r.Verdict == verdict.Fail {
					t.Errorf("%s, seed %d: %s: %s", scenario, seed, r.Limit.Text, r.Reason)
				}
			}
		}
	}
}
