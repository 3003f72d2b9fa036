package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/drivers/dut"
	"drench/rig"
	"drench/rig/mistake"
	"drench/scenarios"

	"github.com/creack/pty"
	"periph.io/x/conn/v3/physic"
)

const piBench = "../../docs/pi-bench.yaml"

// TestPiBench: the documented bench is in order, and every stock scenario can
// run on it.
func TestPiBench(t *testing.T) {
	b, err := readBench(piBench)
	if err != nil {
		t.Fatal(err)
	}
	table, err := b.channels(1)
	if err != nil {
		t.Fatal(err)
	}
	if len(table) != len(roles) {
		t.Errorf("it has %d channels of %d", len(table), len(roles))
	}
	for _, name := range scenarios.Stock() {
		s, err := scenarios.Load(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Check(table); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestRoles holds the roles of a real bench against those of the virtual one.
func TestRoles(t *testing.T) {
	b, err := readBench("")
	if err != nil {
		t.Fatal(err)
	}
	table, err := b.channels(1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range table {
		if r, ok := role(c.Name); !ok || r != c {
			t.Errorf("%s is %+v, on the virtual bench %+v", c.Name, r, c)
		}
	}
	// The virtual DUT can't be fed through its UART, so it has nothing to let go.
	if len(table)+1 != len(roles) {
		t.Errorf("%d roles, the virtual bench has %d channels; want one more, %s", len(roles), len(table), rig.UARTLink)
	}
}

// TestBadVirtualBench: a virtual bench's interlock lines must be there too.
func TestBadVirtualBench(t *testing.T) {
	text, err := os.ReadFile("../../rig/config/stock/rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{"lid, reservoir]", "door, reservoir]", "door is not wired; expected an input of the virtual bench"},
		{"lid, reservoir]", "valve_air, reservoir]", "valve_air is an output; expected an input line"},
		{"{estop: loop_test,", "{estop: wake,", "wake is no test line of this bench; expected loop_test of the virtual bench"},
	} {
		path := filepath.Join(t.TempDir(), "rig.yaml")
		changed := strings.Replace(string(text), c.old, c.new, 1)
		if err := os.WriteFile(path, []byte(changed), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := readBench(path); !mistake.Found(err) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.new, err, c.want)
		}
	}
}

// TestBadRealBench: what is wrong with a real bench's rig file is said with its
// place and the mend.
func TestBadRealBench(t *testing.T) {
	text, err := os.ReadFile(piBench)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		old, new string
		at       string // the changed line's text, with ^ before the column
		want     string
	}{
		"a line used twice": {"heartbeat: {line: GPIO6", "heartbeat: {line: GPIO5", "^heartbeat: {line: GPIO5",
			"GPIO5 is the line of detect already; expected a line of its own for each"},
		"a line used twice by number": {"detect: {line: GPIO5, bias: off}        # bias off: a pull would feed a DUT without supply\n  heartbeat: {line: GPIO6",
			"detect: {chip: a, offset: 3}\n  heartbeat: {chip: a, offset: 3", "^heartbeat: {chip: a",
			"a line 3 is the line of detect already; expected a line of its own for each"},
		"a drive on a channel's line": {"drip_motor: {line: GPIO27}", "drip_motor: {line: GPIO18}", "^drip_motor: {line: GPIO18}",
			"GPIO18 is the line of deadman already; expected a line of its own for each"},
		"a channel given twice": {"uart:\n", "meters:\n  rail: {address: \"tcp://a\", query: \"MEAS:VOLT?\"}\nuart:\n", "^rail: {address",
			"channel rail is given twice, by power and by meters; expected one of them"},
		"a key given twice": {"  wake: {line: GPIO24}\n", "  wake: {line: GPIO24}\n  wake: {line: GPIO26}\n", "^wake: {line: GPIO26}",
			"wake is given twice, first in line 23; expected each key once"},
		"no dead-man": {"  deadman: {line: GPIO18}\n", "", "^pumps:",
			"a pump needs a dead-man line; expected lines.deadman, to the timer that feeds the pumps' relay"},
		"no interlock inputs": {"inputs: [estop, tray, lid, reservoir]\n  tests: {estop: loop_test, tray: loop_test}", "inputs: [estop]\n  tests: {estop: loop_test}", "^inputs: [estop]",
			"a pump needs the interlock input tray; expected inputs with tray, which opens above the tray"},
		"no budget": {"  volume: 3 l\n", "", "^interlock:", `interlock.volume is missing; expected more than 0, such as "0.4 ml"`},
		"an output as interlock input": {"inputs: [estop, tray,", "inputs: [estop, tray, relay_dut,", "inputs: [estop, tray, ^relay_dut",
			"relay_dut is an output; expected an input line"},
		"a test line not wired": {"  loop_test: {line: GPIO4}", "  #", "tests: {^estop: loop_test",
			"loop_test is no test line of this bench; expected loop_test out of lines"},
		"a test line that does something": {"tests: {estop: loop_test", "tests: {estop: relay_dut", "tests: {^estop: relay_dut",
			"relay_dut is no test line of this bench; expected loop_test out of lines"},
		"a test of what is not watched": {"tests: {estop: loop_test", "tests: {witness: loop_test", "tests: {^witness: loop_test",
			`"witness" is not among inputs; expected an input that is watched`},
		"an interlock input not wired": {"  lid: {line: GPIO20, bias: down}\n", "", "inputs: [estop, tray, ^lid",
			"lid is not wired; expected an input out of lines"},
		"an input as an output": {"relay: {line: drip_motor", "relay: {line: tray", "relay: {^line: tray",
			"tray is an input; expected an output out of lines.drives"},
		"a drive that is none": {"step: spray_step", "step: spray_stop", "^step: spray_stop",
			"spray_stop is no drive of this bench; expected one of lines.drives: cooler, drip_motor, humidifier, spray_enable, spray_step"},
		"an idle drive": {"      enable: spray_enable\n", "", "^spray_enable: {line",
			"drive spray_enable drives nothing; expected pumps or climate to name it, or no such line"},
		"an unknown role": {"heartbeat: {line", "heartbeet: {line", "^heartbeet: {line", `unknown key heartbeet; expected "heartbeat", perhaps`},
		"no line":         {"tray: {line: GPIO19, ", "tray: {", "^tray: {bias", "no line is given; expected line: with the kernel's name for it, or chip: and offset:"},
		"bias":            {"line: GPIO12, bias: down", "line: GPIO12, bias: low", "line: GPIO12, ^bias: low", `bias is "low"; expected up, down or off`},
		"flow": {"flow: 10 ml/min", "flow: 12 ml/min", "^flow: 12",
			"the pump's flow is 12 ml/min, and 10 ml/min is asked for by calibration.drip; expected the same: that is what doses ask for"},
		"address": {"tcp://192.0.2.10:5025", "192.0.2.10", "^address: 192.0.2.10",
			`address is "192.0.2.10"; expected tcp://host:port or serial:///dev/serial/by-id/…?baud=9600`},
		"dialect": {"dialect: standard", "dialect: standart", "^dialect: standart",
			`there is no supply dialect "standart"; expected one of minimal, standard, or a path such as ./standart.yaml`},
		"level": {"most: 4 V                               #", "most: 40 V #", "^most: 40 V", "most is 40 V, and standard goes up to 30 V; expected no more than that"},
		"current": {"over_current: 500 mA", "over_current: 700 mA", "^over_current: 700",
			"over_current is 700 mA, and power measures up to 600 mA; expected less than that, or a higher power.max_current: a current that is not measured trips nothing"},
		"calibration": {"  witness:\n    lag: 1 ms\n    u: 1 ms\n", "", "^calibration:",
			"calibration.witness is missing, and this bench has witness; expected what that part does and how sure that is; docs/pi-bench.md says how to find out"},
		"UART":    {"port: /dev/serial/by-id/usb-bridge-port0 # the rate is that of the DUT's profile", "max_line: 512", "^uart:", "port is missing; expected the serial device, such as /dev/serial/by-id/…"},
		"monitor": {`address: "0x40"`, `address: "0x99"`, `^address: "0x99"`, `address is "0x99"; expected a 7-bit address in quotes, such as "0x40"`},
		"virtual": {"bench: real", "bench: virtual", "^climate:", "climate is for a real bench, and this one is virtual; expected bench: real, or a rig file without climate"},
		"world":   {"uart:\n", "virtual:\n  deadman: 1 s\nuart:\n", "^virtual:", "virtual is for a virtual bench, and this one is real; expected a rig file without it"},
	} {
		t.Run(name, func(t *testing.T) {
			changed := strings.Replace(string(text), c.old, c.new, 1)
			if changed == string(text) {
				t.Fatalf("%q is not in the file", c.old)
			}
			path := filepath.Join(t.TempDir(), "rig.yaml")
			if err := os.WriteFile(path, []byte(changed), 0o600); err != nil {
				t.Fatal(err)
			}
			_, err := readBench(path)
			if !mistake.Found(err) {
				t.Fatalf("got %v, want mistakes", err)
			}
			want := path + ":" + place(t, changed, c.at) + ": " + c.want
			if !slices.Contains(strings.Split(err.Error(), "\n"), want) {
				t.Errorf("got  %s\nwant %s among it", err, want)
			}
		})
	}
}

