package safety

import (
	"slices"
	"testing"
	"time"

	"drench/rig"
)

// TestProofs: what a self-test in a timeline proves, and what must not be done
// before and during it.
func TestProofs(t *testing.T) {
	tested := limits
	tested.Inputs = []string{rig.EStop, rig.Tray}
	tested.Tests = map[string]string{rig.EStop: rig.LoopTest}
	const ms = time.Millisecond
	by := func(opened, ok bool, opens, closes time.Duration) []Proof {
		return []Proof{{Input: rig.EStop, By: rig.LoopTest, Proved: ok, Opens: opens, Closes: closes, Opened: opened}, {Input: rig.Tray}}
	}
	gap := func(s float64) rig.Event { return rig.Event{At: at(s), Kind: rig.Gap, Channel: chStop, Value: 1e6} }
	pulse := []rig.Event{edge(0, chStop, 1), set(0, chTest, 1), edge(.01, chStop, 0), set(.03, chTest, 0), edge(.036, chStop, 1)}
	water := []rig.Event{set(1, chDrip, flow), set(2, chDrip, 0), end(3)}
	for _, c := range []struct {
		name   string
		events []rig.Event
		proofs []Proof
		want   []Finding // without Found
	}{
		{"a test that is passed", slices.Concat(pulse, water), by(false, true, 10*ms, 6*ms), nil},
		{"contacts that bounce", slices.Concat([]rig.Event{set(0, chTest, 1), edge(.01, chStop, 0), edge(.011, chStop, 1), edge(.012, chStop, 0), set(.03, chTest, 0), edge(.036, chStop, 1), edge(.037, chStop, 0), edge(.038, chStop, 1)}, water),
			by(false, true, 10*ms, 6*ms), nil},
		{"edges that were lost", slices.Concat([]rig.Event{set(0, chTest, 1), gap(.01), set(.03, chTest, 0), gap(.037)}, water), by(false, true, 10*ms, 7*ms), nil},
		{"none, and nothing energised", []rig.Event{set(1, chReset, 1), set(2, chReset, 0), end(3)}, by(false, false, 0, 0), nil},
		{"none", water, by(false, false, 0, 0), []Finding{{At: at(1), Channel: rig.PumpDrip, Rule: Unproved}}},
		{"none, told once", slices.Concat([]rig.Event{set(.5, chValve, 1), set(.6, chValve, 0)}, water), by(false, false, 0, 0), []Finding{{At: at(.5), Channel: rig.ValveAir, Rule: Unproved}}},
		{"a loop that stays closed", slices.Concat([]rig.Event{set(0, chTest, 1), set(.5, chTest, 0)}, water), by(false, false, 0, 0),
			[]Finding{{At: at(1), Channel: rig.PumpDrip, Rule: Unproved}}},
		{"a loop that stays open", slices.Concat([]rig.Event{set(0, chTest, 1), edge(.01, chStop, 0), set(.5, chTest, 0)}, water), by(false, false, 10*ms, 0),
			[]Finding{{At: at(1), Channel: rig.PumpDrip, Rule: Unproved}}},
		{"a loop that opens again", slices.Concat(pulse, []rig.Event{edge(.05, chStop, 0)}, water), by(false, true, 10*ms, 6*ms),
			[]Finding{{At: at(1), Channel: rig.PumpDrip, Rule: Unproved}}},
		{"water during the test", []rig.Event{set(0, chTest, 1), edge(.01, chStop, 0), set(.02, chDrip, flow), set(.03, chTest, 0), edge(.036, chStop, 1), set(.04, chDrip, 0), end(1)}, by(false, true, 10*ms, 6*ms),
			[]Finding{{At: at(.02), Channel: rig.PumpDrip, Rule: Unproved}}},
		{"a test during water", slices.Concat(pulse, []rig.Event{set(1, chDrip, flow), set(1.1, chTest, 1), set(1.2, chTest, 0), set(1.3, chDrip, 0), end(2)}), by(false, false, 10*ms, 6*ms),
			[]Finding{{At: at(1.1), Channel: rig.LoopTest, Rule: Tested}}},
		{"a stop after the bounces", slices.Concat(pulse, []rig.Event{edge(.1, chStop, 0), edge(.2, chStop, 1), end(3)}), by(true, true, 10*ms, 6*ms),
			[]Finding{{At: at(.1), Channel: rig.EStop, Rule: Untripped}}},
		{"a line without a test opens meanwhile", []rig.Event{set(0, chTest, 1), edge(.01, chTray, 0), set(.03, chTest, 0), end(3)}, []Proof{{Input: rig.EStop, By: rig.LoopTest}, {Input: rig.Tray, Opened: true}},
			[]Finding{{At: at(.01), Channel: rig.Tray, Rule: Untripped}}},
	} {
		r, err := Check(header, tested, events(c.events...))
		if err != nil {
			t.Fatal(err)
		}
		var got []Finding
		for _, f := range r.Findings {
			f.Found = ""
			got = append(got, f)
		}
		if !slices.Equal(got, c.want) || !slices.Equal(r.Inputs, c.proofs) {
			t.Errorf("%s: found %v\nproofs %+v\nwant   %+v", c.name, r.Findings, r.Inputs, c.proofs)
		}
	}
}
