package calibration

import (
	"testing"
	"time"

	"drench/rig"
)

func TestStandings(t *testing.T) {
	r := &Record{Date: "2026-01-01T00:00:00Z", Expires: "2027-01-01T00:00:00Z", Timing: &Timing{}}
	for at, want := range map[string]rig.Standing{
		"2025-12-31T23:59:59Z": rig.Future, "2026-01-01T00:00:00Z": rig.Valid, "2026-12-31T23:59:59Z": rig.Valid, "2027-01-01T00:00:00Z": rig.Expired,
	} {
		now, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t.Fatal(err)
		}
		got := Standings(now, r)
		if len(got) != 1 || got[0] != (rig.Record{What: "edge stamps", Expires: "2027-01-01T00:00:00Z", State: want}) {
			t.Errorf("at %s: %+v, want %s", at, got, want)
		}
		if warned := len(Warnings(now, r)) > 0; warned != (want != rig.Valid) {
			t.Errorf("at %s: warned %v", at, warned)
		}
	}
}
