package access

import "fmt"

// Role says what somebody may do; a higher one includes those below it.
type Role int

// Roles.
const (
	Nobody   Role = iota
	Viewer        // looks on, and may stop the bench: that is always the safe direction
	Operator      // runs what there is: jobs, the queue, tags, trips
	Engineer      // changes what there is: scripts, limits, profiles, nights
)

// What each thing to do needs, the same for pages and API.
const (
	ToLook    = Viewer
	ToStop    = Viewer
	ToRun     = Operator // start, cancel, move, pause, tag, rejudge, start a night
	ToClear   = Operator // a trip, after looking at the bench
	ToEdit    = Engineer // scripts, limits and profiles
	ToArrange = Engineer // nights
)

var roleWords = [...]string{Nobody: "nobody", Viewer: "viewer", Operator: "operator", Engineer: "engineer"}

// String is the role's word.
func (r Role) String() string {
	if r < 0 || int(r) >= len(roleWords) {
		return fmt.Sprintf("role %d", int(r))
	}
	return roleWords[r]
}

// ParseRole reads a role's word.
func ParseRole(s string) (Role, error) {
	for r := Viewer; r <= Engineer; r++ {
		if s == r.String() {
			return r, nil
		}
	}
	return Nobody, fmt.Errorf("role %s; expected viewer, operator or engineer", quoted(s))
}

// MarshalText makes a role its word in JSON.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads a role's word.
func (r *Role) UnmarshalText(b []byte) (err error) {
	*r, err = ParseRole(string(b))
	return err
}
