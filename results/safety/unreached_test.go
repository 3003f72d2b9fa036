package safety

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"drench/rig"
)

// TestUnreached: an output that can't be turned off is a breach unless another
// cut it off, and then it is still told of.
func TestUnreached(t *testing.T) {
	lost := func(s float64, ch rig.ID, v int64) rig.Event {
		return rig.Event{At: at(s), Kind: rig.Failed, Channel: ch, Value: v, Text: "link lost"}
	}
	on := []rig.Event{set(1, chSource, 5e9), set(1, chSupply, 1)}
	cut := []Unreached{{Channel: rig.SupplySet, Value: 5e9, Why: "link lost", CutBy: rig.RelayDUT, At: at(2.01)}}
	atEnd := []Finding{{At: at(4), Channel: rig.SupplySet, Rule: AtEnd}, {At: at(4), Channel: rig.SupplySet, Rule: Late}}
	for _, c := range []struct {
		name   string
		events []rig.Event
		cut    []Unreached
		want   []Finding // without Found
	}{
		{"reached", []rig.Event{trip(2), set(2.01, chSource, 0), set(2.01, chSupply, 0), end(4)}, nil, nil},
		{"cut off", []rig.Event{trip(2), lost(2.01, chSource, 0), set(2.01, chSupply, 0), end(4)}, cut, nil},
		{"cut off, tried again at the end", []rig.Event{trip(2), lost(2.01, chSource, 0), set(2.01, chSupply, 0), lost(4, chSource, 0), end(4)}, cut, nil},
		{"reached at last", []rig.Event{trip(2), lost(2.01, chSource, 0), set(2.02, chSource, 0), set(2.02, chSupply, 0), end(4)}, nil, nil},
		{"reached late", []rig.Event{trip(2), lost(2.01, chSource, 0), set(2.01, chSupply, 0), set(3, chSource, 0), end(4)}, nil, nil},
		{"slow, and cut off", []rig.Event{set(1.5, chReset, 1), trip(2), set(2.01, chSupply, 0), set(2.02, chReset, 0), set(3.5, chSource, 0), end(4)}, nil, nil},
		{"slow, and not cut off", []rig.Event{trip(2), set(3, chSource, 0), set(3, chSupply, 0), end(4)}, nil,
			[]Finding{{At: at(3), Channel: rig.SupplySet, Rule: Late}, {At: at(3), Channel: rig.RelayDUT, Rule: Late}}},
		{"slow, and cut off late", []rig.Event{trip(2), set(2.2, chSupply, 0), set(3, chSource, 0), end(4)}, nil,
			[]Finding{{At: at(2.2), Channel: rig.RelayDUT, Rule: Late}, {At: at(3), Channel: rig.SupplySet, Rule: Late}}},
		{"cut off, and too slow", []rig.Event{trip(2), set(2.01, chSupply, 0), set(18, chSource, 0), end(19)}, nil,
			[]Finding{{At: at(18), Channel: rig.SupplySet, Rule: Late}}},
		{"nobody tried", []rig.Event{trip(2), set(2.01, chSupply, 0), end(4)}, nil, atEnd},
		{"told something else", []rig.Event{trip(2), lost(2.01, chSource, 3e9), set(2.01, chSupply, 0), end(4)}, nil, atEnd},
		{"forgotten since", []rig.Event{lost(1.1, chSource, 0), set(1.2, chSource, 5e9), trip(2), set(2.01, chSupply, 0), end(4)}, nil, atEnd},
		{"the relay was left on", []rig.Event{trip(2), lost(2.01, chSource, 0), end(4)}, nil,
			append([]Finding{{At: at(4), Channel: rig.RelayDUT, Rule: AtEnd}, {At: at(4), Channel: rig.RelayDUT, Rule: Late}}, atEnd...)},
		{"the relay does not obey either", []rig.Event{trip(2), lost(2.01, chSource, 0), lost(2.02, chSupply, 0), end(4)}, nil,
			append([]Finding{{At: at(4), Channel: rig.RelayDUT, Rule: AtEnd}, {At: at(4), Channel: rig.RelayDUT, Rule: Late}}, atEnd...)},
		{"the relay was late", []rig.Event{trip(2), lost(2.01, chSource, 0), set(2.2, chSupply, 0), end(4)},
			[]Unreached{{Channel: rig.SupplySet, Value: 5e9, Why: "link lost", CutBy: rig.RelayDUT, At: at(2.2)}}, []Finding{{At: at(2.2), Channel: rig.RelayDUT, Rule: Late}}},
	} {
		r, err := Check(header, limits, events(append(slices.Clone(on), c.events...)...))
		if err != nil {
			t.Fatal(err)
		}
		var got []Finding
		for _, f := range r.Findings {
			f.Found = ""
			got = append(got, f)
		}
		if !slices.Equal(got, c.want) || !reflect.DeepEqual(r.Unreached, c.cut) {
			t.Errorf("%s: found %v, unreached %+v; want %v, %+v", c.name, r.Findings, r.Unreached, c.want, c.cut)
		}
	}
}

// A pump that can't be turned off is a breach whatever cut it off unseen, and
// the finding says why.
func TestUnreachedPump(t *testing.T) {
	r, err := Check(header, limits, events(set(1, chDrip, flow), trip(2), rig.Event{At: at(2), Kind: rig.Failed, Channel: chDrip, Text: "driver gone"}, end(2)))
	if err != nil || len(r.Findings) != 1 || r.Findings[0].Rule != AtEnd || !strings.Contains(r.Findings[0].Found, "it was told to be, and driver gone") {
		t.Errorf("%v, %v", r.Findings, err)
	}
}
