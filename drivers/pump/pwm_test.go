package pump

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"drench/rig"

	"golang.org/x/sys/unix"
	"pgregory.net/rapid"
)

var pwmConfig = PWMConfig{
	Chip: "pwmchip0", Channel: 1, Period: 50 * time.Microsecond,
	Points: []PWMPoint{{2e8, 10 * rig.MlPerMin}, {5e8, 40 * rig.MlPerMin}, {1e9, 60 * rig.MlPerMin}},
}

// kernel behaves as /sys/class/pwm does: kernel documentation,
// driver-api/pwm.rst, and drivers/pwm/{core,sysfs}.c. A state without a period
// or with a longer duty is refused, even by enable.
type kernel struct {
	exported         bool
	denied           int // reads and writes until udev has done its work
	period, duty     int64
	enabled          bool
	polarity         string
	fixed            bool // the polarity can't be changed while enabled
	fail             func(file, value string) error
	log              []string
	unknown, missing bool // file names that the driver should not use; no such chip
}

func (k *kernel) folder(string) files { return k }

func (k *kernel) read(name string) (string, error) {
	switch {
	case !k.exported, name == "polarity" && k.polarity == "":
		return "", fs.ErrNotExist
	case name == "period":
		return fmt.Sprint(k.period), nil
	case name == "polarity":
		return k.polarity, nil
	}
	k.unknown = true
	return "", fs.ErrNotExist
}

func (k *kernel) write(name, value string) error {
	if name == "export" {
		if k.missing || value != "1" {
			return unix.ENODEV
		}
		k.exported = true
		return nil
	}
	if !k.exported {
		return fs.ErrNotExist
	}
	if k.denied > 0 {
		k.denied--
		return fs.ErrPermission
	}
	if k.fail != nil {
		if err := k.fail(name, value); err != nil {
			return err
		}
	}
	k.log = append(k.log, name+"="+value)
	return k.apply(name, value)
}

func (k *kernel) apply(name, value string) error {
	next := *k
	n, _ := strconv.ParseInt(value, 10, 64)
	switch name {
	case "period":
		next.period = n
	case "duty_cycle":
		next.duty = n
	case "enable":
		next.enabled = n == 1
	case "polarity":
		if k.enabled && k.fixed {
			return unix.EBUSY
		}
		next.polarity = value
	default:
		k.unknown = true
		return fs.ErrNotExist
	}
	if next.period == 0 || next.duty > next.period {
		return unix.EINVAL
	}
	*k = next
	return nil
}

// share is how much of the time the motor is on.
func (k *kernel) share() float64 {
	if !k.enabled {
		return 0
	}
	return float64(k.duty) / float64(k.period)
}

func TestPWM(t *testing.T) {
	k := &kernel{polarity: "normal"}
	p, err := openPWM(t.Context(), k, pwmConfig)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		flow rig.Flow
		want float64 // < 0: refused
	}{
		{10 * rig.MlPerMin, 0.2},
		{60 * rig.MlPerMin, 1},
		{40 * rig.MlPerMin, 0.5},
		{25 * rig.MlPerMin, 0.35},
		{50 * rig.MlPerMin, 0.75},
		{10*rig.MlPerMin - 1, -1},
		{60*rig.MlPerMin + 1, -1},
		{-10 * rig.MlPerMin, -1},
		{0, 0},
		{0, 0},
		{12 * rig.MlPerMin, 0.22},
	} {
		before, flow := k.share(), p.Flow()
		err := p.Set(t.Context(), c.flow)
		switch {
		case c.want < 0:
			if err == nil || k.share() != before || p.Flow() != flow {
				t.Errorf("%v: got %v, share %v after %v", c.flow, err, k.share(), before)
			}
		case err != nil || k.share() != c.want || p.Flow() != c.flow:
			t.Errorf("%v: got %v, share %v, want %v", c.flow, err, k.share(), c.want)
		}
	}
	if err := p.Close(); err != nil || k.share() != 0 || k.duty != 0 || k.unknown {
		t.Errorf("closed: %v, %+v", err, k)
	}
}

func TestPWMOrder(t *testing.T) {
	for _, c := range []struct {
		name string
		k    kernel
		want string
	}{
		{"a channel never used", kernel{polarity: "normal"},
			"period=50000 duty_cycle=0 enable=0 period=50000"},
		{"left running, with a duty longer than our period", kernel{exported: true, enabled: true, period: 9e6, duty: 8e6, polarity: "normal"},
			"period=9000000 duty_cycle=0 enable=0 period=50000"},
		{"left inverted", kernel{exported: true, enabled: true, period: 1e6, duty: 1, polarity: "inversed", fixed: true},
			"period=1000000 duty_cycle=0 enable=0 period=50000 polarity=normal"},
		{"without a choice of polarity", kernel{},
			"period=50000 duty_cycle=0 enable=0 period=50000"},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := c.k
			p, err := openPWM(t.Context(), &k, pwmConfig)
			if err != nil {
				t.Fatal(err)
			}
			if got := strings.Join(k.log, " "); got != c.want {
				t.Errorf("opening: %s, want %s", got, c.want)
			}
			k.log = nil
			if err := errors.Join(p.Set(t.Context(), 40*rig.MlPerMin), p.Set(t.Context(), 0)); err != nil {
				t.Fatal(err)
			}
			if got, want := strings.Join(k.log, " "), "duty_cycle=25000 enable=1 duty_cycle=0 enable=0"; got != want {
				t.Errorf("on and off: %s, want %s", got, want)
			}
		})
	}
}

