package gpio

import (
	"math"
	"time"

	"drench/rig"

	"golang.org/x/sys/unix"
)

// Now reads CLOCK_MONOTONIC, the clock that the kernel stamps edges with. It is
// slewed by NTP but never stepped, and says nothing across a reboot.
func Now() rig.Instant {
	var t unix.Timespec
	// The call fails only for an unknown clock or a bad pointer.
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &t)
	return rig.Instant(t.Nano())
}

// WideBracket is the width of a Stamp above which the process was preempted
// while it drove an output, so that the stamp says little.
const WideBracket = time.Millisecond

// Stamp brackets the instant at which an output changed.
type Stamp struct {
	Before, After rig.Instant
}

// At is the middle of the bracket: the estimate of the instant.
func (s Stamp) At() rig.Instant { return s.Before.Add(s.After.Sub(s.Before) / 2) }

// U is the standard uncertainty of At, that of a rectangular distribution over
// the bracket: its width over the square root of 12 (JCGM 100:2008, 4.3.7 with
// the half-width a = width / 2). Delays behind the pin, such as a relay's, are
// not in it.
func (s Stamp) U() time.Duration {
	return time.Duration(math.Round(float64(s.After.Sub(s.Before)) / math.Sqrt(12)))
}

// Wide tells whether the bracket is wider than WideBracket.
func (s Stamp) Wide() bool { return s.After.Sub(s.Before) > WideBracket }
