package main

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/drivers/closedloop"
	"drench/drivers/gpio"
	"drench/drivers/supply/instrument"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/timeline"

	"golang.org/x/sys/unix"
)

// shortRun writes a script with limits that fit anything.
func shortRun(t *testing.T, body string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "short.star")
	for name, text := range map[string]string{path: "trials = {\"wet\": 1}\ndef run():\n    " + body + "\n",
		strings.TrimSuffix(path, "star") + "limits": "heartbeat gap <= 3 s\n"} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

// kernelFault is something that happens to the bench, and what must come of it.
type kernelFault struct {
	script string
	world  string                                    // its fault, from the start
	happen func(t *testing.T, loop *closedloop.Loop) // in the middle of the run
	status int
	says   string // in what the program printed
	broken bool   // the loop can't follow any more
	trips  bool   // the next run is refused
	kept   func(*testing.T, store.Run, []rig.Event)
}

var kernelFaults = map[string]kernelFault{
	"none": {script: `power(); prime(); trial("wet", dose="0.2 ml", within="6 s"); dip(level="40 %", width="100 ms")`, says: "heartbeat gap", kept: selfTested},
	"input stuck": {script: `power(); prime()`, world: "stuck_input", status: 4,
		says: "self-test: loop_test does not open estop", trips: true, kept: unenergised},
	"supply unplugged in a dip": {script: `power(); dip(level="40 %", width="30 s"); quiet("30 s")`,
		happen: func(t *testing.T, loop *closedloop.Loop) {
			for _, name := range []string{rig.SupplySet, rig.DipRail} {
				loop.Supply(name).Refuse(true)
				loop.Supply(name).Cut()
			}
		}, status: 4, says: "supply has not answered", trips: true},
	"noise on the UART": {script: `power(); quiet("30 s")`,
		happen: func(t *testing.T, loop *closedloop.Loop) {
			noise := strings.Repeat("\x00\xff\x1b~q\x80\r7", 144) // 1152 bytes, at 115200 baud a tenth of a second
			for range 200 {
				loop.Babble(noise)
				time.Sleep(100 * time.Millisecond)
			}
		}, says: "heartbeat gap"},
	"clock set": {script: `power(); quiet("30 s")`,
		happen: func(t *testing.T, _ *closedloop.Loop) {
			for _, step := range []time.Duration{-time.Hour, time.Hour} {
				at := unix.NsecToTimeval(time.Now().Add(step).UnixNano())
				if err := unix.Settimeofday(&at); err != nil {
					t.Error(err)
				}
				time.Sleep(5 * time.Second)
			}
		}, says: "heartbeat gap", kept: unharmed},
	"stopped by a signal": {script: `power(); quiet("1 h")`, status: 4, says: "stopped"},
	"chip gone": {script: `power(); quiet("30 s")`,
		happen: func(t *testing.T, loop *closedloop.Loop) {
			const live = "/sys/kernel/config/gpio-sim/bench/live"
			put(t, live, "0")
			t.Cleanup(func() { put(t, live, "1") })
		}, status: 4, says: "went away|no such device", broken: true}, // the reader notices, or an output does: whichever is first
}

// keptRun reads the only run of a data folder.
func keptRun(t *testing.T, data string) (store.Run, []rig.Event) {
	t.Helper()
	st, err := store.Open(t.Context(), filepath.Join(data, "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	run, err := st.Get(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	_, evs, err := timeline.ReadAll(st.Timeline(t.Context(), 1))
	if err != nil {
		t.Fatal(err)
	}
	return run, evs
}

// unharmed: the time of day was set back by an hour and forth again. The run
// says so, and is as long by its dates as by its instants.
func unharmed(t *testing.T, run store.Run, evs []rig.Event) {
	var steps []string
	latest := rig.Instant(0)
	for _, ev := range evs {
		if ev.Kind == rig.Note && strings.HasPrefix(ev.Text, "clock stepped by ") {
			steps = append(steps, strings.SplitAfter(ev.Text, ":")[0])
		}
		if back := latest.Sub(ev.At); back > time.Second {
			t.Errorf("an event is stamped %v before an earlier one", back)
		}
		latest = max(latest, ev.At)
	}
	if len(steps) != 2 || !strings.HasPrefix(steps[0], "clock stepped by -1h0m0s:") || !strings.HasPrefix(steps[1], "clock stepped by 1h0m0s:") {
		t.Errorf("steps noted: %q", steps)
	}
	byDates, byInstants := run.Ended.Sub(run.Started), evs[len(evs)-1].At.Sub(evs[0].At)
	if (byDates - byInstants).Abs() > 10*time.Second {
		t.Errorf("by its dates the run took %v, by its instants %v", byDates, byInstants)
	}
}

// selfTested: the self-test has opened and closed the loops of two inputs.
func selfTested(t *testing.T, _ store.Run, evs []rig.Event) {
	var notes []string
	for _, ev := range evs {
		if ev.Kind == rig.Note && strings.HasPrefix(ev.Text, "self-test: ") {
			notes = append(notes, ev.Text)
		}
	}
	for _, input := range []string{rig.EStop, rig.Tray} {
		if !slices.Contains(notes, "self-test: "+input+" opened and closed by "+rig.LoopTest) {
			t.Errorf("%s is not proved; notes of the self-test: %q", input, notes)
		}
	}
}

// unenergised: the run ended before it set anything but the test line.
func unenergised(t *testing.T, _ store.Run, evs []rig.Event) {
	set := 0
	for _, ev := range evs {
		if ev.Kind == rig.Command && ev.Value != 0 {
			set++
		}
	}
	if set != 1 {
		t.Errorf("%d commands switched something on, want one, to the test line", set)
	}
}

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0); err != nil {
		t.Error(err)
	}
}