// failing fails n writes of a value to a file, for ever if n is negative.
func failing(n int, file, value string) func(string, string) error {
	return func(f, v string) error {
		if f != file || v != value || n == 0 {
			return nil
		}
		n--
		return unix.EIO
	}
}

func TestPWMZero(t *testing.T) {
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		name string
		fail func(string, string) error
		off  bool
		err  bool
	}{
		{"works", nil, true, false},
		{"duty fails twice", failing(2, "duty_cycle", "0"), true, false},
		{"enable fails twice", failing(2, "enable", "0"), true, false},
		{"duty always fails", failing(-1, "duty_cycle", "0"), true, true},
		{"enable always fails", failing(-1, "enable", "0"), true, true},
		{"both always fail", func(string, string) error { return unix.EIO }, false, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := &kernel{polarity: "normal"}
			p, err := openPWM(t.Context(), k, pwmConfig)
			if err != nil {
				t.Fatal(err)
			}
			if err := p.Set(t.Context(), 40*rig.MlPerMin); err != nil {
				t.Fatal(err)
			}
			k.fail = c.fail
			err = p.Set(ended, 0)
			if (err != nil) != c.err || (k.share() == 0) != c.off || (p.Flow() == 0) != (err == nil) {
				t.Errorf("got %v, share %v, flow %v", err, k.share(), p.Flow())
			}
			k.fail = nil
			if err := p.Set(t.Context(), 60*rig.MlPerMin); err != nil || k.share() != 1 {
				t.Errorf("afterwards: %v, share %v", err, k.share())
			}
		})
	}
}

func TestPWMFailingOn(t *testing.T) {
	k := &kernel{polarity: "normal"}
	p, err := openPWM(t.Context(), k, pwmConfig)
	if err != nil {
		t.Fatal(err)
	}
	k.fail = failing(-1, "enable", "1")
	if err := p.Set(t.Context(), 40*rig.MlPerMin); !errors.Is(err, unix.EIO) || k.share() != 0 || k.duty != 0 || p.Flow() != 0 {
		t.Errorf("got %v, %+v, flow %v", err, k, p.Flow())
	}
}

func TestPWMExport(t *testing.T) {
	for _, c := range []struct {
		name string
		k    kernel
		want string
	}{
		{"udev is slow", kernel{denied: 5, polarity: "normal"}, ""},
		{"udev never comes", kernel{denied: 1e6}, "udev rule"},
		{"no such chip", kernel{missing: true}, "overlay"},
		{"polarity can't be had", kernel{polarity: "inversed", fail: failing(-1, "polarity", "normal")}, "input/output error"},
		{"period can't be had", kernel{fail: failing(-1, "period", "50000")}, "input/output error"},
		{"can't be stopped", kernel{fail: failing(-1, "enable", "0")}, "stop the pump"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				_, err := openPWM(t.Context(), &c.k, pwmConfig)
				if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
					t.Errorf("got %v, want %q", err, c.want)
				}
			})
		})
	}
	if _, err := openPWM(t.Context(), &kernel{}, PWMConfig{}); err == nil {
		t.Error("opened without a configuration")
	}
}

// In a folder like the kernel's, values stand in the files that they belong in.
func TestPWMFiles(t *testing.T) {
	root := t.TempDir()
	channel := filepath.Join(root, "pwmchip0", "pwm1")
	if err := os.MkdirAll(channel, 0o700); err != nil {
		t.Fatal(err)
	}
	for name, value := range map[string]string{"period": "0\n", "duty_cycle": "0\n", "enable": "1\n", "polarity": "inversed\n"} {
		if err := os.WriteFile(filepath.Join(channel, name), []byte(value), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	p, err := OpenPWM(t.Context(), root, pwmConfig)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Set(t.Context(), 40*rig.MlPerMin); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"period": "50000", "duty_cycle": "25000", "enable": "1", "polarity": "normal"} {
		if got, err := os.ReadFile(filepath.Join(channel, name)); err != nil || string(got) != want {
			t.Errorf("%s is %q, %v; want %s", name, got, err, want)
		}
	}
	if err := os.Remove(filepath.Join(channel, "enable")); err != nil {
		t.Fatal(err)
	}
	if err := p.Close(); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("closed without its file: %v", err)
	}
	if _, err := OpenPWM(t.Context(), t.TempDir(), pwmConfig); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("opened where there is no chip: %v", err)
	}
}

// More flow takes more duty, between the ends of the calibration.
func TestDutyRises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := PWMConfig{Chip: "pwmchip0", Period: time.Millisecond}
		var last PWMPoint
		for range rapid.IntRange(1, 6).Draw(t, "points") {
			last.Duty += rig.Share(rapid.Int64Range(1, 1e8).Draw(t, "duty"))
			last.Flow += rig.Flow(rapid.Int64Range(1, 1e8).Draw(t, "flow"))
			c.Points = append(c.Points, last)
		}
		if p := c.Check(); p != nil {
			t.Fatal(p)
		}
		flow := rapid.Int64Range(int64(c.Points[0].Flow), int64(last.Flow))
		f, g := flow.Draw(t, "f"), flow.Draw(t, "g")
		a, err1 := c.duty(rig.Flow(min(f, g)))
		b, err2 := c.duty(rig.Flow(max(f, g)))
		if err1 != nil || err2 != nil || a > b || a < c.Points[0].Duty || b > last.Duty {
			t.Fatalf("duties %v, %v; %v, %v", a, b, err1, err2)
		}
	})
}