// place returns line:column of the mark ^ in a piece of text.
func place(t *testing.T, text, at string) string {
	t.Helper()
	before, after, _ := strings.Cut(at, "^")
	i := strings.Index(text, before+after)
	if i < 0 {
		t.Fatalf("%q is not in the file", before+after)
	}
	i += len(before)
	line := strings.Count(text[:i], "\n")
	return itoa(line+1) + ":" + itoa(i-strings.LastIndex(text[:i], "\n"))
}

// TestMeasured: what a meter answers, in °C and %, in the channel's units.
func TestMeasured(t *testing.T) {
	for _, c := range []struct {
		nano int64
		unit rig.Unit
		want int64
	}{
		{3_300_000_000, rig.Volt, int64(3300 * physic.MilliVolt)},
		{23_450_000_000, rig.Kelvin, 296_600_000_000}, // 23.45 °C is 296.60 K
		{-5_000_000_000, rig.Kelvin, 268_150_000_000},
		{55_200_000_000, rig.RelHum, int64(552 * physic.MilliRH)},
	} {
		if got := measured(c.nano, c.unit); got != c.want {
			t.Errorf("%d in %v: %d, want %d", c.nano, c.unit, got, c.want)
		}
	}
}

// TestUARTSource: lines come as events, in order, and dropped ones as a note
// in their place.
func TestUARTSource(t *testing.T) {
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	defer near.Close()
	p, err := dut.Open(t.Context(), dut.Config{Port: near.Name(), Baud: 115200, Queue: 4})
	if err != nil {
		t.Fatal(err)
	}
	src := &uartSource{port: p, id: 3}
	next := func() rig.Event {
		ev, ok, err := src.Next(t.Context(), rig.Never)
		if err != nil || !ok {
			t.Fatal(ok, err)
		}
		return ev
	}
	if _, err := far.WriteString("up fw=1\r\n"); err != nil {
		t.Fatal(err)
	}
	if ev := next(); ev.Kind != rig.Line || ev.Channel != 3 || ev.Text != "up fw=1" || ev.At == 0 {
		t.Errorf("got %+v", ev)
	}
	const lines = 20
	for i := range lines {
		if _, err := far.WriteString("line " + itoa(i) + "\n"); err != nil {
			t.Fatal(err)
		}
	}
	for p.Dropped() < lines-4 {
		time.Sleep(time.Millisecond)
	}
	if ev := next(); ev.Kind != rig.Note || ev.Text != "UART: 16 lines were dropped, as they came faster than they could be recorded" {
		t.Errorf("got %+v", ev)
	}
	for i := range 4 {
		if ev := next(); ev.Kind != rig.Line || ev.Text != "line "+itoa(16+i) {
			t.Errorf("got %+v", ev)
		}
	}
	if err := p.Release(t.Context()); err != nil {
		t.Fatal(err)
	}
	if ev := next(); ev.Kind != rig.Note || ev.Text != "UART let go: its transmit line is low, if its bridge can do that" {
		t.Errorf("got %+v", ev)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := src.Next(gone, rig.Never); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	if _, _, err := src.Next(t.Context(), rig.Never); !errors.Is(err, dut.ErrClosed) {
		t.Errorf("closed: %v", err)
	}
}
