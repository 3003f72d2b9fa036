package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"drench/rig"
)

// quantity prints a value that is in the unit's nano multiple.
func quantity(v float64, u rig.Unit) string {
	switch {
	case math.IsNaN(v) || math.Abs(v) >= math.MaxInt64:
		return "none"
	case u == rig.Level || u == rig.Chars:
		return rig.Significant(v, 4)
	case u == rig.Hertz:
		return frequency(v / 1e9)
	case u == rig.Proportion:
		return percent(v / 1e9)
	}
	return rig.Quantity{N: int64(math.Round(v)), Unit: u}.String()
}

// difference prints a distance between two values, which for temperatures
// has no zero at 0 °C.
func difference(v float64, u rig.Unit) string {
	if u == rig.Kelvin {
		return rig.Significant(v/1e9, 4) + " K"
	}
	return quantity(v, u)
}

// frequency prints events a second in the multiple that suits them.
func frequency(hz float64) string {
	switch a := math.Abs(hz); {
	case a != 0 && a < 1.0/60:
		return rig.Significant(hz*3600, 4) + " per h"
	case a < 1 && a != 0:
		return rig.Significant(hz*60, 4) + " per min"
	}
	return rig.Significant(hz, 4) + " Hz"
}

// span prints a duration of the bench.
func span(d time.Duration) string { return rig.Of(d).String() }

// long prints a duration as people say it, to the second.
func long(d time.Duration) string {
	d = d.Round(time.Second)
	h, m, s := int(d.Hours()), int(d.Minutes())%60, int(d.Seconds())%60
	switch {
	case h > 0:
		return fmt.Sprintf("%d h %d min", h, m)
	case m > 0:
		return fmt.Sprintf("%d min %d s", m, s)
	}
	return fmt.Sprintf("%d s", s)
}

// seconds prints nanoseconds as decimal seconds, exactly.
func seconds(ns int64) string { return decimal(ns, 9) }

// decimal prints n × 10^-places exactly, without needless zeros.
func decimal(n int64, places int) string {
	sign := ""
	u := uint64(n)
	if n < 0 {
		sign, u = "-", -u
	}
	digits := strconv.FormatUint(u, 10)
	if missing := places + 1 - len(digits); missing > 0 {
		digits = strings.Repeat("0", missing) + digits
	}
	whole, part := digits[:len(digits)-places], strings.TrimRight(digits[len(digits)-places:], "0")
	if part == "" {
		return sign + whole
	}
	return sign + whole + "." + part
}

// plural prints a count with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// percent prints a share.
func percent(v float64) string { return rig.Significant(100*v, 4) + " %" }

// tool names the version of drench that wrote a run.
func tool(version string) string { return "drench " + strings.TrimPrefix(version, "drench ") }

// wall prints wall time in UTC.
func wall(t time.Time) string {
	if t.IsZero() {
		return "not known"
	}
	return t.UTC().Format("2006-01-02 15:04:05 UTC")
}

// printable replaces what a text may not hold in any of the formats: control
// characters (XML 1.0 forbids them even escaped), broken UTF-8 and the two
// noncharacters that XML leaves out.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t', r == '\n', r == '\r':
			return r
		case r < 0x20, r >= 0x7f && r < 0xa0, r == 0xfffe, r == 0xffff:
			return '\uFFFD'
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}
