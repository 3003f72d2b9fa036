package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"drench/results/compare"
	"drench/results/verdict"
)

var updateComparing = flag.Bool("update-comparing", false, "write the output of the commands in docs/comparing.md into it")

// TestComparingPage runs the commands of docs/comparing.md, one after the other
// in one store; each drench compare prints what the page shows.
func TestComparingPage(t *testing.T) {
	if testing.Short() {
		t.Skip("runs eight times 300 trials")
	}
	const path = "../../docs/comparing.md"
	page, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv("DRENCH_DATA", t.TempDir())
	compared := 0
	fresh := consoleBlock.ReplaceAllStringFunc(string(page), func(block string) string {
		var out strings.Builder
		for _, part := range strings.Split("\n"+consoleBlock.FindStringSubmatch(block)[1], "\n$ ")[1:] {
			line, want, _ := strings.Cut(part, "\n")
			got := shown(t, line)
			if !*updateComparing && !alike(got, want) {
				t.Errorf("$ %s\nprints\n%s\nthe page shows\n%s", line, got, want)
			}
			if got != "" {
				compared++
			}
			fmt.Fprintf(&out, "$ %s\n%s", line, got)
		}
		return "```console\n" + out.String() + "```"
	})
	if compared < 5 {
		t.Errorf("the page shows %d comparisons", compared)
	}
	if *updateComparing {
		if err := os.WriteFile(path, []byte(fresh), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// shown is what the page shows of a command: all that drench compare prints, and
// nothing of drench run.
func shown(t *testing.T, line string) string {
	t.Helper()
	words := quoted(strings.ReplaceAll(line, `"`, "'"))
	out, err := typed(newRoot(), words[1:]...)
	var status *statusError
	if err != nil && !errors.As(err, &status) {
		t.Errorf("$ %s: %v", line, err)
	}
	if words[1] == "run" {
		return ""
	}
	return out
}

// The page has each measure's margin as the table has it.
func TestMarginsPage(t *testing.T) {
	page, err := os.ReadFile("../../docs/comparing.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range compare.Margins() {
		if row := fmt.Sprintf("\n| %s | %v |\n", m.Measure, m); !strings.Contains(string(page), row) {
			t.Errorf("the page lacks%s", row)
		}
	}
}

// TestRegressions: each fault of the device is found against a run without it,
// by the measure that is there for it.
func TestRegressions(t *testing.T) {
	t.Parallel()
	base := map[string]compare.Run{}
	for fault, want := range map[string]struct{ scenario, measure string }{
		"dead_heartbeat": {"drip", "heartbeat missing"},
		"stuck_quiet":    {"drip", "missed"},
		"stuck_wet":      {"drip", "false alarms"},
		"slow_clock":     {"drip", "heartbeat gap"},
		"false_alarms":   {"drip", "false alarms"},
		"glitches":       {"drip", "glitches"},
		"uart_lies":      {"drip", "uart disagreement"},
		"hungry_sleep":   {"drip", "standby"},
		"no_release":     {"drip", "release"},
		"insensitive":    {"drip", "missed"},
		"late":           {"drip", "latency"},
		"lost_settings":  {"brownout", "settings lost"},
		"ramp_chatter":   {"brownout", "chatter"},
		"slow_start":     {"brownout", "start-up"},
		"hang_after_dip": {"brownout", "not recovered"},
		"dip_alarm":      {"brownout", "dip alarms"},
		"high_drop_out":  {"brownout", "drop-out"},
	} {
		if _, ok := base[want.scenario]; !ok {
			base[want.scenario] = record(t, want.scenario, runFlags{seed: 7}, nil).compared(t, 1)
		}
		now := record(t, want.scenario, runFlags{seed: 8, fault: fault}, nil).compared(t, 2)
		c := compare.Runs([]compare.Run{base[want.scenario]}, []compare.Run{now}, compare.Options{})
		var worse []string
		for _, d := range c.Differences {
			if d.Word == compare.Worse {
				worse = append(worse, d.Measure)
			}
		}
		if c.Verdict != verdict.Fail || !slices.Contains(worse, want.measure) {
			t.Errorf("%s: %v, worse are %q, want %s among them", fault, c.Verdict, worse, want.measure)
		}
	}
	// And another night of the same device is not called worse.
	for scenario, b := range base {
		now := record(t, scenario, runFlags{seed: 9}, nil).compared(t, 3)
		if c := compare.Runs([]compare.Run{b}, []compare.Run{now}, compare.Options{}); c.Verdict == verdict.Fail {
			t.Errorf("%s without a fault: %s", scenario, c.Reason)
		}
	}
}

// TestCompareStatus: what the exit status says, and what wrong use is told.
func TestCompareStatus(t *testing.T) {
	t.Setenv("DRENCH_DATA", t.TempDir())
	for _, args := range [][]string{
		{"run", "drip", "--trials", "40", "--seed", "1", "--tag", "base"},
		{"run", "drip", "--trials", "40", "--seed", "2", "--tag", "now"},
		{"run", "drip", "--trials", "40", "--seed", "3", "--fault", "late", "--tag", "late"},
		{"run", "drip", "--trials", "4", "--seed", "4", "--fault", "tray_full", "--tag", "trip"},
	} {
		var status *statusError
		if _, err := typed(newRoot(), args...); err != nil && !errors.As(err, &status) {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		args string
		want verdict.Verdict
		says string
	}{
		{"base now --only missed --margin 'missed=8 %'", verdict.Pass, "PASS: no regression: 1 the same"},
		{"base late", verdict.Fail, "FAIL: worse: latency"},
		{"late base --only latency", verdict.Pass, "better"},
		{"1 2", verdict.Inconc, "INCONC: no regression is shown, but it can't be told for"},
		{"base trip", verdict.Inconc, "run 4 of drip is left out: it ended as an error"},
	} {
		out, err := typed(newRoot(), append([]string{"compare"}, quoted(c.args)...)...)
		var status *statusError
		got := verdict.Pass
		if errors.As(err, &status) {
			got = status.v
		} else if err != nil {
			t.Errorf("compare %s: %v", c.args, err)
		}
		if got != c.want || !strings.Contains(out, c.says) {
			t.Errorf("compare %s: %v\n%s\nwant %v, %q", c.args, got, out, c.want, c.says)
		}
	}
	for args, want := range map[string]string{
		"base":                               "accepts 2 arg(s), received 1",
		"base 99":                            "no such run",
		"base nothing":                       `no finished run has the tag "nothing"; drench runs --json shows the tags, drench run --tag gives one`,
		"base now --q 2":                     "--q 2; expected a share above 0 and below 1",
		"base now --only speed":              `--only "speed": there is no such measure; expected one of latency,`,
		"base now --margin latency=5":        `--margin: margin "latency=5"`,
		"base now --margin 'latency = fast'": "is not a number with a unit",
	} {
		var status *statusError
		if _, err := typed(newRoot(), append([]string{"compare"}, quoted(args)...)...); err == nil || errors.As(err, &status) || !strings.Contains(err.Error(), want) {
			t.Errorf("compare %s: %v, want %q", args, err, want)
		}
	}
	out, _ := typed(newRoot(), "compare", "base", "late", "--json")
	var c compare.Comparison
	if err := json.Unmarshal([]byte(out), &c); err != nil || c.Verdict != verdict.Fail || len(c.Differences) < 10 {
		t.Errorf("JSON: %v, %v, %d differences", err, c.Verdict, len(c.Differences))
	}
}
