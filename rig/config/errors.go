// Package config reads what people write for the rig: rig files, DUT profiles
// and the tool's own settings. Reading is strict, and every complaint carries
// the line and column it is about.
package config

import (
	"drench/rig/mistake"
)

// Error is one thing wrong with a file, Errors all of them.
type (
	Error  = mistake.Error
	Errors = mistake.Errors
)

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
