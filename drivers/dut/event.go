package dut

import (
	"fmt"

	"drench/rig"
)

// Kind is what an Event tells of.
type Kind uint8

// Kinds of event.
const (
	Line     Kind = iota + 1 // a line from the DUT
	Lost                     // the port failed: unplugged, or its driver gave up
	Back                     // it is open again
	Released                 // let go of by Release
	Taken                    // taken again by Reacquire
)

// Event is a line, or a change of the port.
type Event struct {
	// Seq counts events from 1. A jump means that whoever reads is too slow:
	// the events between were dropped.
	Seq uint64
	// At is when the bytes that ended the line were read, on the kernel's
	// monotonic clock, or when the port changed. Bridges hold bytes for up to
	// 16 ms: it is evidence of order, never of latency.
	At   rig.Instant
	Kind Kind
	// Text is the line, or why the port was lost. It is valid UTF-8 on one line.
	Text string
	// Cut says that the line was longer than allowed; CutMark is at its end.
	Cut bool
	// First says that it is the first line since the port was opened: its
	// beginning may have been sent before.
	First bool
	// Since is, for Back and Taken, when the port was lost or released.
	Since rig.Instant
	// Open says, for Released and Taken, that the port stayed open meanwhile.
	Open bool
}

// String is the event as a remark for a timeline.
func (e Event) String() string {
	switch e.Kind {
	case Line:
		return e.Text
	case Lost:
		return "UART lost: " + e.Text
	case Back:
		return fmt.Sprintf("UART back after %v; opening it may have reset the DUT", e.At.Sub(e.Since))
	case Released:
		if e.Open {
			return "UART let go: its transmit line is low, if its bridge can do that"
		}
		return "UART released: the port is closed, and its transmit line may still be high"
	case Taken:
		if e.Open {
			return fmt.Sprintf("UART taken again after %v", e.At.Sub(e.Since))
		}
		return fmt.Sprintf("UART reacquired after %v; opening it may have reset the DUT", e.At.Sub(e.Since))
	}
	return fmt.Sprintf("unknown event %d", e.Kind)
}
