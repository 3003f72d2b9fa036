package virtual

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"drench/rig"
	"drench/rig/portable"
)

// console is the DUT's UART, with the serial bridge behind it that holds text
// for a while.
type console struct {
	w      *world
	prints Prints
	baud   float64
	rnd    *portable.Rand
}

// newConsole refuses lines that the profile's own patterns can't read.
func newConsole(w *world, spec rig.DUT, m Model) (*console, error) {
	c := &console{w: w, prints: m.Prints, baud: float64(spec.UART.Baud), rnd: w.rand("uart")}
	for _, line := range []struct {
		name, text, pattern string
		groups              map[string]string
	}{
		{"reading", readingLine(m.Prints.Reading, 1234, -56, true), spec.UART.Reading, map[string]string{"raw": "1234", "diff": "-56"}},
		{"banner", m.Prints.Banner, spec.UART.Banner, nil},
		{"settings", settingsLine(m.Prints.Settings, spec.Settings), spec.UART.Settings, spec.Settings},
	} {
		if err := readable(line.text, line.pattern, line.groups); err != nil {
			return nil, fmt.Errorf("model of %s: the %s line that it prints does not suit uart: %w", spec.Name, line.name, err)
		}
	}
	return c, nil
}

// readable tells whether a pattern reads the wanted groups out of a line.
func readable(line, pattern string, want map[string]string) error {
	if line == "" || pattern == "" {
		return nil
	}
	re, err := regexp.Compile(pattern)
	if err != nil {
		return fmt.Errorf("pattern %q: %w", pattern, err)
	}
	found := re.FindStringSubmatch(line)
	if found == nil {
		return fmt.Errorf("pattern %q does not match %q", pattern, line)
	}
	for _, name := range slices.Sorted(maps.Keys(want)) {
		i := re.SubexpIndex(name)
		if i < 0 {
			return fmt.Errorf("pattern %q has no group %q", pattern, name)
		}
		if found[i] != want[name] {
			return fmt.Errorf("%q has %s = %q, expected %q", line, name, found[i], want[name])
		}
	}
	return nil
}

// settingsLine fills in the values of settings, by name.
func settingsLine(text string, values map[string]string) string {
	pairs := make([]string, 0, 2*len(values))
	for _, name := range slices.Sorted(maps.Keys(values)) {
		pairs = append(pairs, "{"+name+"}", values[name])
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

func readingLine(text string, raw, diff int, wet bool) string {
	detect := "0"
	if wet {
		detect = "1"
	}
	for _, v := range [...]struct{ name, value string }{
		{"{raw}", strconv.Itoa(raw)}, {"{diff}", strconv.Itoa(diff)}, {"{detect}", detect},
	} {
		text = strings.ReplaceAll(text, v.name, v.value)
	}
	return text
}

// hello is what the DUT prints when it has started.
func (c *console) hello(settings map[string]string) {
	c.print(c.w.now, c.prints.Banner)
	c.print(c.w.now, settingsLine(c.prints.Settings, settings))
}

// reading prints a reading once it is done.
func (c *console) reading(at rig.Instant, raw, diff int, wet bool) {
	if c.w.faults.has(uartLies) {
		if wet {
			diff = 0
		}
		wet = !wet
	}
	c.print(at, readingLine(c.prints.Reading, raw, diff, wet))
}

// print sends a line, which takes its time on the wire and in the bridge.
func (c *console) print(at rig.Instant, text string) {
	if text == "" {
		return
	}
	delay := c.rnd.Uniform(0, seconds(c.w.cfg.Lines.Bridge))
	if c.baud > 0 {
		const bitsPerByte = 10 // 8N1
		delay += float64(len(text)+2) * bitsPerByte / c.baud
	}
	c.w.wires.deliver(rig.Event{At: at.Add(after(delay)), Kind: rig.Line, Channel: chUART, Text: text})
}
