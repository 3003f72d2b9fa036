package measure

import (
	"testing"

	"drench/rig"
)

// TestRecords counts what had expired, and doubts what is dated in the future.
func TestRecords(t *testing.T) {
	s := newStory(t, rig.Detect)
	s.header.Records = []rig.Record{
		{What: "pump_drip", Expires: "2021-01-01T00:00:00Z", State: rig.Expired},
		{What: "edge stamps", Expires: "2031-01-01T00:00:00Z", State: rig.Valid},
		{What: "supply", Expires: "2031-01-01T00:00:00Z", State: rig.Future},
	}
	s.close(sec)
	m := find(t, s.set(), ExpiredCals)
	equal(t, "count", m.Count, 1)
	equal(t, "of", m.N, 2)
	equal(t, "in doubt", m.Inconc, 1)
	equal(t, "names", len(m.Things), 1)
	equal(t, "name", m.Things[0], "pump_drip expired on 2021-01-01T00:00:00Z")

	none := newStory(t, rig.Detect)
	none.close(sec)
	if none.set().Find(ExpiredCals) != nil {
		t.Error("a run without records shows the measure")
	}
}
