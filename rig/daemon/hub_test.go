package daemon

import (
	"context"
	"testing"

	"drench/rig"
)

func testHub() *hub {
	tr := &clock{t: evening}
	return newHub(Options{Bench: "lab", Channels: table, Interlocks: []string{rig.EStop}, Now: tr.now})
}

func begin(n int64) rig.Event {
	return rig.Event{Kind: rig.TrialBegin, Value: n, Text: `{"kind":"wet"}`}
}

// TestLive: the last of each channel is shown in its unit, and where the run is.
func TestLive(t *testing.T) {
	h := testHub()
	h.Began(7, table, 40)
	for _, ev := range []rig.Event{
		{Kind: rig.Edge, Channel: 0, Value: 1, At: 1e9}, {Kind: rig.Edge, Channel: 0, Value: 0, At: 2e9},
		{Kind: rig.Reading, Channel: 2, Value: 3_300_000_000, At: 3e9}, {Kind: rig.Gap, Channel: 2, Value: 5, At: 3e9},
		{Kind: rig.Edge, Channel: 99, Value: 1, At: 4e9}, begin(3),
	} {
		h.Saw(ev)
	}
	h.Passed(0)
	l := h.Live()
	if l.Trial != 3 || l.Trials != 40 || l.Kind != rig.Wet || !l.Alive.Equal(evening) {
		t.Errorf("got %+v", l)
	}
	for i, want := range []Reading{{Value: 0, Shown: "0", At: 2e9, Seen: true}, {Interlock: true}, {Value: 3_300_000_000, Shown: "3.3 V", At: 3e9, Seen: true}} {
		got := l.Channels[i]
		got.Channel = rig.Channel{}
		if got != want {
			t.Errorf("channel %d: %+v, want %+v", i, got, want)
		}
	}
}

// TestNews: a follower gets the last of each channel and the other events in
// their order, and nothing twice.
func TestNews(t *testing.T) {
	h := testHub()
	h.Began(7, table, 40)
	first, at := h.news(0, true)
	if len(first) != 1 || first[0].Live == nil {
		t.Fatalf("first %+v", first)
	}
	for n := range int64(1000) {
		h.Saw(rig.Event{Kind: rig.Edge, Channel: 0, Value: n % 2, At: rig.Instant(n)})
		h.Saw(begin(n))
	}
	list, at := h.news(at, false)
	if len(list) != remembered+1 {
		t.Fatalf("%d updates", len(list))
	}
	edge := list[len(list)-2]
	if edge.Event.Kind != rig.Edge || edge.Event.At != 999 || edge.Shown != "detect 1" {
		t.Errorf("the edge: %+v %+v", edge, edge.Event)
	}
	for i, u := range list[1:] {
		if u.Seq <= list[i].Seq {
			t.Fatalf("out of order: %d after %d", u.Seq, list[i].Seq)
		}
	}
	if last := list[len(list)-1]; last.Shown != "trial 999 begins: wet" {
		t.Errorf("the last: %+v", last)
	}
	if again, _ := h.news(at, false); len(again) != 0 {
		t.Errorf("twice: %+v", again)
	}
	h.change(func(l *Live) { l.Paused = true })
	if list, _ := h.news(at, false); len(list) != 1 || list[0].Live == nil || !list[0].Live.Paused {
		t.Errorf("a change: %+v", list)
	}
}

// TestFollow: a follower that takes nothing holds up nobody, and its channel
// is closed at the end.
func TestFollow(t *testing.T) {
	h := testHub()
	ctx, cancel := context.WithCancel(t.Context())
	idle, busy := h.Follow(ctx), h.Follow(ctx)
	if u := <-busy; u.Live == nil {
		t.Errorf("first %+v", u)
	}
	for n := range int64(100_000) {
		h.Saw(rig.Event{Kind: rig.Edge, Value: n % 2})
	}
	h.Saw(begin(8))
	seen := false
	for u := range busy {
		if seen = u.Event != nil && u.Event.Kind == rig.TrialBegin; seen {
			break
		}
	}
	if !seen {
		t.Error("the trial was not told")
	}
	cancel()
	for range idle {
	}
	for range busy {
	}
}

func TestWords(t *testing.T) {
	h := testHub()
	for want, ev := range map[string]rig.Event{
		"rail 3.3 V": {Kind: rig.Reading, Channel: 2, Value: 3_300_000_000},
		"edges of detect were lost in the 5ms before": {Kind: rig.Gap, Value: 5_000_000},
		"trial 4 ends":                  {Kind: rig.TrialEnd, Value: 4},
		"interlock tripped: lid opened": {Kind: rig.Trip, Text: "lid opened"},
		"the run ends":                  {Kind: rig.End},
		"the run ends: stopped":         {Kind: rig.End, Text: "stopped"},
		"primed":                        {Kind: rig.Mark, Text: "primed"},
	} {
		if got := h.words(ev); got != want {
			t.Errorf("%+v: %q, want %q", ev, got, want)
		}
	}
}

// BenchmarkSaw is what an event costs the run loop, with a follower.
func BenchmarkSaw(b *testing.B) {
	h := testHub()
	h.Began(1, table, 1)
	go func() {
		for range h.Follow(b.Context()) {
		}
	}()
	for n := range b.N {
		h.Saw(rig.Event{Kind: rig.Edge, Value: int64(n & 1), At: rig.Instant(n)})
	}
}
