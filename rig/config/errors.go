// Package config reads what people write for the rig: rig files, DUT profiles
// and the tool's own settings. Reading is strict, and every complaint carries
// the line and column it is about.
package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Error is one thing wrong with a file.
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

// Errors is all that is wrong with a file, in the order of the file.
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

func (e Errors) sorted() Errors {
	slices.SortStableFunc(e, func(a, b Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
	return slices.Compact(e)
}

// Problem is a value that can be read but can't be right. A struct that is
// decoded reports them from a method Check() []Problem.
type Problem struct {
	// Path leads from the struct to the value, by key; the index of a list
	// item is a key in decimal, from 0.
	Path []string
	What string // "rate is 0"
	Want string // completes "expected …"; may be empty
}

// Checker is a struct with rules about its values.
type Checker interface{ Check() []Problem }

// clip quotes text from a file, shortened to what fits a message.
func clip(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
