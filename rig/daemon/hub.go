package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"drench/rig"
)

const (
	// refresh is how often a follower is told what is new, in wall time: often
	// enough for a page.
	refresh = 100 * time.Millisecond
	// remembered are the events besides levels and readings that a follower
	// who is late still gets.
	remembered = 64
)

// hub knows what the bench does now. Whoever runs the bench writes into it and
// never waits for a reader: the hub keeps the last of each channel and a few
// of the other events, and each follower looks by itself what is new to it.
type hub struct {
	now  func() time.Time
	pass atomic.Int64 // wall time of the supervisor's last pass in Unix nanoseconds

	mu      sync.Mutex
	live    Live // without Channels, Alive and Seq
	changed uint64
	seq     uint64
	table   []slot
	recent  [remembered]noted // a ring of the events that belong to no channel
	count   int               // that were put into it
	locks   map[string]bool   // names of interlock inputs
}

// slot is the last of a channel.
type slot struct {
	rig.Channel
	noted
	seen bool
}

// noted is an event and when it was.
type noted struct {
	rig.Event
	seq uint64
}

func newHub(o Options) *hub {
	h := &hub{now: o.Now, live: Live{Bench: o.Bench, Virtual: o.Virtual}, locks: map[string]bool{}}
	for _, name := range o.Interlocks {
		h.locks[name] = true
	}
	h.table = slots(o.Channels)
	return h
}

func slots(channels []rig.Channel) []slot {
	table := make([]slot, len(channels))
	for i, c := range channels {
		table[i].Channel = c
	}
	return table
}

// Passed implements Observer.
func (h *hub) Passed(rig.Instant) { h.pass.Store(h.now().UnixNano()) }

// alive is when the supervisor last finished a pass.
func (h *hub) alive() time.Time {
	if n := h.pass.Load(); n != 0 {
		return time.Unix(0, n).UTC()
	}
	return time.Time{}
}

// Began implements Observer.
func (h *hub) Began(run int64, channels []rig.Channel, trials int) {
	h.change(func(l *Live) {
		h.table, h.count = slots(channels), 0
		l.Trial, l.Trials, l.Kind, l.At = 0, trials, "", 0
		if l.Job != nil {
			j := *l.Job
			j.Run = run
			l.Job = &j
		}
	})
}

// change changes what is shown as a whole.
func (h *hub) change(f func(*Live)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	f(&h.live)
	h.seq++
	h.changed = h.seq
}

// Saw implements Observer. A virtual bench calls it 1e5 times a second and
// more.
func (h *hub) Saw(ev rig.Event) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.seq++
	h.live.At = ev.At
	switch ev.Kind {
	case rig.Edge, rig.Command, rig.Reading, rig.Line, rig.Gap:
		if int(ev.Channel) >= len(h.table) {
			return
		}
		s := &h.table[ev.Channel]
		if ev.Kind != rig.Gap { // which says nothing of the level
			s.noted, s.seen = noted{ev, h.seq}, true
			return
		}
	case rig.TrialBegin:
		h.live.Trial = int(ev.Value)
		h.live.Kind = trialOf(ev).Kind
	}
	h.recent[h.count%remembered] = noted{ev, h.seq}
	h.count++
}

// trialOf reads what a TrialBegin says; the zero Trial if that can't be read.
func trialOf(ev rig.Event) (t rig.Trial) {
	_ = json.Unmarshal([]byte(ev.Text), &t) // the run loop wrote it
	return t
}

// Live is a copy of what is known.
func (h *hub) Live() Live {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.snapshot()
}

// snapshot makes a Live that is nobody else's; h.mu is held.
func (h *hub) snapshot() Live {
	l := h.live
	l.Alive, l.Seq = h.alive(), h.seq
	l.Channels = make([]Reading, len(h.table))
	for i, s := range h.table {
		l.Channels[i] = Reading{Channel: s.Channel, Value: s.Value, Text: s.Text, At: s.At, Seen: s.seen, Interlock: h.locks[s.Name]}
		if s.seen {
			l.Channels[i].Shown = shown(s.Channel, s.Event)
		}
	}
	return l
}

// shown is a channel's value in words.
func shown(c rig.Channel, ev rig.Event) string {
	if c.Dir == rig.Text {
		return ev.Text
	}
	return rig.Quantity{N: ev.Value, Unit: c.Unit}.String()
}

// words says what an event is about.
func (h *hub) words(ev rig.Event) string {
	name := ""
	if int(ev.Channel) < len(h.table) {
		name = h.table[ev.Channel].Name
	}
	switch ev.Kind {
	case rig.Edge, rig.Command, rig.Reading, rig.Line:
		return name + " " + shown(h.table[ev.Channel].Channel, ev)
	case rig.Gap:
		return fmt.Sprintf("edges of %s were lost in the %v before", name, time.Duration(ev.Value))
	case rig.TrialBegin:
		return fmt.Sprintf("trial %d begins: %s", ev.Value, trialOf(ev).Kind)
	case rig.TrialEnd:
		return "trial " + strconv.FormatInt(ev.Value, 10) + " ends"
	case rig.Trip:
		return "interlock tripped: " + ev.Text
	case rig.End:
		if ev.Text == "" {
			return "the run ends"
		}
		return "the run ends: " + ev.Text
	}
	return ev.Text
}

// news is what happened after since, in its order; first a whole Live if the
// state as a whole changed. It returns the state's number to go on from.
func (h *hub) news(since uint64, first bool) ([]Update, uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	var list []Update
	if first || h.changed > since {
		l := h.snapshot()
		return append(list, Update{Seq: h.seq, Live: &l}), h.seq
	}
	add := func(n noted) {
		if n.seq > since {
			ev := n.Event
			list = append(list, Update{Seq: n.seq, Event: &ev, Shown: h.words(ev)})
		}
	}
	for i := range h.table {
		add(h.table[i].noted)
	}
	for i := max(0, h.count-remembered); i < h.count; i++ {
		add(h.recent[i%remembered])
	}
	slices.SortFunc(list, func(a, b Update) int { return cmp.Compare(a.Seq, b.Seq) })
	return list, h.seq
}

// Follow has a goroutine of the follower's own look for news until ctx ends.
func (h *hub) Follow(ctx context.Context) <-chan Update {
	out := make(chan Update)
	go func() {
		defer close(out)
		tick := time.NewTicker(refresh)
		defer tick.Stop()
		var since uint64
		for first := true; ; first = false {
			var list []Update
			list, since = h.news(since, first)
			for _, u := range list {
				select {
				case out <- u:
				case <-ctx.Done():
					return
				}
			}
			select {
			case <-tick.C:
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}
