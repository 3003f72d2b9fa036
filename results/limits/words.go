package limits

import (
	"fmt"
	"math"
	"strconv"

	"drench/rig"
)

// show prints a value in the limit's unit.
func (l Limit) show(v float64) string {
	switch {
	case math.IsInf(v, 1):
		return "without end"
	case l.Unit == rig.Level:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case l.Unit == rig.Hertz:
		return rig.Significant(v*3600e-9, 4) + " per h"
	case l.Unit == rig.Proportion:
		return percentText(v / 1e9)
	}
	return rig.Quantity{N: int64(math.Round(v)), Unit: l.Unit}.String()
}

// allowed prints what the limit allows.
func (l Limit) allowed() string { return l.Op + " " + l.show(float64(l.Value)) }

// percentText prints a share.
func percentText(share float64) string { return rig.Significant(share*100, 4) + " %" }

// confidenceText prints "with 95 % confidence".
func (l Limit) confidenceText() string {
	return "with " + strconv.FormatFloat(l.Confidence, 'f', -1, 64) + " % confidence"
}

// number prints a count with its noun.
func number(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
