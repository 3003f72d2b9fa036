package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"drench/drivers/gpio"
	"drench/drivers/supply"
	"drench/drivers/supply/instrument"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/calibration"

	"github.com/spf13/cobra"
)

// underRoot gives a command the flags that it shares with all.
func underRoot(cmd *cobra.Command) *cobra.Command {
	root := &cobra.Command{Use: "drench"}
	root.PersistentFlags().String("rig", "", "")
	root.PersistentFlags().String("data", "", "")
	root.AddCommand(cmd)
	return root
}

// tree writes files under a new folder.
func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// header has the lines of a Raspberry Pi's header.
func header() []gpio.Chip {
	c := gpio.Chip{Path: "/dev/gpiochip0", Name: "gpiochip0", Label: "pinctrl-bcm2711"}
	for i := range 28 {
		c.Lines = append(c.Lines, gpio.LineInfo{Name: fmt.Sprintf("GPIO%d", i)})
	}
	return []gpio.Chip{c}
}

// pi is a Raspberry Pi on which docs/pi-bench.yaml runs.
func pi(t *testing.T) *patient {
	t.Helper()
	b, err := readBench(piBench)
	if err != nil {
		t.Fatal(err)
	}
	root := tree(t, map[string]string{
		"proc/device-tree/model":            "Raspberry Pi 4 Model B Rev 1.5\x00",
		"proc/sys/kernel/osrelease":         "6.6.31+rpt-rpi-v8\n",
		"proc/meminfo":                      "MemTotal:        3884328 kB\nMemFree:         2684328 kB\nMemAvailable:    3184328 kB\n",
		"etc/group":                         "root:x:0:\ngpio:x:997:drench\ni2c:x:994:drench\ndialout:x:20:drench\n",
		"dev/i2c-1":                         "",
		"dev/serial/by-id/usb-bridge-port0": "",
		"sys/devices/system/clocksource/clocksource0/current_clocksource": "arch_sys_counter\n",
	})
	return &patient{root: root, data: filepath.Join(root, "home", "data"), bench: b, uid: 1000,
		now:          func() time.Time { return time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC) },
		groups:       func() ([]int, error) { return []int{997, 994, 20, 1000}, nil },
		synchronised: func() (bool, error) { return true, nil },
		resolution:   func() (time.Duration, error) { return time.Nanosecond, nil },
		step:         func() time.Duration { return 18 * time.Nanosecond },
		free:         func(string) (uint64, error) { return 20 << 30, nil },
		access:       func(string) error { return nil },
		chips:        func() ([]gpio.Chip, error) { return header(), nil },
		identify: func(_ context.Context, cfg supply.Config) (supply.Identity, error) {
			return supply.Identity{Maker: "maker", Model: "model", Serial: "1", Firmware: "2"}, nil
		},
		loopBack: func(context.Context, loopWire, int) (gpio.LoopBack, error) { return wired(90 * time.Microsecond), nil },
	}
}

// wired is what a good wire tells: stamps late by so much, 10 µs more or less.
func wired(late time.Duration) gpio.LoopBack {
	var l gpio.LoopBack
	for i := range rig.Instant(100) {
		mid := 1_000_000 * (i + 1)
		l.Samples = append(l.Samples, gpio.LoopSample{Set: gpio.Stamp{Before: mid - 6000, After: mid + 6000}, Edge: mid + rig.Instant(late) + 10_000*(2*(i%2)-1)})
	}
	return l
}

