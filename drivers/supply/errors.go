package supply

import (
	"errors"
	"fmt"
	"strings"

	"drench/rig"
)

// Errors of the link. What was being done is in the text around them.
var (
	ErrClosed   = errors.New("the supply has been closed")
	ErrNoAnswer = errors.New("the supply does not answer")
	ErrGarbled  = errors.New("the supply's answer can't be read")
	ErrLost     = errors.New("the link to the supply is lost")
	// ErrOther is another supply than before at the same address.
	ErrOther = errors.New("another supply answers")
	// ErrNotNumber is a reading that the supply marks as infinite or not a number.
	ErrNotNumber = errors.New("the supply's answer is no finite number")
)

// Error is an entry of the supply's error queue.
type Error struct {
	Command string // that was sent before it appeared
	Code    int    // SCPI-1999: -1xx command, -2xx execution, -3xx and positive device, -4xx query
	Text    string
}

func (e *Error) Error() string {
	return fmt.Sprintf("supply refused %q: %d, %s", e.Command, e.Code, e.Text)
}

// RangeError is a value that the supply can't be set to. Nothing was sent.
type RangeError struct {
	What            string
	Value, Min, Max rig.Quantity
}

func (e *RangeError) Error() string {
	return fmt.Sprintf("%s %v is out of the supply's range; expected %v to %v", e.What, e.Value, e.Min, e.Max)
}

// Difference is a setting that is not what it should be.
type Difference struct{ What, Want, Have string }

func (d Difference) String() string {
	return fmt.Sprintf("%s is %s instead of %s", d.What, d.Have, d.Want)
}

// ReadbackError is a command that the supply took, and that did not do what it
// should.
type ReadbackError struct {
	Command string
	Difference
}

func (e *ReadbackError) Error() string { return fmt.Sprintf("after %q, %v", e.Command, e.Difference) }

// OutcomeError is a command of which it is not known whether the supply
// executed it. It was not sent again.
type OutcomeError struct {
	Command string
	Err     error // why
}

func (e *OutcomeError) Error() string {
	return fmt.Sprintf("outcome of %q is unknown: %v", e.Command, e.Err)
}

func (e *OutcomeError) Unwrap() error { return e.Err }

// StateError says that the supply is not as it was left: it lost its power or
// someone else set it, most likely while the link was down. Nothing was
// changed; what was found is what is known from now on.
type StateError struct{ Differences []Difference }

func (e *StateError) Error() string {
	var all []string
	for _, d := range e.Differences {
		all = append(all, d.String())
	}
	return "supply is not as it was left: " + strings.Join(all, ", ")
}

// TripError is an output that a protection holds off.
type TripError struct{ Trips }

func (e *TripError) Error() string {
	var all []string
	if e.OverVoltage {
		all = append(all, "over-voltage")
	}
	if e.OverCurrent {
		all = append(all, "over-current")
	}
	return fmt.Sprintf("supply's %s protection has tripped; find the cause, then clear it", strings.Join(all, " and "))
}

// join wraps what the supply reported after a command; nil if that is nothing.
func join(reported []*Error) error {
	all := make([]error, len(reported))
	for i, e := range reported {
		all[i] = e
	}
	return errors.Join(all...)
}
