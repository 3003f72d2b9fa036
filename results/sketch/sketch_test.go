package sketch

import (
	"iter"
	"strings"
	"testing"

	"drench/rig"
)

func all(evs []rig.Event) iter.Seq2[rig.Event, error] {
	return func(yield func(rig.Event, error) bool) {
		for _, ev := range evs {
			if !yield(ev, nil) {
				return
			}
		}
	}
}

func TestDraw(t *testing.T) {
	table := []rig.Channel{
		{Name: "detect", Dir: rig.Input, Unit: rig.Level},
		{Name: "rail", Dir: rig.Gauge, Unit: rig.Volt},
		{Name: "still", Dir: rig.Input, Unit: rig.Level},
	}
	evs := []rig.Event{
		{At: 0, Kind: rig.Edge, Channel: 0, Value: 0}, {At: 0, Kind: rig.Edge, Channel: 2, Value: 1},
		{At: 5e9, Kind: rig.Edge, Channel: 0, Value: 1}, {At: 5.2e9, Kind: rig.Edge, Channel: 0, Value: 0}, {At: 8e9, Kind: rig.Edge, Channel: 0, Value: 1},
		{At: 2e9, Kind: rig.Reading, Channel: 1, Value: 0}, {At: 4e9, Kind: rig.Reading, Channel: 1, Value: 7e9},
		{At: 30e9, Kind: rig.Edge, Channel: 0, Value: 0}, // after the window
	}
	var b strings.Builder
	if err := Draw(&b, table, all(evs), Window{"a trial", 1e9, 11e9}, 10); err != nil {
		t.Fatal(err)
	}
	want := "a trial  (1.000000 s to 11.000000 s)\n" +
		"  detect       ▁▁▁▁▒▁▁▒██  \n" +
		"  rail          ▁▁███████  0 V to 7 V\n" +
		"               1.0 s11.0 s\n"
	got := strings.ReplaceAll(b.String(), "1.0 s 11.0 s", "1.0 s11.0 s")
	if got != want {
		t.Errorf("drew\n%s\nwant\n%s", got, want)
	}
	if err := Draw(&b, table, all(nil), Window{"", 5, 5}, 10); err == nil {
		t.Error("an empty window was drawn")
	}
}
