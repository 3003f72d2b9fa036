package compare

import (
	"fmt"
	"math"
	"strings"

	"drench/rig"
)

// Format prints a value in a measure's unit, to four digits.
func Format(v float64, u rig.Unit) string {
	switch u {
	case rig.Level:
		return rig.Significant(v, 4)
	case rig.Hertz:
		return rig.Significant(v*3600e-9, 4) + " per h"
	case rig.Proportion:
		return rig.Significant(v/1e7, 4) + " %"
	}
	return rig.Quantity{N: int64(math.Round(v)), Unit: u}.String()
}

// signed prints a difference.
func signed(v float64, u rig.Unit) string {
	s := Format(v, u)
	if v > 0 {
		return "+" + s
	}
	return s
}

// between prints an interval of differences.
func (i Interval) between(u rig.Unit) string { return signed(i.Lower, u) + " to " + signed(i.Upper, u) }

// chance prints a probability.
func chance(p float64) string {
	if p < 1e-4 {
		return "below 0.0001"
	}
	return rig.Significant(p, 2)
}

// percent prints a share of 1.
func percent(share float64) string { return rig.Significant(share*100, 4) + " %" }

// number prints a count with its noun.
func number(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// list joins words as a sentence does.
func list(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}

// mostNamed is how many names a sentence bears.
const mostNamed = 4

// few is list, but counts those that are too many to be named.
func few(words []string) string {
	if more := len(words) - mostNamed; more > 1 {
		words = append(words[:mostNamed:mostNamed], fmt.Sprintf("%d more", more))
	}
	return list(words)
}
