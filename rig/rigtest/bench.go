// Package rigtest has a bench for tests: it does what rig.Bench says, with
// events and gauge values that the test lays down beforehand, and keeps a log
// of what was set.
package rigtest

import (
	"context"
	"errors"
	"fmt"
	"sort"

	"drench/rig"
)

// Setting is one Set as the bench received it.
type Setting struct {
	At      rig.Instant
	Channel rig.ID
	Value   int64
}

// Bench is a scripted bench. Its clock moves only in Await.
type Bench struct {
	Table  []rig.Channel
	Clock  rig.Instant
	Script []rig.Event // in any order; delivered by time
	// Gauges answer Ask, by channel; a channel without one answers with its
	// last edge's value, or Levels' before the first.
	Gauges map[rig.ID]func(rig.Instant) (int64, error)
	Levels map[rig.ID]int64
	// Refuse, if set, may make a Set fail.
	Refuse func(rig.ID, int64) error
	Log    []Setting

	sorted bool
	next   int
}

// Channels implements rig.Bench.
func (b *Bench) Channels() []rig.Channel { return b.Table }

// Now implements rig.Bench.
func (b *Bench) Now() rig.Instant { return b.Clock }

// Set implements rig.Bench.
func (b *Bench) Set(_ context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	if int(ch) >= len(b.Table) || b.Table[ch].Dir != rig.Output {
		return 0, fmt.Errorf("channel %d is not an output", ch)
	}
	if b.Refuse != nil {
		if err := b.Refuse(ch, v); err != nil {
			return 0, err
		}
	}
	b.Log = append(b.Log, Setting{b.Clock, ch, v})
	return b.Clock, nil
}

// Ask implements rig.Bench.
func (b *Bench) Ask(_ context.Context, ch rig.ID) (int64, error) {
	if f := b.Gauges[ch]; f != nil {
		return f(b.Clock)
	}
	if int(ch) >= len(b.Table) || b.Table[ch].Dir != rig.Input {
		return 0, errors.New("no such gauge")
	}
	v := b.Levels[ch]
	for _, ev := range b.Script {
		if ev.Kind == rig.Edge && ev.Channel == ch && ev.At <= b.Clock {
			v = ev.Value
		}
	}
	return v, nil
}

// Await implements rig.Bench.
func (b *Bench) Await(ctx context.Context, until rig.Instant) (rig.Event, bool, error) {
	if err := ctx.Err(); err != nil {
		return rig.Event{}, false, err
	}
	if !b.sorted {
		sort.SliceStable(b.Script, func(i, j int) bool { return b.Script[i].At < b.Script[j].At })
		b.sorted = true
	}
	if b.next < len(b.Script) && b.Script[b.next].At <= until {
		ev := b.Script[b.next]
		b.next++
		b.Clock = max(b.Clock, ev.At)
		return ev, true, nil
	}
	b.Clock = max(b.Clock, until)
	return rig.Event{}, false, nil
}

// Later adds events to the script while the bench runs, from the clock's now on.
func (b *Bench) Later(evs ...rig.Event) {
	b.Script = append(b.Script, evs...)
	sort.SliceStable(b.Script[b.next:], func(i, j int) bool { return b.Script[b.next+i].At < b.Script[b.next+j].At })
}

// Outputs replays the log and returns the value of each output at the end.
func (b *Bench) Outputs() map[string]int64 {
	m := make(map[string]int64)
	for _, s := range b.Log {
		m[b.Table[s.Channel].Name] = s.Value
	}
	return m
}
