package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"drench/drivers/closedloop"
	"drench/drivers/virtual"
	"drench/results/limits"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/timeline"
	"drench/scenarios"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/physic"
)

// kernelRun is a scenario that runs through real drivers, on a real kernel
// with simulated GPIO chips, against the closed loop.
type kernelRun struct {
	scenario, fault string
	trials          int
	long            bool     // only with DRENCH_RUNS=all
	rate            rig.Rate // of a fault that comes at random: more than its own, for a short run; 0: its own
}

func (k kernelRun) name() string { return strings.TrimSuffix(k.scenario+"_"+k.fault, "_") }

// kernelRuns are compared with the virtual bench.
var kernelRuns = []kernelRun{
	{scenario: "drip", trials: 4},
	{scenario: "spray", trials: 4},
	{scenario: "brownout", trials: 6},
	{scenario: "condensation", trials: 1},
	{scenario: "drip", fault: "stuck_quiet", trials: 2},
	{scenario: "drip", fault: "dead_heartbeat", trials: 2},
	{scenario: "drip", fault: "slow_clock", trials: 2},
	{scenario: "drip", fault: "hungry_sleep", trials: 2},
	{scenario: "drip", fault: "uart_lies", trials: 2},
	{scenario: "drip", fault: "blocked_nozzle", trials: 2},
	{scenario: "drip", fault: "estop_pressed", trials: 2},
	{scenario: "drip", fault: "glitches", trials: 2, rate: hourly(600)},
	{scenario: "drip", fault: "false_alarms", trials: 2, rate: hourly(200)},
	{scenario: "brownout", fault: "lost_settings", trials: 4},
	{scenario: "brownout", fault: "ramp_chatter", trials: 5},
	{scenario: "drip", fault: "insensitive", trials: 2, long: true},
	{scenario: "drip", fault: "reservoir_empty", trials: 2, long: true},
	{scenario: "drip", fault: "stuck_wet", trials: 2, long: true},
	{scenario: "drip", fault: "no_release", trials: 2, long: true},
	{scenario: "brownout", fault: "dip_alarm", trials: 4, long: true},
	{scenario: "brownout", fault: "slow_start", trials: 9, long: true},
	{scenario: "brownout", fault: "hang_after_dip", trials: 9, long: true},
	{scenario: "brownout", fault: "high_drop_out", trials: 18, long: true},
	{scenario: "brownout", fault: "backfed", trials: 4, long: true},
}

func hourly(n float64) rig.Rate { return rig.Rate(n * 1e9 / 3600) }

// transfer is the heat transfer coefficient over the plate, mW/(m² K).
const transfer = 200_000

// hasten makes a world's chamber faster, for the kernel and the virtual bench
// alike: with the stock bench's chamber a run takes half an hour. Dew forms
// twenty times as fast, and warms the plate no more than there; air and plate
// follow three times as fast. More would be too fast for the plate's regulator,
// which reads it once a second and so keeps it within about a kelvin.
func hasten(c *virtual.ChamberConfig) {
	const follow = 3
	times := transfer / 1000 / c.Transfer
	c.Transfer *= times
	c.PlateWarms /= times
	c.Humidify, c.Vent, c.PlateTime = c.Humidify/follow, c.Vent/follow, c.PlateTime/follow
}

// spoil puts the run's fault into a world.
func (k kernelRun) spoil(t *testing.T, world *virtual.Config) {
	t.Helper()
	if k.fault == "" {
		return
	}
	if err := world.SetFault(k.fault); err != nil {
		t.Fatal(err)
	}
	f := world.Faults[k.fault]
	f.Rate = k.rate
	world.Faults[k.fault] = f
}

// asked returns the runs to make: all but the long ones, unless DRENCH_RUNS
// names some, or all.
func asked() []kernelRun {
	only := os.Getenv("DRENCH_RUNS")
	return slices.DeleteFunc(slices.Clone(kernelRuns), func(k kernelRun) bool {
		if only == "" {
			return k.long
		}
		return only != "all" && !slices.Contains(strings.Split(only, ","), k.name())
	})
}

