package gpio

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"drench/rig"
)

// TestKernelBench runs the TestOnKernel tests of this package on a real kernel
// with simulated chips, started as a process (see .ci/kernel-bench).
func TestKernelBench(t *testing.T) {
	bench, err := filepath.Abs("../../.ci/kernel-bench")
	if err != nil {
		t.Fatal(err)
	}
	kernel := os.Getenv("DRENCH_UML")
	if kernel == "" {
		kernel = filepath.Join(os.Getenv("HOME"), ".cache/drench/uml/linux")
	}
	if _, err := os.Stat(kernel); err != nil {
		missing(t, fmt.Sprintf("no kernel: %v; make it with %s build", err, bench))
	}
	program := filepath.Join(t.TempDir(), "inside")
	compile := exec.Command("go", "test", "-c", "-o", program, ".")
	compile.Env = append(os.Environ(), "CGO_ENABLED=0")
	if b, err := compile.CombinedOutput(); err != nil {
		t.Fatalf("build the test program: %v\n%s", err, b)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	boot := exec.CommandContext(ctx, bench, "boot", program, "-test.run=^TestOnKernel", "-test.v", "-test.timeout=4m")
	boot.Env = append(os.Environ(), "DRENCH_KERNEL_BENCH=1", "DRENCH_UML="+kernel)
	boot.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	boot.Cancel = func() error { return syscall.Kill(-boot.Process.Pid, syscall.SIGKILL) }
	b, err := boot.CombinedOutput()
	t.Logf("%s", b)
	if err != nil || !strings.Contains(string(b), "--- PASS: TestOnKernel") {
		t.Errorf("on the kernel: %v", err)
	}
}

// simChip is a chip of the gpio-sim driver.
type simChip struct {
	name string // such as gpiochip0
	dir  string // has the lines' pull and value
}

// onKernel returns the chip that the kernel bench comes with, and skips
// elsewhere.
func onKernel(t *testing.T) simChip {
	t.Helper()
	if os.Getenv("DRENCH_KERNEL_BENCH") != "1" {
		t.Skip("runs inside the kernel bench only; see TestKernelBench")
	}
	c := simChip{"gpiochip0", "/sys/devices/platform/gpio-sim.0/gpiochip0"}
	for i := range 32 { // as left by the test before
		c.drive(t, i, 0)
	}
	time.Sleep(2 * tick)
	return c
}

// tick is ten periods of the kernel bench's timer, by which its edges arrive: room
// for a busy machine.
const tick = 10 * time.Millisecond

// newChip makes another chip, of which some lines have names. remove unplugs
// it; the end of the test does so in any case.
func newChip(t *testing.T, label string, lines int, names map[int]string) (c simChip, remove func()) {
	t.Helper()
	device := filepath.Join("/sys/kernel/config/gpio-sim", label)
	bank := filepath.Join(device, "bank")
	made := []string{device, bank}
	for n := range names {
		made = append(made, filepath.Join(bank, fmt.Sprintf("line%d", n)))
	}
	for _, dir := range made {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	write(t, filepath.Join(bank, "label"), label)
	write(t, filepath.Join(bank, "num_lines"), strconv.Itoa(lines))
	for n, name := range names {
		write(t, filepath.Join(bank, fmt.Sprintf("line%d", n), "name"), name)
	}
	live := filepath.Join(device, "live")
	write(t, live, "1")
	remove = sync.OnceFunc(func() { write(t, live, "0") })
	t.Cleanup(func() {
		remove()
		for i := range made {
			if err := os.Remove(made[len(made)-1-i]); err != nil {
				t.Error(err)
			}
		}
	})
	c.name = content(t, filepath.Join(bank, "chip_name"))
	c.dir = filepath.Join("/sys/devices/platform", content(t, filepath.Join(device, "dev_name")), c.name)
	return c, remove
}

func write(t *testing.T, path, s string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(s), 0o644); err != nil {
		t.Fatal(err)
	}
}

func content(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

// drive puts a level on the wire of an input.
func (c simChip) drive(t *testing.T, line, level int) {
	t.Helper()
	write(t, fmt.Sprintf("%s/sim_gpio%d/pull", c.dir, line), []string{"pull-down", "pull-up"}[level])
}

// value is the level on a line's wire.
func (c simChip) value(t *testing.T, line int) int {
	t.Helper()
	v, err := strconv.Atoi(content(t, fmt.Sprintf("%s/sim_gpio%d/value", c.dir, line)))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// info is what the kernel says of a line now.
func (c simChip) info(t *testing.T, line int) LineInfo {
	t.Helper()
	chips, err := Inspect()
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range chips {
		if k.Name == c.name {
			return k.Lines[line]
		}
	}
	t.Fatalf("no %s among %v", c.name, chips)
	return LineInfo{}
}

// traced returns the value and direction changes of all lines that the kernel
// made while f ran, such as "gpio_value set 1" and "gpio_direction out".
func traced(t *testing.T, f func()) []string {
	t.Helper()
	const dir = "/sys/kernel/tracing"
	write(t, dir+"/trace", "")
	write(t, dir+"/events/gpio/enable", "1")
	f()
	write(t, dir+"/events/gpio/enable", "0")
	var seen []string
	for _, l := range strings.Split(content(t, dir+"/trace"), "\n") {
		// "task-pid [cpu] flags time: gpio_value: NUMBER set 1"
		_, event, ok := strings.Cut(l, ": gpio_")
		w := strings.Fields(event)
		if strings.HasPrefix(l, "#") || !ok || len(w) < 4 || w[2] == "get" {
			continue
		}
		if w[0] == "direction:" {
			seen = append(seen, "direction "+w[2])
		} else {
			seen = append(seen, "value "+w[3])
		}
	}
	return seen
}

// openOn opens lines, and closes them when the test ends.
func openOn(t *testing.T, lines ...Line) *Bank {
	t.Helper()
	for i := range lines {
		lines[i].ID = rig.ID(i)
	}
	b, err := Open(t.Context(), lines)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

// within returns the next event, or fails if there is none for a long time.
func within(t *testing.T, b *Bank) rig.Event {
	t.Helper()
	ev, ok, err := b.Next(t.Context(), Now().Add(10*time.Second))
	if err != nil || !ok {
		t.Fatalf("no event came: %v", err)
	}
	return ev
}

// rest returns the events that are left, up to two ticks from now.
func rest(t *testing.T, b *Bank) []rig.Event {
	t.Helper()
	var evs []rig.Event
	for until := Now().Add(2*tick + holdBack); ; {
		ev, ok, err := b.Next(t.Context(), until)
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			return evs
		}
		evs = append(evs, ev)
	}
}