func TestDoctorOnAPi(t *testing.T) {
	p := pi(t)
	p.loop = loopWire{Out: "GPIO26", In: "GPIO11"}
	d := examine(t.Context(), p)
	if d.Worst != fine {
		t.Errorf("worst is %s", d.Worst)
	}
	said := map[string]string{}
	for _, f := range d.Findings {
		if f.Grade != fine || f.Mend != "" {
			t.Errorf("%+v", f)
		}
		said[f.Check] = f.Found
	}
	for name, want := range map[string]string{
		"board": "Raspberry Pi 4 Model B Rev 1.5, ", "kernel": "6.6.31+rpt-rpi-v8", "user": "user 1000 in groups 1000, dialout, gpio, i2c",
		"memory": "3109 MB of memory free", "clock": "source arch_sys_counter, resolution 1ns, smallest step between two readings 18ns",
		"time of day": "2026-03-02T10:00:00Z, synchronised", "data folder": "can be written", "disk": "20480 MB of disk free", "store": "is not there yet",
		"GPIO chips": "gpiochip0 [pinctrl-bcm2711], 28 lines, 0 in use", "line detect": "GPIO5 is line 5 of gpiochip0 [pinctrl-bcm2711], free",
		"line drip_motor": "GPIO27 is line 27", "I2C bus 1": "/dev/i2c-1 may be opened", "port of the DUT's UART": "/dev/serial/by-id/usb-bridge-port0 may be opened",
		"supply": "maker model", "dip_rail": "at tcp://192.0.2.11:5025", "loop-back wire": "100 edges of 100, stamped late by 90µs",
	} {
		if !strings.Contains(said[name], want) {
			t.Errorf("%s: %q, want %q in it", name, said[name], want)
		}
	}
	if got := strings.Join(d.LeftOut, ", "); got != "calibration, virtual bench" {
		t.Errorf("left out %q", got)
	}
}

