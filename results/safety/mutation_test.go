package safety_test

import (
	"bytes"
	"context"
	"iter"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"drench/drivers/virtual"
	"drench/results/safety"
	"drench/rig"
	"drench/rig/config"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/timeline"
	"drench/scenarios"
)

// recording is the timeline of a stock scenario on the virtual bench.
type recording struct {
	header timeline.Header
	events []rig.Event
	raw    []byte
	limits safety.Limits
}

// record runs a stock scenario, with a fault from an instant on if one is
// named; 0 is the fault's own.
func record(t *testing.T, name, fault string, from time.Duration) recording {
	t.Helper()
	world := virtual.Default()
	l, err := config.LoadRig("", map[string]any{"virtual": &world})
	if err != nil {
		t.Fatal(err)
	}
	var model virtual.Model
	device, _, err := l.LoadProfile(&model)
	if err != nil {
		t.Fatal(err)
	}
	if fault != "" {
		world.Faults = map[string]virtual.Fault{fault: {From: from}}
	}
	bench, err := virtual.Open(world, device, model, 7)
	if err != nil {
		t.Fatal(err)
	}
	s, err := scenarios.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	counts := s.Scale(6)
	var k timeline.Memory
	w, err := timeline.NewWriter(&k, timeline.Header{Channels: bench.Channels(), Device: device, Calibration: l.Calibration, Planned: counts}, timeline.Pace{Events: 100, Span: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	guard, err := interlock.New(t.Context(), bench, l.Interlock)
	if err != nil {
		t.Fatal(err)
	}
	run, err := engine.New(t.Context(), guard, w)
	if err != nil {
		t.Fatal(err)
	}
	err = run.Do(t.Context(), func(ctx context.Context) error {
		return s.Run(ctx, run, scenarios.Setup{Device: device, Calibration: l.Calibration, Seed: 7, Counts: counts})
	})
	if (err != nil) != (guard.Tripped() != nil) {
		t.Fatal(err)
	}
	r := recording{raw: k.Bytes(), limits: safety.Allowed(l.Interlock)}
	if r.header, r.events, err = timeline.ReadAll(bytes.NewReader(r.raw)); err != nil {
		t.Fatal(err)
	}
	return r
}

func each(evs []rig.Event) iter.Seq2[rig.Event, error] {
	return func(yield func(rig.Event, error) bool) {
		for _, ev := range evs {
			if !yield(ev, nil) {
				return
			}
		}
	}
}

// TestStockRuns: what the stock scenarios record is safe, healthy or tripped.
func TestStockRuns(t *testing.T) {
	for _, name := range scenarios.Stock() {
		for _, fault := range []string{"", "tray_full", "estop_pressed", "lid_open", "reservoir_empty", "supply_link", "stuck_input", "dead_heartbeat"} {
			rec := record(t, name, fault, 0)
			r, err := safety.Check(rec.header, rec.limits, each(rec.events))
			if err != nil || !r.Held() || r.Cut != "" {
				t.Errorf("%s, %s: %v, cut %q, %v", name, fault, r.Findings, r.Cut, err)
			}
			if tripped := fault != "" && fault != "dead_heartbeat"; (r.Trip != "") != tripped {
				t.Errorf("%s, %s: trip %q", name, fault, r.Trip)
			}
		}
	}
}

// spoiling is a way to make a good timeline a bad one. It returns nil where it
// does not apply.
type spoiling struct {
	name  string
	rule  safety.Rule
	spoil func(*rand.Rand, recording) []rig.Event
}

// at returns a random place that holds an event like that, -1 if there is none.
func (r recording) at(rng *rand.Rand, like func(rig.Event) bool) int {
	var places []int
	for i, ev := range r.events {
		if like(ev) {
			places = append(places, i)
		}
	}
	if len(places) == 0 {
		return -1
	}
	return places[rng.IntN(len(places))]
}

func (r recording) id(name string) rig.ID {
	id, _ := rig.Find(r.header.Channels, name)
	return id
}

func (r recording) command(ev rig.Event, of rig.Hazard, on bool) bool {
	return ev.Kind == rig.Command && r.header.Channels[ev.Channel].Hazard == of && (ev.Value != 0) == on
}

// insert puts events behind place i, or returns nil if there is none.
func (r recording) insert(i int, evs ...rig.Event) []rig.Event {
	if i < 0 {
		return nil
	}
	for j := range evs {
		evs[j].At = r.events[i].At
	}
	return slices.Insert(slices.Clone(r.events), i+1, evs...)
}

func (r recording) without(drop func(int, rig.Event) bool) []rig.Event {
	var out []rig.Event
	for i, ev := range r.events {
		if !drop(i, ev) {
			out = append(out, ev)
		}
	}
	if len(out) == len(r.events) {
		return nil
	}
	return out
}

// withoutTest lacks the edge to a level that the self-test gave the tray line.
func (r recording) withoutTest(level int64) []rig.Event {
	tested := false
	return r.without(func(_ int, ev rig.Event) bool {
		tested = tested || ev.Kind == rig.Command && ev.Value == 1-level && ev.Channel == r.id(rig.LoopTest)
		drop := tested && ev.Kind == rig.Edge && ev.Value == level && ev.Channel == r.id(rig.Tray)
		tested = tested && !drop
		return drop
	})
}

func isTrip(ev rig.Event) bool { return ev.Kind == rig.Trip }

// tripped is where the trip stands, -1 without one.
func (r recording) tripped() int { return slices.IndexFunc(r.events, isTrip) }

var dangerous = []string{rig.PumpDrip, rig.PumpSpray, rig.ValveAir, rig.Humidity, rig.Plate, rig.SupplySet, rig.DipRail, rig.RelayDUT, rig.RelayDip}

var spoilings = []spoiling{
	{"an output on after the trip", safety.Latched, func(rng *rand.Rand, r recording) []rig.Event {
		id := r.id(dangerous[rng.IntN(len(dangerous))])
		last := len(r.events) - 2 // before the end
		if r.tripped() < 0 {
			return nil
		}
		return r.insert(r.tripped()+rng.IntN(last-r.tripped()+1), rig.Event{Kind: rig.Command, Channel: id, Value: 1}, rig.Event{Kind: rig.Command, Channel: id})
	}},
	{"an interlock line that opened unnoticed", safety.Untripped, func(rng *rand.Rand, r recording) []rig.Event {
		if r.tripped() >= 0 {
			return nil
		}
		line := r.id(r.limits.Inputs[rng.IntN(len(r.limits.Inputs))])
		return r.insert(rng.IntN(len(r.events)-1), rig.Event{Kind: rig.Edge, Channel: line}, rig.Event{Kind: rig.Edge, Channel: line, Value: 1})
	}},
	{"an interlock line that opened before the water", safety.Opened, func(rng *rand.Rand, r recording) []rig.Event {
		water := r.at(rng, func(ev rig.Event) bool { return r.command(ev, rig.Pump, true) })
		if water < 0 {
			return nil
		}
		return r.insert(rng.IntN(water), rig.Event{Kind: rig.Edge, Channel: r.id(rig.Lid)})
	}},
	{"a trip that was not recorded", safety.Untripped, func(_ *rand.Rand, r recording) []rig.Event {
		return r.without(func(_ int, ev rig.Event) bool { return isTrip(ev) })
	}},
	{"a trip that took its time", safety.Late, func(rng *rand.Rand, r recording) []rig.Event {
		out := slices.Clone(r.events)
		late := safety.Reaction + time.Duration(1+rng.Int64N(1e9))
		for i := r.tripped() + 1; i > 0 && i < len(out); i++ {
			out[i].At = out[i].At.Add(late)
		}
		if r.tripped() < 0 {
			return nil
		}
		return out
	}},
	{"a trip that forgot an output", safety.AtEnd, func(rng *rand.Rand, r recording) []rig.Event {
		trip := r.tripped()
		if trip < 0 {
			return nil
		}
		forgotten := r.events[trip+1+rng.IntN(len(r.events)-2-trip)].Channel // a script's clean-up may turn it off again
		return r.without(func(i int, ev rig.Event) bool { return i > trip && ev.Kind == rig.Command && ev.Channel == forgotten })
	}},
	{"a trip in another order", safety.Order, func(_ *rand.Rand, r recording) []rig.Event {
		if r.tripped() < 0 {
			return nil
		}
		out := slices.Clone(r.events)
		offs := out[r.tripped()+1 : len(out)-1]
		if hazard := func(i int) rig.Hazard { return r.header.Channels[offs[i].Channel].Hazard }; hazard(0) == hazard(len(offs)-1) {
			return nil
		}
		slices.Reverse(offs)
		return out
	}},
	{"a pump that was not stopped", safety.OnTime, func(rng *rand.Rand, r recording) []rig.Event {
		running := int64(0)
		i := r.at(rng, func(ev rig.Event) bool {
			stops := running != 0 && r.command(ev, rig.Pump, false)
			if r.command(ev, rig.Pump, true) || stops {
				running = ev.Value
			}
			return stops
		})
		if i < 0 {
			return nil
		}
		out := slices.Clone(r.events)
		for j := i; j < len(out); j++ { // it ran on, and all else came later
			out[j].At = out[j].At.Add(r.limits.PumpOn + safety.Reaction)
		}
		return out
	}},
	{"more water", safety.Water, func(_ *rand.Rand, r recording) []rig.Event {
		out, wet := slices.Clone(r.events), false
		for i, ev := range out {
			if r.command(ev, rig.Pump, true) {
				out[i].Value, wet = ev.Value*10_000, true
			}
		}
		if !wet || r.tripped() >= 0 { // a trip may come too soon for that
			return nil
		}
		return out
	}},
	{"an output left on", safety.AtEnd, func(rng *rand.Rand, r recording) []rig.Event {
		id := r.id(append(dangerous, rig.Reset, rig.Wake)[rng.IntN(len(dangerous)+2)])
		return r.insert(len(r.events)-2, rig.Event{Kind: rig.Command, Channel: id, Value: 1})
	}},
	{"a test that opened nothing", safety.Unproved, func(_ *rand.Rand, r recording) []rig.Event {
		return r.withoutTest(0)
	}},
	{"a test that closed nothing", safety.Unproved, func(_ *rand.Rand, r recording) []rig.Event {
		return r.withoutTest(1)
	}},
	{"no test at all", safety.Unproved, func(_ *rand.Rand, r recording) []rig.Event {
		energised, id := false, r.id(rig.LoopTest)
		return r.without(func(_ int, ev rig.Event) bool {
			energised = energised || ev.Kind == rig.Command && ev.Channel != id && ev.Value != 0
			return !energised && (ev.Kind == rig.Command && ev.Channel == id || ev.Kind == rig.Edge && r.header.Channels[ev.Channel].Name == rig.EStop)
		})
	}},
	{"a test while something is on", safety.Tested, func(rng *rand.Rand, r recording) []rig.Event {
		i := r.at(rng, func(ev rig.Event) bool { return r.command(ev, rig.Supply, true) })
		return r.insert(i, rig.Event{Kind: rig.Command, Channel: r.id(rig.LoopTest), Value: 1}, rig.Event{Kind: rig.Command, Channel: r.id(rig.LoopTest)})
	}},
	{"a script that held the dead-man", safety.Deadman, func(rng *rand.Rand, r recording) []rig.Event {
		return r.insert(rng.IntN(len(r.events)-1), rig.Event{Kind: rig.Command, Channel: r.id(rig.Deadman), Value: rng.Int64N(2)})
	}},
}

// TestSpoiled puts a breach into good timelines, at random places: it is found.
func TestSpoiled(t *testing.T) {
	good := []recording{record(t, "drip", "", 0), record(t, "condensation", "", 0), record(t, "condensation", "estop_pressed", 0)}
	for _, ev := range good[0].events { // and trips while water runs
		if good[0].command(ev, rig.Pump, true) && len(good) < 10 {
			good = append(good, record(t, "drip", "tray_full", time.Duration(ev.At)+time.Millisecond))
		}
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, s := range spoilings {
		t.Run(s.name, func(t *testing.T) {
			spoiled := 0
			for _, rec := range good {
				for range 10 {
					evs := s.spoil(rng, rec)
					if evs == nil {
						continue
					}
					spoiled++
					r, err := safety.Check(rec.header, rec.limits, each(evs))
					if err != nil {
						t.Fatal(err)
					}
					if !slices.ContainsFunc(r.Findings, func(f safety.Finding) bool { return f.Rule == s.rule }) {
						t.Errorf("not found; found %v", r.Findings)
					}
				}
			}
			if spoiled == 0 {
				t.Error("this spoils no timeline")
			}
		})
	}
}

// TestCutAnywhere cuts good timelines at every chunk and between: that is
// reported, and is no breach.
func TestCutAnywhere(t *testing.T) {
	for _, fault := range []string{"", "tray_full"} {
		rec := record(t, "drip", fault, 0)
		rng := rand.New(rand.NewPCG(3, 4))
		cut, torn := 0, 0
		for range 300 {
			tl, err := timeline.NewReader(bytes.NewReader(rec.raw[:rng.IntN(len(rec.raw))]))
			if err != nil {
				continue // within the header
			}
			r, err := safety.Check(tl.Header, rec.limits, tl.All())
			if err != nil || !r.Held() || r.Cut == "" {
				t.Fatalf("%v, cut %q, %v", r.Findings, r.Cut, err)
			}
			cut++
			if r.Cut != "the timeline has no end" {
				torn++
			}
		}
		for n := 0; n < len(rec.events); n += 1 + n/50 {
			r, err := safety.Check(rec.header, rec.limits, each(rec.events[:n]))
			if err != nil || !r.Held() || r.Cut == "" {
				t.Fatalf("%d events: %v, cut %q, %v", n, r.Findings, r.Cut, err)
			}
		}
		if cut < 100 || torn < 100 {
			t.Errorf("%d timelines cut, %d of them within a chunk", cut, torn)
		}
	}
}