// TestOnKernelFaults: whatever happens to the bench is told, the run is kept,
// and what can be switched off is off.
func TestOnKernelFaults(t *testing.T) {
	onKernel(t)
	for _, name := range []string{"none", "input stuck", "clock set", "supply unplugged in a dip", "noise on the UART", "stopped by a signal", "chip gone"} {
		f := kernelFaults[name]
		t.Run(name, func(t *testing.T) {
			loop, rigFile := startWorld(t, kernelRun{fault: f.world}, f.broken)
			data := ramDisk(t)
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			happened := make(chan struct{})
			go func() {
				defer close(happened)
				if f.happen == nil && name != "stopped by a signal" {
					return
				}
				for !slices.Contains(loop.Energised(), rig.SupplySet) {
					time.Sleep(100 * time.Millisecond)
				}
				time.Sleep(15 * time.Second)
				if f.happen != nil {
					f.happen(t, loop)
				}
				if name == "stopped by a signal" {
					refusedRun(t, rigFile, data, "is in use by process")
					stop()
				}
			}()
			out, errs, status := onRealBench(t, ctx, "run", shortRun(t, f.script), "--rig", rigFile, "--data", data)
			<-happened
			t.Logf("status %d\n%s%s", status, out, errs)
			if status != f.status || !regexp.MustCompile(f.says).MatchString(out+errs) {
				t.Errorf("exit status %d, want %d, and %q among what it says", status, f.status, f.says)
			}
			if f.trips {
				refusedRun(t, rigFile, data, f.says)
				if _, errs, status := onRealBench(t, t.Context(), "clear", "--by", "Ada", "--data", data); status != 0 {
					t.Errorf("clear: %s", errs)
				}
			}
			if kept, errs, _ := onRealBench(t, t.Context(), "runs", "--data", data); !strings.Contains(kept, "short") {
				t.Errorf("the run is not kept: %s%s", kept, errs)
			}
			if f.kept != nil {
				run, evs := keptRun(t, data)
				f.kept(t, run, evs)
			}
			if _, _, mode := loop.Supply(rig.SupplySet).Output(); name != "supply unplugged in a dip" && mode != instrument.Off {
				t.Errorf("the supply was left in mode %d", mode)
			}
			if f.broken {
				return
			}
			for _, ch := range []string{rig.PumpDrip, rig.PumpSpray, rig.ValveAir, rig.RelayDUT, rig.RelayDip} {
				if on, err := loop.On(ch); on || err != nil {
					t.Errorf("%s was left on: %v", ch, err)
				}
			}
		})
	}
}

// refusedRun starts a run that must be refused before it begins.
func refusedRun(t *testing.T, rigFile, data, says string) {
	t.Helper()
	_, errs, status := onRealBench(t, t.Context(), "run", shortRun(t, `power()`), "--rig", rigFile, "--data", data)
	if status != verdict.Error.ExitStatus() || !strings.Contains(errs, says) {
		t.Errorf("exit status %d, want it refused with %q\n%s", status, says, errs)
	}
	if kept, _, _ := onRealBench(t, t.Context(), "runs", "--data", data, "--json"); strings.Count(kept, `"run":`) != 1 {
		t.Errorf("runs: %s", kept)
	}
}

// TestOnKernelBusy: a line that another program holds is named, with its holder.
func TestOnKernelBusy(t *testing.T) {
	onKernel(t)
	_, rigFile := startWorld(t, kernelRun{}, false)
	b, err := gpio.Open(t.Context(), []gpio.Line{{Channel: "mine", Chip: "drench-bench", Offset: onChip[rig.RelayDUT], Dir: rig.Output}})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	out, errs, status := onRealBench(t, t.Context(), "run", shortRun(t, `power()`), "--rig", rigFile, "--data", ramDisk(t))
	if status != verdict.Error.ExitStatus() || !strings.Contains(errs, "channel relay_dut: line 12 of ") || !strings.Contains(errs, `is held by "drench:mine"`) {
		t.Errorf("exit status %d\n%s%s", status, out, errs)
	}
}