// shorter is what is asked of both benches in place of what a stock script asks.
// In a quiet stretch nothing is asked of the DUT, so that a short one will do; a
// ramp sets the supply ten times a second, which takes the kernel long; and the
// chamber is faster here, see hasten.
var shorter = []struct {
	long *regexp.Regexp
	text string
}{
	{regexp.MustCompile(`quiet\("\d+ min"\)`), `quiet("20 s")`},
	{regexp.MustCompile(`slope = "50 mV/s"`), `slope = "200 mV/s"`},
	{regexp.MustCompile(`over = "5 min"`), `over = "30 s"`},
	{regexp.MustCompile(`within = "25 min"`), `within = "2 min"`},
}

// script writes a stock scenario, shortened, and its limits.
func (k kernelRun) script(t *testing.T) string {
	t.Helper()
	s, err := scenarios.Load(k.scenario)
	if err != nil {
		t.Fatal(err)
	}
	_, limits, _, err := s.DefaultLimits()
	if err != nil {
		t.Fatal(err)
	}
	text := s.Text
	for _, r := range shorter {
		text = r.long.ReplaceAll(text, []byte(r.text))
	}
	path := filepath.Join(t.TempDir(), k.scenario)
	for ext, text := range map[string][]byte{".star": text, ".limits": limits} {
		if err := os.WriteFile(path+ext, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return path + ".star"
}

const kernelSeed = 7

// TestKernelBench boots a kernel with simulated GPIO chips as a process (see
// .ci/kernel-bench), once for the faults of a bench and once for each run, and
// makes this program's TestOnKernel tests in it. There time jumps to the next
// timer whenever nothing runs, so that an hour passes in minutes.
func TestKernelBench(t *testing.T) {
	if testing.Short() {
		t.Skip("takes minutes")
	}
	k := newKernel(t)
	t.Run("faults", func(t *testing.T) {
		t.Parallel()
		k.boot(t, "^TestOnKernel(Faults|Busy)$")
	})
	for _, run := range asked() {
		t.Run(run.name(), func(t *testing.T) {
			t.Parallel()
			k.boot(t, "^TestOnKernelRuns$/^"+run.name()+"$")
			run.compare(t, k.dir)
		})
	}
}

// kernel is a kernel to boot, and what to run in it.
type kernel struct {
	path, bench, dir, program, inside string
}

// newKernel builds the programs; it skips if there is no kernel.
func newKernel(t *testing.T) kernel {
	t.Helper()
	dir := t.TempDir()
	k := kernel{path: os.Getenv("DRENCH_UML"), dir: dir, program: filepath.Join(dir, "drench"), inside: filepath.Join(dir, "inside")}
	if k.path == "" {
		k.path = filepath.Join(os.Getenv("HOME"), ".cache/drench/uml/linux")
	}
	if _, err := os.Stat(k.path); err != nil {
		if os.Getenv("DRENCH_REQUIRE") == "all" {
			t.Fatalf("no kernel: %v; make it with .ci/kernel-bench build", err)
		}
		t.Skipf("no kernel: %v; make it with .ci/kernel-bench build", err)
	}
	for _, args := range [][]string{{"build", "-o", k.program, "."}, {"test", "-c", "-o", k.inside, "."}} {
		compile := exec.Command("go", args...)
		compile.Env = append(os.Environ(), "CGO_ENABLED=0")
		if b, err := compile.CombinedOutput(); err != nil {
			t.Fatalf("go %v: %v\n%s", args, err, b)
		}
	}
	var err error
	if k.bench, err = filepath.Abs("../../.ci/kernel-bench"); err != nil {
		t.Fatal(err)
	}
	return k
}

// bootWithin is how long a boot with its tests may take on a busy machine. The
// kernel is ended then even if this program no longer lives.
const bootWithin = 15 * time.Minute

// boot makes tests on the kernel.
func (k kernel) boot(t *testing.T, tests string) {
	t.Helper()
	limit := bootWithin
	if end, ok := t.Deadline(); ok {
		limit = min(limit, time.Until(end)-30*time.Second)
	}
	if limit < time.Minute {
		t.Fatalf("no time is left for %s; give go test a longer -timeout", tests)
	}
	boot := exec.Command("timeout", "-s", "KILL", itoa(int(limit.Seconds())), k.bench, "boot", k.inside, "-test.run="+tests, "-test.v", "-test.timeout=0")
	boot.Env = append(os.Environ(), "DRENCH_KERNEL_BENCH=1", "DRENCH_UML="+k.path, "DRENCH_UML_ARGS=time-travel=inf-cpu",
		"DRENCH_PROGRAM="+k.program, "DRENCH_OUT="+k.dir)
	began := time.Now()
	b, err := boot.CombinedOutput()
	took := time.Since(began).Round(time.Second)
	state := boot.ProcessState
	t.Logf("%v in all, %v of CPU\n%s", took, (state.UserTime() + state.SystemTime()).Round(time.Second), b)
	if state.ExitCode() < 0 {
		t.Fatalf("ended after %v, which was all the time there is; give go test a longer -timeout", took)
	}
	if err != nil || !strings.Contains(string(b), "--- PASS: TestOnKernel") {
		t.Fatalf("on the kernel: %v", err)
	}
}

// compare holds what came of a run against the same on the virtual bench.
func (k kernelRun) compare(t *testing.T, dir string) {
	text, err := os.ReadFile(filepath.Join(dir, k.name()+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var real []summary
	if err := json.Unmarshal(text, &real); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	cmd := &cobra.Command{}
	cmd.Flags().String("rig", "", "")
	cmd.Flags().String("data", t.TempDir(), "")
	jobs, err := prepare(cmd, []string{k.script(t)}, runFlags{seed: kernelSeed, trials: k.trials})
	if err != nil {
		t.Fatal(err)
	}
	b := jobs[0].bench
	hasten(&b.world.Chamber)
	b.rig.Calibration.Chamber.Transfer = transfer
	k.spoil(t, &b.world)
	virtual := rehearsed(t, jobs[0])
	if len(real) != 1 || len(real[0].Limits) != len(virtual.Results) {
		t.Fatalf("%d runs, want one with %d limits", len(real), len(virtual.Results))
	}
	if real[0].Verdict != virtual.Verdict {
		t.Errorf("verdict %v (%s), on the virtual bench %v (%s)", real[0].Verdict, real[0].Reason, virtual.Verdict, virtual.Reason)
	}
	for i, r := range real[0].Limits {
		v := virtual.Results[i]
		t.Logf("%-6v %-6v %s: %s | %s", r.Verdict, v.Verdict, r.Limit.Text, r.Reason, v.Reason)
		if (r.Verdict == verdict.Fail) != (v.Verdict == verdict.Fail) {
			t.Errorf("%s is %v, on the virtual bench %v", r.Limit.Text, r.Verdict, v.Verdict)
		}
	}
}

// onKernel skips elsewhere, and refuses a kernel whose time does not stand still
// while a program computes.
func onKernel(t *testing.T) {
	t.Helper()
	if os.Getenv("DRENCH_KERNEL_BENCH") != "1" {
		t.Skip("runs inside the kernel bench only; see TestKernelBench")
	}
	began, sum := time.Now(), [32]byte{}
	for range 200_000 {
		sum = sha256.Sum256(sum[:])
	}
	if passed := time.Since(began); passed > 10*time.Millisecond {
		t.Fatalf("%v passed while %x was computed: the kernel can't travel in time; make it anew with .ci/kernel-bench build", passed, sum[:2])
	}
}

// onChip are the lines of the kernel bench's chip.
var onChip = map[string]int{
	rig.Detect: 0, rig.Heartbeat: 1, rig.Wake: 2, rig.Reset: 3, rig.DropGate: 4, rig.Witness: 5, rig.EStop: 6, rig.Tray: 7,
	rig.Lid: 8, rig.ValveAir: 11, rig.RelayDUT: 12, rig.RelayDip: 13, rig.Deadman: 14, rig.Reservoir: 17, rig.LoopTest: 21,
}

const (
	dripLine, sprayStep, sprayEnable, humidLine, coolLine, spareLine = 9, 10, 18, 19, 20, 31

	stepVolume = 1000 // nl
)

// startWorld starts the closed loop for a run, and writes a rig file for it. A
// loop that will be broken is not asked how it went.
func startWorld(t *testing.T, k kernelRun, broken bool) (*closedloop.Loop, string) {
	t.Helper()
	cfg := virtual.Default()
	cfg.Supply.Command = 0 // the driver and its instrument take their own time
	hasten(&cfg.Chamber)
	k.spoil(t, &cfg)
	stock, err := readBench("")
	if err != nil {
		t.Fatal(err)
	}
	loop, err := closedloop.Start(t.Context(), closedloop.Config{
		World: cfg, Device: stock.device, Model: stock.model, Seed: kernelSeed,
		Wiring: closedloop.Wiring{Chip: "drench-bench", Lines: onChip, Spare: spareLine,
			Relays: []closedloop.Relay{{Line: dripLine, Channel: rig.PumpDrip, On: int64(10 * rig.MlPerMin)},
				{Line: humidLine, Channel: rig.Humidity, On: int64(99 * physic.PercentRH)}, {Line: coolLine, Channel: rig.Plate, On: int64(physic.ZeroCelsius)}},
			Spray: closedloop.StepPump{Step: sprayStep, Enable: sprayEnable, Volume: stepVolume}},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(loop.Err(), loop.Close()); err != nil && !broken {
			t.Error(err)
		}
	})
	path := filepath.Join(t.TempDir(), "rig.yaml")
	if err := os.WriteFile(path, []byte(rigFile(loop)), 0o600); err != nil {
		t.Fatal(err)
	}
	return loop, path
}

// rigFile describes the kernel bench. Edges are seen up to a tick of the kernel,
// 1 ms, late, and the world's own wires are late too: 0.6 ms with a standard
// uncertainty of 1 ms/sqrt(12) = 0.3 ms.
func rigFile(loop *closedloop.Loop) string {
	var b strings.Builder
	b.WriteString("name: kernel-bench\nbench: real\ndut: conductive-2s\nlines:\n")
	for _, r := range roles {
		if offset, ok := onChip[r.Name]; ok {
			fmt.Fprintf(&b, "  %s: {chip: drench-bench, offset: %d}\n", r.Name, offset)
		}
	}
	fmt.Fprintf(&b, "  drives:\n    drip_motor: {line: PUMP_DRIP}\n    spray_step: {line: PUMP_SPRAY}\n    spray_enable: {chip: drench-bench, offset: %d}\n", sprayEnable)
	fmt.Fprintf(&b, "    humidifier: {chip: drench-bench, offset: %d}\n    cooler: {chip: drench-bench, offset: %d}\n", humidLine, coolLine)
	fmt.Fprintf(&b, "supply: {address: \"%s\", most: 4 V, current: 500 mA, over_voltage: 5 V}\n", loop.Address(rig.SupplySet))
	fmt.Fprintf(&b, "dip_supply: {address: \"%s\", most: 4 V, current: 500 mA}\n", loop.Address(rig.DipRail))
	fmt.Fprintf(&b, "uart: {port: %s}\nmeters:\n", loop.UART())
	for _, name := range []string{rig.Rail, rig.DUTCurrent, rig.DUTEnergy, rig.AirTemp, rig.AirRH, rig.PlateTemp} {
		fmt.Fprintf(&b, "  %s: {address: \"%s\", query: \"READ:%s?\"}\n", name, loop.Address(""), strings.ToUpper(name))
	}
	b.WriteString(`pumps:
  pump_drip:
    relay: {line: drip_motor, flow: 10 ml/min}
  pump_spray:
    stepper: {step: spray_step, enable: spray_enable, steps_per_turn: 200, volume_per_turn: 0.2 ml, max_rate: 500 Hz}
climate:
  humidifier: {line: humidifier, lowest: 30 %RH, highest: 98 %RH, hysteresis: 1 %RH}
  cooler: {line: cooler, lowest: 2 °C, highest: 40 °C, hysteresis: 0.2 K}
calibration:
  drip: {rate: 10 ml/min, rate_u: 2 %, drop: 16.667 ul, lag: 265 ms, lag_u: 20 ms, line_volume: 2 ml}
  drop_gate: {fall: 161.6 ms, fall_u: 1 ms}
  witness: {lag: 1 ms, u: 1 ms}
  stamp: {lag: 0.6 ms, u: 0.3 ms}
  spray: {area: 25 cm2, rate_u: 2 %, lag: 300 ms, lag_u: 20 ms}
  supply: {slew_up: 100 V/s, slew_down: 50 V/s, switch: 100 us, rail_u: 5 mV}
  power: {u: 1 %}
  chamber: {transfer_mw_m2k: ` + itoa(transfer) + `, transfer_u: 10 %, air_temp_u: 0.2 K, air_rh_u: 2 %RH, plate_u: 0.2 K}
interlock:
  inputs: [estop, tray, lid, reservoir]
  tests: {estop: loop_test, tray: loop_test}
  pump_on: 60 s
  volume: 3 l
  over_current: 500 mA
  over_voltage: 4.2 V
  poll: 1 s
  stale: 3 s
`)
	return b.String()
}

// onRealBench runs the program and returns what it printed and its exit status.
func onRealBench(t *testing.T, ctx context.Context, args ...string) (out, errs string, status int) {
	t.Helper()
	cmd := exec.CommandContext(ctx, os.Getenv("DRENCH_PROGRAM"), args...)
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return stdout.String(), stderr.String(), cmd.ProcessState.ExitCode()
}

// ramDisk makes a folder whose files are in memory: the store syncs each second
// of the run, which takes long through to the host's disk.
func ramDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("drench", dir, "tmpfs", 0, ""); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// TestOnKernelRuns makes the runs that are compared with the virtual bench.
func TestOnKernelRuns(t *testing.T) {
	onKernel(t)
	for _, k := range asked() {
		t.Run(k.name(), func(t *testing.T) {
			began := time.Now()
			loop, rigFile := startWorld(t, k, false)
			out, errs, status := onRealBench(t, t.Context(), "run", k.script(t), "--rig", rigFile, "--data", ramDisk(t),
				"--seed", itoa(kernelSeed), "--trials", itoa(k.trials), "--json")
			t.Logf("status %d after %v on the bench\n%s", status, time.Since(began).Round(time.Second), errs)
			time.Sleep(time.Second) // supplies take their time to fall
			if on := loop.Energised(); len(on) > 0 {
				t.Errorf("left energised: %v", on)
			}
			if err := os.WriteFile(filepath.Join(os.Getenv("DRENCH_OUT"), k.name()+".json"), []byte(out), 0o600); err != nil {
				t.Fatal(err)
			}
		})
	}
}

// rehearsed runs a job on the virtual bench and judges it.
func rehearsed(t *testing.T, j *job) limits.Judgement {
	t.Helper()
	var kept timeline.Memory
	if _, _, err := j.rehearse(t.Context(), &kept, nil); err != nil {
		t.Fatal(err)
	}
	set, judgement := judged(t, j, &kept)
	t.Logf("%v on the virtual bench", set.End.Sub(set.Begin).Round(time.Second))
	return judgement
}
