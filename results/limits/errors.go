package limits

import (
	"fmt"
	"strings"
)

// Error is one thing wrong with a limits file.
type Error struct {
	File string
	Line int // from 1
	Col  int // from 1, in characters
	What string
	Want string // completes "expected …"; may be empty
}

// Error prints file:line:col: what; expected want.
func (e Error) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Col, e.What)
	if e.Want != "" {
		s += "; expected " + e.Want
	}
	return s
}

// Errors is all that is wrong with a file, in its order.
type Errors []Error

// Error prints one line for each.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the single errors to errors.As and errors.Is.
func (e Errors) Unwrap() []error {
	errs := make([]error, len(e))
	for i := range e {
		errs[i] = e[i]
	}
	return errs
}

// clip quotes text from a file, shortened to what fits a message.
func clip(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
