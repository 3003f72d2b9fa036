package safety

import (
	"math"
	"testing"
	"time"

	"drench/rig"

	"pgregory.net/rapid"
)

// TestBudgets compares on-times and volume with a count in steps of a
// millisecond.
func TestBudgets(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var evs []rig.Event
		now := 0 // ms
		for range rapid.IntRange(0, 40).Draw(t, "commands") {
			now += rapid.SampledFrom([]int{0, 1, 50, 499, 3333, 4950, 10051}).Draw(t, "pause")
			evs = append(evs, set(float64(now)/1e3, rapid.SampledFrom([]rig.ID{chDrip, chSpray}).Draw(t, "pump"),
				rapid.SampledFrom([]int64{0, 0, flow / 4, flow, 2 * flow}).Draw(t, "flow")))
		}
		now += rapid.IntRange(0, 4000).Draw(t, "rest") // drawn small, mostly
		for _, ch := range []rig.ID{chDrip, chSpray} {
			evs = append(evs, set(float64(now)/1e3, ch, 0))
		}
		limits := limits
		limits.PumpRest = rapid.SampledFrom([]time.Duration{0, time.Millisecond, 499 * time.Millisecond, time.Second}).Draw(t, "pump_rest")
		r, err := Check(header, limits, events(append(evs, end(float64(now)/1e3))...))
		if err != nil {
			t.Fatal(err)
		}
		longest, volume := count(evs, limits.PumpRest)
		if math.Abs(volume-float64(r.Delivered)) > 1 || r.Longest != longest {
			t.Fatalf("longest %v, delivered %v; counted %v, %v nl", r.Longest, r.Delivered, longest, volume)
		}
		rules := map[Rule]bool{}
		for _, f := range r.Findings {
			rules[f.Rule] = true
		}
		if over := longest > limits.PumpOn+Reaction; rules[OnTime] != over {
			t.Fatalf("on-time found %v, counted %v", rules[OnTime], longest)
		}
		// Between the budget and what two pumps deliver in the reaction time
		// either answer may be right.
		slack := 2 * 2 * float64(flow) * Reaction.Minutes()
		if rules[Water] && volume < float64(limits.Volume) || !rules[Water] && volume > float64(limits.Volume)+slack+rounding {
			t.Fatalf("water found %v, counted %v nl of %v", rules[Water], volume, limits.Volume)
		}
		if rules[Water] && rules[OnTime] && len(rules) > 2 || !rules[Water] && !rules[OnTime] && len(rules) > 0 {
			t.Fatalf("also found %v", r.Findings)
		}
	})
}

// count steps through a course of pump commands, millisecond by millisecond.
func count(evs []rig.Event, rest time.Duration) (longest time.Duration, volume float64) {
	var on [2]int64
	var ran, off [2]time.Duration
	last := evs[len(evs)-1].At
	for now := rig.Instant(0); now < last; now = now.Add(time.Millisecond) {
		for len(evs) > 0 && evs[0].At <= now {
			ch, v := evs[0].Channel, evs[0].Value
			if on[ch] == 0 && v != 0 && off[ch] >= rest {
				ran[ch] = 0
			}
			on[ch] = v
			evs = evs[1:]
		}
		for pump, f := range on {
			if f > 0 {
				ran[pump] += time.Millisecond
				volume += float64(f) / 60e3
				longest = max(longest, ran[pump])
				off[pump] = 0
			} else {
				off[pump] += time.Millisecond
			}
		}
	}
	return longest, volume
}

// TestAnyEvents: whatever a record holds, Check answers or refuses, and a run
// after whose trip nothing was energised has no finding of that.
func TestAnyEvents(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var evs []rig.Event
		opened, tripped, energised := false, false, false
		now := rig.Instant(0)
		for range rapid.IntRange(0, 60).Draw(t, "events") {
			now = now.Add(time.Duration(rapid.Int64Range(0, 3e9).Draw(t, "pause")))
			ev := rig.Event{
				At: now, Kind: rig.Kind(rapid.IntRange(int(rig.Edge), int(rig.Mark)).Draw(t, "kind")),
				Channel: rig.ID(rapid.IntRange(0, len(table)-1).Draw(t, "channel")), Value: rapid.Int64Range(0, 2).Draw(t, "value"),
			}
			if ev.Kind == rig.Command && table[ev.Channel].Dir != rig.Output {
				continue
			}
			opened = opened || ev.Kind == rig.Edge && ev.Value == 0 && (ev.Channel == chStop || ev.Channel == chTray)
			tripped = tripped || ev.Kind == rig.Trip
			energised = energised || (opened || tripped) && ev.Kind == rig.Command && ev.Value > 0 && table[ev.Channel].Hazard != rig.Idle
			evs = append(evs, ev)
		}
		r, err := Check(header, limits, events(evs...))
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, f := range r.Findings {
			found = found || f.Rule == Opened || f.Rule == Latched
		}
		if found != energised || r.Cut == "" {
			t.Fatalf("energised after a cause: %v, found %v", energised, r.Findings)
		}
	})
}

// BenchmarkCheck reads a million events of a day's run.
func BenchmarkCheck(b *testing.B) {
	const n = 1_000_000
	b.ReportAllocs()
	for b.Loop() {
		r, err := Check(header, limits, func(yield func(rig.Event, error) bool) {
			for i := range n {
				if !yield(edge(float64(i)/10, chDetect, int64(i&1)), nil) {
					return
				}
			}
		})
		if err != nil || r.Events != n {
			b.Fatal(err)
		}
	}
}
