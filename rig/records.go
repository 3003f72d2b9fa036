package rig

// Record says how a calibration record that a run refers to stood when the run
// began. It travels in the timeline's header, which has no wall time of its
// own, so that the judgement stays the same however old the run gets.
type Record struct {
	What    string   `json:"what"`    // is calibrated, such as "pump_drip"
	Expires string   `json:"expires"` // RFC 3339
	State   Standing `json:"state"`
}

// Standing is what a date was against a record's.
type Standing string

// Standings of a record.
const (
	Valid   Standing = "valid"
	Expired Standing = "expired"
	Future  Standing = "future" // dated after the run: this machine's clock or the record is wrong
)
