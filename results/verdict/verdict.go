// Package verdict holds the verdicts of ETSI ES 201 873-1 (TTCN-3), clause 24,
// and the rule by which they overwrite each other.
package verdict

import "fmt"

// Verdict is a TTCN-3 verdict. The values are ordered: a higher one overwrites
// a lower one, never the other way.
type Verdict int

// Verdicts. Error is set only by the rig itself.
const (
	None Verdict = iota
	Pass
	Inconc
	Fail
	Error
)

var names = [...]string{"none", "pass", "inconc", "fail", "error"}

// String returns the standard's word.
func (v Verdict) String() string {
	if v < 0 || int(v) >= len(names) {
		return fmt.Sprintf("verdict(%d)", int(v))
	}
	return names[v]
}

// Overwrite returns what remains of v when w is set on top of it.
func (v Verdict) Overwrite(w Verdict) Verdict { return max(v, w) }

// Parse reads the standard's word.
func Parse(s string) (Verdict, error) {
	for i, n := range names {
		if n == s {
			return Verdict(i), nil
		}
	}
	return None, fmt.Errorf("%q is not a verdict; expected one of none, pass, inconc, fail, error", s)
}

// MarshalText and UnmarshalText make a Verdict its word in JSON.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText reads the standard's word.
func (v *Verdict) UnmarshalText(b []byte) (err error) {
	*v, err = Parse(string(b))
	return err
}

// ExitStatus is what a command returns for a run with this verdict.
func (v Verdict) ExitStatus() int {
	return [...]int{None: 3, Pass: 0, Inconc: 3, Fail: 1, Error: 4}[v]
}
