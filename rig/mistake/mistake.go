// Package mistake says what is wrong with a text that a person wrote (a rig
// file, a profile, limits, a script), where, and what was expected.
package mistake

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Error is one thing wrong with a file.
type Error struct {
	File  string
	Line  int // from 1
	Col   int // from 1, in characters
	What  string
	Want  string // completes "expected …"; may be empty
	Cause error  // what went wrong underneath, if something did
}

// Error prints file:line:col: what; expected want.
func (e Error) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Col, e.What)
	if e.Want != "" {
		s += "; expected " + e.Want
	}
	return s
}

// Unwrap gives the cause to errors.As and errors.Is.
func (e Error) Unwrap() error { return e.Cause }

// Errors is all that is wrong with a file.
type Errors []Error

// Error prints one line for each.
func (l Errors) Error() string {
	lines := make([]string, len(l))
	for i := range l {
		lines[i] = l[i].Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the single errors to errors.As and errors.Is.
func (l Errors) Unwrap() []error {
	errs := make([]error, len(l))
	for i := range l {
		errs[i] = l[i]
	}
	return errs
}

// Err returns the errors in the order of the file, each once, or nil if there
// are none.
func (l Errors) Err() error {
	if len(l) == 0 {
		return nil
	}
	slices.SortStableFunc(l, func(a, b Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
	return slices.CompactFunc(l, func(a, b Error) bool { return a.Error() == b.Error() })
}

// Found tells whether err says that something is wrong with a file.
func Found(err error) bool {
	var one Error
	var all Errors
	return errors.As(err, &one) || errors.As(err, &all)
}

// Quote quotes text from a file, shortened to what fits a message.
func Quote(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}

// Nearest returns the known word that s is a slip of: at most so many letters
// added, dropped or changed; of several the first in the alphabet. It returns
// "" if there is none.
func Nearest(s string, known []string, letters int) string {
	best, least := "", letters+1
	for _, k := range known {
		if len(s)-len(k) > letters || len(k)-len(s) > letters {
			continue // a long text is no slip, and not worth the work
		}
		if d := Distance(s, k); d < least || d == least && d <= letters && k < best {
			best, least = k, d
		}
	}
	return best
}

// Distance is how many letters must be added, dropped or changed to make b of
// a (Levenshtein's, by the rows of Wagner and Fischer).
func Distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		corner := row[0]
		row[0]++
		for j := range len(b) {
			change := corner
			if a[i] != b[j] {
				change++
			}
			corner = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
