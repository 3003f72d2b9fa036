package closedloop

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"time"

	"drench/drivers/gpio"
	"drench/rig"

	"golang.org/x/sys/unix"
)

// Places in the kernel bench. The trace of GPIO events tells of every change of
// an output, with its instant.
const (
	chips   = "/sys/devices/platform/gpio-sim.*/gpiochip*"
	tracing = "/sys/kernel/tracing/"
)

// chip is a simulated chip as the world's side of it.
type chip struct {
	dir    string
	trace  int // file descriptor of the trace
	rest   []byte
	base   int // the kernel's number of line 0
	levels map[int]*os.File
	last   map[int]int64 // level of each output
	looked rig.Instant   // when the levels were last read
}

// change is an output's new level.
type change struct {
	at    rig.Instant
	line  int
	level int64
}

func openChip(ctx context.Context, w Wiring) (*chip, error) {
	all, err := gpio.Inspect()
	if err != nil {
		return nil, err
	}
	c := &chip{trace: -1, levels: map[int]*os.File{}, last: map[int]int64{}}
	for _, k := range all {
		if k.Label != w.Chip {
			continue
		}
		found, err := filepath.Glob(filepath.Join(filepath.Dir(chips), k.Name))
		if err != nil || len(found) != 1 {
			return nil, fmt.Errorf("%v is not simulated: %v, %w", k, found, err)
		}
		c.dir = found[0]
	}
	if c.dir == "" {
		return nil, fmt.Errorf("no chip is labelled %q", w.Chip)
	}
	if err := errors.Join(c.listen(), c.findBase(ctx, w)); err != nil {
		c.close()
		return nil, err
	}
	outputs := []int{w.Spray.Enable}
	for _, r := range w.Relays {
		outputs = append(outputs, r.Line)
	}
	for _, line := range w.Lines {
		outputs = append(outputs, line)
	}
	for _, line := range outputs {
		f, err := os.Open(c.file(line, "value"))
		if err != nil {
			c.close()
			return nil, err
		}
		c.levels[line] = f
	}
	return c, nil
}

func (c *chip) file(line int, name string) string {
	return fmt.Sprintf("%s/sim_gpio%d/%s", c.dir, line, name)
}

// drive puts a level on an input.
func (c *chip) drive(line int, level int64) error {
	pull := [...]string{"pull-down", "pull-up"}[level]
	return os.WriteFile(c.file(line, "pull"), []byte(pull), 0)
}

// listen starts the trace of outputs, by the clock that edges are stamped with.
func (c *chip) listen() error {
	for _, set := range [][2]string{
		{"trace_clock", "mono"}, {"events/gpio/gpio_value/filter", "get==0"}, {"events/gpio/gpio_value/enable", "1"}, {"trace", ""},
	} {
		if err := os.WriteFile(tracing+set[0], []byte(set[1]), 0); err != nil {
			return fmt.Errorf("trace outputs: %w", err)
		}
	}
	var err error
	if c.trace, err = unix.Open(tracing+"trace_pipe", unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0); err != nil {
		return fmt.Errorf("trace outputs: %w", err)
	}
	return nil
}

// findBase sets a spare line to see by which number the trace calls it.
func (c *chip) findBase(ctx context.Context, w Wiring) error {
	if c.trace < 0 {
		return nil
	}
	b, err := gpio.Open(ctx, []gpio.Line{{Channel: "closed_loop", Chip: w.Chip, Offset: w.Spare, Dir: rig.Output}})
	if err != nil {
		return err
	}
	defer b.Close()
	found, err := c.read()
	if err != nil || len(found) == 0 {
		return fmt.Errorf("the trace does not show the spare line's level: %w", err)
	}
	c.base = found[0].line - w.Spare
	return nil
}

// traced is a line of the trace such as
//
//	drench-31  [000] .....    12.345678: gpio_value: 489 set 1
var traced = regexp.MustCompile(`(\d+)\.(\d{6}): gpio_value: (\d+) set (\d)`)

// read returns the changes that the trace tells since it was last read.
func (c *chip) read() ([]change, error) {
	var buf [4096]byte
	var found []change
	for {
		n, err := unix.Read(c.trace, buf[:])
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if errors.Is(err, unix.EAGAIN) || n == 0 {
			return found, nil
		}
		if err != nil {
			return found, fmt.Errorf("read the trace: %w", err)
		}
		c.rest = append(c.rest, buf[:n]...)
		for {
			line, rest, ok := bytes.Cut(c.rest, []byte("\n"))
			if !ok {
				break
			}
			if m := traced.FindSubmatch(line); m != nil {
				found = append(found, change{rig.Instant(number(m[1])*int64(time.Second) + number(m[2])*int64(time.Microsecond)), int(number(m[3])) - c.base, number(m[4])})
			}
			c.rest = rest
		}
	}
}

// number reads digits, which a pattern has found.
func number(b []byte) int64 {
	n, _ := strconv.ParseInt(string(b), 10, 64)
	return n
}

// watch calls changed soon after outputs have changed, until the context ends.
func (c *chip) watch(ctx context.Context, changed func()) {
	const (
		lookUp = 500 // ms, for the context's end
		pause  = time.Millisecond
	)
	for ctx.Err() == nil {
		n, err := unix.Poll([]unix.PollFd{{Fd: int32(c.trace), Events: unix.POLLIN}}, lookUp)
		switch {
		case err != nil && !errors.Is(err, unix.EINTR):
			return // the levels are looked at all the same
		case n > 0:
			changed()
		default:
			continue
		}
		// Until they have been read poll does not wait, and without a wait the
		// kernel's time stands still.
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

// every is how often the levels themselves are looked at: a line that is let go
// leaves no trace.
const every = 500 * time.Millisecond

// changes returns what has changed up to now, in order.
func (c *chip) changes(now rig.Instant) ([]change, error) {
	all, err := c.read()
	for _, ch := range all {
		c.last[ch.line] = ch.level
	}
	if err != nil || now.Sub(c.looked) < every {
		return all, err
	}
	c.looked = now
	for line, f := range c.levels {
		var b [2]byte
		if _, err := f.ReadAt(b[:1], 0); err != nil {
			return all, fmt.Errorf("read line %d: %w", line, err)
		}
		if level := int64(b[0] - '0'); level != c.last[line] {
			c.last[line] = level
			all = append(all, change{now, line, level})
		}
	}
	return all, nil
}

func (c *chip) close() error {
	var errs []error
	for _, f := range c.levels {
		errs = append(errs, f.Close())
	}
	if c.trace >= 0 {
		errs = append(errs, unix.Close(c.trace), os.WriteFile(tracing+"events/gpio/gpio_value/enable", []byte("0"), 0))
	}
	return errors.Join(errs...)
}
