// Package timeline is the record of a run: an append-only sequence of stamped
// events in checksummed chunks, after a header that says what the run was.
// Every measure, verdict and report is a function of it.
package timeline

import (
	"drench/rig"
	"drench/rig/interlock"
)

// Header opens a timeline. It holds all that is needed to read the events
// later, and no wall time: the same seed gives the same bytes, until a
// calibration record expires.
type Header struct {
	Tool     string `json:"tool"` // version of drench
	Scenario string `json:"scenario"`
	Seed     uint64 `json:"seed"`
	DUT      string `json:"dut"` // what the operator called the device
	// Hashes are SHA-256 in hexadecimal by what was hashed: script, rig,
	// profile, calibration.
	Hashes      map[string]string `json:"hashes"`
	Bench       string            `json:"bench"` // "virtual" or the rig's name
	Channels    []rig.Channel     `json:"channels"`
	Device      rig.DUT           `json:"device"`
	Calibration rig.Calibration   `json:"calibration"`
	// Records are the calibration records that the rig file refers to, as they
	// stood when the run began.
	Records []rig.Record `json:"records,omitempty"`
	// Interlock is what was watched and allowed.
	Interlock interlock.Config `json:"interlock"`
	// Planned is the number of trials of each kind that the script announced.
	Planned map[rig.TrialKind]int `json:"planned"`
}