// TestDoctorOnABrokenPi breaks one thing at a time: the finding must name it,
// say how to mend it, and be graded; nothing else may be blamed.
func TestDoctorOnABrokenPi(t *testing.T) {
	put := func(t *testing.T, p *patient, name, text string) {
		t.Helper()
		path := filepath.Join(p.root, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	remove := func(t *testing.T, p *patient, name string) {
		t.Helper()
		if err := os.Remove(filepath.Join(p.root, name)); err != nil {
			t.Fatal(err)
		}
	}
	follows := map[string]string{"no chips": "GPIO lines", "a data folder in a file": "store"} // what can't be well either
	for name, c := range map[string]struct {
		spoil       func(*testing.T, *patient)
		check       string
		grade       grade
		found, mend string
	}{
		"an old kernel":             {func(t *testing.T, p *patient) { put(t, p, "proc/sys/kernel/osrelease", "5.4.0\n") }, "kernel", broken, "5.4.0, which can't stamp edges", "5.10"},
		"a kernel without a number": {func(t *testing.T, p *patient) { put(t, p, "proc/sys/kernel/osrelease", "custom") }, "kernel", doubtful, `release "custom"`, "5.10"},
		"no /proc":                  {func(t *testing.T, p *patient) { remove(t, p, "proc/sys/kernel/osrelease") }, "kernel", doubtful, "no such file", "mount /proc"},
		"root":                      {func(t *testing.T, p *patient) { p.uid = 0 }, "user", doubtful, "root", "a user of its own"},
		"little memory":             {func(t *testing.T, p *patient) { put(t, p, "proc/meminfo", "MemAvailable:      30000 kB\n") }, "memory", broken, "29 MB of memory free, less than 64 MB", "end programs"},
		"less memory":               {func(t *testing.T, p *patient) { put(t, p, "proc/meminfo", "MemAvailable:     100000 kB\n") }, "memory", doubtful, "97 MB", "end programs"},
		"unreadable memory":         {func(t *testing.T, p *patient) { put(t, p, "proc/meminfo", "x") }, "memory", doubtful, "does not tell", "mount /proc"},
		"a clock of ticks": {func(t *testing.T, p *patient) {
			p.resolution = func() (time.Duration, error) { return 10 * time.Millisecond, nil }
		}, "clock", broken, "too coarse", "high-resolution timers"},
		"a makeshift clock": {func(t *testing.T, p *patient) {
			put(t, p, "sys/devices/system/clocksource/clocksource0/current_clocksource", "jiffies\n")
		}, "clock", doubtful, "source jiffies", "kernel's log"},
		"the wrong time": {func(t *testing.T, p *patient) { p.synchronised = func() (bool, error) { return false, nil } }, "time of day", doubtful, "not synchronised", "timedatectl"},
		"no way to tell": {func(t *testing.T, p *patient) { p.synchronised = func() (bool, error) { return false, syscall.EPERM } }, "time of day", doubtful, "can't be told", "timedatectl"},
		"a data folder in a file": {func(t *testing.T, p *patient) {
			put(t, p, "home/file", "")
			p.data = filepath.Join(p.root, "home/file/data")
		}, "data folder", broken, "not a directory", "--data"},
		"a full disk":            {func(t *testing.T, p *patient) { p.free = func(string) (uint64, error) { return 50 << 20, nil } }, "disk", broken, "50 MB of disk free", "--data"},
		"a damaged store":        {func(t *testing.T, p *patient) { damage(t, p.data) }, "store", broken, "is damaged", "keep a copy"},
		"another's database":     {func(t *testing.T, p *patient) { put(t, p, "home/data/drench.db", "") }, "store", broken, "is no store of drench", "--data"},
		"an expired calibration": {func(t *testing.T, p *patient) { nameRecord(t, p, "2026-02-01T00:00:00Z") }, "calibration", doubtful, "stamps.yaml: the calibration of edge stamps expired", "drench calibrate"},
		"no chips": {func(t *testing.T, p *patient) {
			p.chips = func() ([]gpio.Chip, error) {
				return nil, errors.New("no GPIO chip: /dev has no gpiochip0; expected a board")
			}
		}, "GPIO chips", broken, "no GPIO chip", "5.10"},
		"a line held": {func(t *testing.T, p *patient) {
			p.chips = func() ([]gpio.Chip, error) {
				c := header()
				c[0].Lines[5] = gpio.LineInfo{Name: "GPIO5", Used: true, Consumer: "blinker"}
				return c, nil
			}
		}, "line detect", broken, `held by "blinker"`, "wire another line"},
		"a line that is not there": {func(t *testing.T, p *patient) {
			p.chips = func() ([]gpio.Chip, error) { c := header(); c[0].Lines[6].Name = "gpio6"; return c, nil }
		}, "line heartbeat", broken, "no chip has GPIO6", "gpio6, perhaps: capitals matter"},
		"a name on two chips": {func(t *testing.T, p *patient) {
			p.chips = func() ([]gpio.Chip, error) { c := header(); c[0].Lines[0].Name = "GPIO6"; return c, nil }
		}, "line heartbeat", broken, "GPIO6 is 2 lines", "chip and offset"},
		"no I2C": {func(t *testing.T, p *patient) { remove(t, p, "dev/i2c-1") }, "I2C bus 1", broken, "/dev/i2c-1 is not there", "dtparam=i2c_arm=on"},
		"I2C of others": {func(t *testing.T, p *patient) {
			p.access = func(path string) error {
				if strings.HasSuffix(path, "i2c-1") {
					return fs.ErrPermission
				}
				return nil
			}
		}, "I2C bus 1", broken, "may not be opened by user 1000", "add the user to the group " + ownGroup()},
		"a bridge unplugged": {func(t *testing.T, p *patient) {
			remove(t, p, "dev/serial/by-id/usb-bridge-port0")
			put(t, p, "dev/serial/by-id/usb-other-port0", "")
		}, "port of the DUT's UART", broken, "is not there", "name one of /dev/serial/by-id/usb-other-port0"},
		"a bridge by number": {func(t *testing.T, p *patient) { p.bench.real.UART.Port = "/dev/ttyUSB0"; put(t, p, "dev/ttyUSB0", "") }, "port of the DUT's UART", doubtful, "its number may be another", "/dev/serial/by-id"},
		"a supply that is off": {func(t *testing.T, p *patient) {
			p.identify = func(_ context.Context, cfg supply.Config) (supply.Identity, error) {
				if strings.Contains(cfg.Address, "192.0.2.10") {
					return supply.Identity{}, supply.ErrNoAnswer
				}
				return supply.Identity{Maker: "x"}, nil
			}
		}, "supply", broken, "tcp://192.0.2.10:5025: ", "switch it on"},
		"no wire": {func(t *testing.T, p *patient) {
			p.loop = loopWire{"GPIO26", "GPIO11"}
			p.loopBack = func(context.Context, loopWire, int) (gpio.LoopBack, error) { return gpio.LoopBack{Missed: 100}, nil }
		}, "loop-back wire", broken, "100 did not", "look at the wire"},
		"a wire on a used line": {func(t *testing.T, p *patient) {
			offset := 22
			p.bench.real.Lines.RelayDUT = &lineConfig{Chip: "gpiochip0", Offset: &offset}
			p.loop = loopWire{"GPIO22", "GPIO11"}
		}, "loop-back wire", broken, "--out GPIO22 is the line of relay_dut", "look at the wire"},
		"stamps unlike the rig file's": {func(t *testing.T, p *patient) {
			p.loop = loopWire{"GPIO26", "GPIO11"}
			p.loopBack = func(context.Context, loopWire, int) (gpio.LoopBack, error) { return wired(2 * time.Millisecond), nil }
		}, "loop-back wire", doubtful, "the rig file says 100µs", "drench calibrate timing --out GPIO26 --in GPIO11"},
	} {
		t.Run(name, func(t *testing.T) {
			p := pi(t)
			c.spoil(t, p)
			d := examine(t.Context(), p)
			if d.Worst != c.grade {
				t.Errorf("worst is %s, want %s", d.Worst, c.grade)
			}
			seen := false
			for _, f := range d.Findings {
				if f.Check == c.check {
					seen = true
					if f.Grade != c.grade || !strings.Contains(f.Found, c.found) || !strings.Contains(f.Mend, c.mend) {
						t.Errorf("%+v, want %s, %q, mend %q", f, c.grade, c.found, c.mend)
					}
				} else if f.Grade != fine && follows[name] != f.Check {
					t.Errorf("blames %+v", f)
				}
			}
			if !seen {
				t.Errorf("no finding about %s", c.check)
			}
		})
	}
}

// ownGroup is the group of files that this test makes, as the tree's etc/group
// has it.
func ownGroup() string {
	if os.Getgid() == 0 {
		return "root"
	}
	return itoa(os.Getgid())
}

// damage makes a store and writes over its middle.
func damage(t *testing.T, dir string) {
	t.Helper()
	path := filepath.Join(dir, "drench.db")
	st, err := store.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := len(text) / 4; i < len(text)/4*3; i++ {
		text[i] = 0x5a
	}
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
}

// nameRecord has the patient's rig file name a calibration of stamps that is good
// until an instant.
func nameRecord(t *testing.T, p *patient, expires calibration.Date) {
	t.Helper()
	c := &calibration.Timing{Output: "GPIO26", Input: "GPIO11"}
	var delays, u []time.Duration
	for _, s := range wired(90 * time.Microsecond).Samples {
		delays, u = append(delays, s.Edge.Sub(s.Set.At())), append(u, s.Set.U())
	}
	if err := c.Edges.SumUp(delays, u); err != nil {
		t.Fatal(err)
	}
	r, err := calibration.New("stamps.yaml", calibration.Record{By: "me", Date: "2025-02-01T00:00:00Z", Expires: expires, Instrument: "a wire", Timing: c})
	if err != nil {
		t.Fatal(err)
	}
	p.bench.rig.CalibrationFiles = append(p.bench.rig.CalibrationFiles, r.Source)
}

// The stamps that the doctor measures are held against the record, where there
// is one.
func TestDoctorKnowsRecords(t *testing.T) {
	p := pi(t)
	nameRecord(t, p, "2027-02-01T00:00:00Z")
	p.loop = loopWire{"GPIO26", "GPIO11"}
	if d := examine(t.Context(), p); d.Worst != fine {
		t.Errorf("%+v", d)
	}
	p.loopBack = func(context.Context, loopWire, int) (gpio.LoopBack, error) { return wired(150 * time.Microsecond), nil }
	if d := examine(t.Context(), p); d.Worst != doubtful { // the rig file's own 100 µs ± 100 µs would do
		t.Errorf("%+v", d)
	}
}

// A virtual bench is looked at without hardware, on any machine that tests
// run on, and what a stranger types first works.
func TestDoctorCommand(t *testing.T) {
	out, err := typed(underRoot(newDoctor()), "doctor", "--data", t.TempDir())
	if err != nil || !strings.Contains(out, "ok    virtual bench") || !strings.Contains(out, "Left out, as this bench has no such part: calibration, GPIO chips, GPIO lines,") {
		t.Errorf("%v\n%s", err, out)
	}
	out, err = typed(underRoot(newDoctor()), "doctor", "--json", "--data", t.TempDir())
	var d diagnosis
	if err != nil || json.Unmarshal([]byte(out), &d) != nil || d.Worst == broken || len(d.Findings) < 9 || d.Rig != "stock/rig.yaml" {
		t.Errorf("%v\n%s", err, out)
	}
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	out, err = typed(underRoot(newDoctor()), "doctor", "--data", file+"/data")
	var status *statusError
	if !errors.As(err, &status) || status.v != verdict.Error || !strings.Contains(out, "✗ bad   data folder") {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestDoctorWrongUse(t *testing.T) {
	for want, args := range map[string][]string{
		"this one is virtual":          {"--out", "GPIO26", "--in", "GPIO11"},
		"expected both --out and --in": {"--rig", piBench, "--out", "GPIO26"},
		"are both GPIO26":              {"--rig", piBench, "--out", "GPIO26", "--in", "GPIO26"},
		"--out GPIO27 is the line of drip_motor; expected a spare one": {"--rig", piBench, "--out", "GPIO27", "--in", "GPIO26"},
		"unknown command": {"everything"},
	} {
		out, err := typed(underRoot(newDoctor()), append([]string{"doctor", "--data", t.TempDir()}, args...)...)
		var status *statusError
		var bench *benchError
		if err == nil || !strings.Contains(err.Error(), want) || errors.As(err, &status) || errors.As(err, &bench) {
			t.Errorf("%q: %v\n%s", args, err, out)
		}
	}
}

// The doctor asks a supply who it is, and leaves it as it is.
func TestDoctorIdentifies(t *testing.T) {
	in, err := instrument.New(instrument.Bench())
	if err != nil {
		t.Fatal(err)
	}
	for _, message := range []string{"VOLT 3", "OUTP 1"} {
		if _, err := in.Exec(t.Context(), message); err != nil {
			t.Fatal(err)
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- in.Serve(ctx, l) }()
	p := pi(t)
	p.identify = identify
	p.bench.real.Supply.Address = "tcp://" + l.Addr().String()
	p.bench.real.DipSupply = supplySection{}
	for _, f := range p.instruments(ctx) {
		want := instrument.Bench().Identity[1]
		if f.Check != rig.SupplySet || f.Grade != fine || !strings.Contains(f.Found, want) {
			t.Errorf("%+v, want %q in it", f, want)
		}
	}
	if on, err := in.Exec(ctx, "OUTP?"); err != nil || strings.TrimSpace(on) != "1" {
		t.Errorf("the output is %q, %v", on, err)
	}
	cancel()
	if err := <-served; err != nil {
		t.Error(err)
	}
	for _, f := range p.instruments(t.Context()) {
		if f.Grade != broken || !strings.Contains(f.Mend, "switch it on") {
			t.Errorf("without a supply: %+v", f)
		}
	}
}
