package assembly

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"pgregory.net/rapid"
)

var began = time.Now()

func now() rig.Instant { return rig.Instant(time.Since(began)) }

// stamped is when an output of the journal says that it obeyed.
const stamped = rig.Instant(42)

// journal keeps what was done, in order.
type journal struct{ lines []string }

func (j *journal) add(format string, args ...any) {
	j.lines = append(j.lines, fmt.Sprintf(format, args...))
}

// output is a setter that writes a journal and may refuse.
func (j *journal) output(name string, hazard rig.Hazard, refuse func(int64) error) Channel {
	return Channel{Channel: rig.Channel{Name: name, Dir: rig.Output, Hazard: hazard}, Set: SetterFunc(func(_ context.Context, v int64) (rig.Instant, error) {
		if refuse != nil {
			if err := refuse(v); err != nil {
				return 0, err
			}
		}
		j.add("%s=%d", name, v)
		return stamped, nil
	})}
}

func reads(name string, dir rig.Direction, v int64, err error) Channel {
	return Channel{Channel: rig.Channel{Name: name, Dir: dir}, Read: ReaderFunc(func(context.Context) (int64, error) { return v, err })}
}

type closer func() error

func (c closer) Close() error { return c() }

func assembled(t *testing.T, p Parts) *Bench {
	t.Helper()
	p.Now = now
	b, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

func TestSetAndAsk(t *testing.T) {
	var j journal
	broken := errors.New("wire off")
	b := assembled(t, Parts{Channels: []Channel{
		j.output("pump", rig.Pump, func(v int64) error {
			if v == 1 {
				return broken
			}
			return nil
		}),
		j.output("wake", rig.Idle, nil),
		reads("tray", rig.Input, 1, nil),
		reads("rail", rig.Gauge, 0, broken),
		{Channel: rig.Channel{Name: "uart", Dir: rig.Text}},
	}})
	ctx := t.Context()
	if _, err := b.Set(ctx, 0, 1); !errors.Is(err, broken) || !strings.Contains(err.Error(), "set pump to 1") {
		t.Errorf("set: %v", err)
	}
	if at, err := b.Set(ctx, 1, 1); err != nil || at != stamped {
		t.Error(err)
	}
	for ch, want := range map[rig.ID]string{2: "tray is no output", 3: "rail is no output", 9: "no channel 9"} {
		if _, err := b.Set(ctx, ch, 1); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("set channel %d: %v, want %q", ch, err, want)
		}
	}
	for _, v := range []int64{-1, 2} {
		if _, err := b.Set(ctx, 1, v); err == nil || !strings.Contains(err.Error(), "out of range") {
			t.Errorf("set wake to %d: %v", v, err)
		}
	}
	for ch, want := range map[rig.ID]int64{1: 1, 2: 1} {
		if v, err := b.Ask(ctx, ch); err != nil || v != want {
			t.Errorf("ask channel %d: %d, %v, want %d", ch, v, err, want)
		}
	}
	for ch, want := range map[rig.ID]string{3: "ask rail: wire off", 4: "uart can't be asked", 9: "no channel 9"} {
		if _, err := b.Ask(ctx, ch); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ask channel %d: %v, want %q", ch, err, want)
		}
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := b.Set(gone, 1, 0); !errors.Is(err, context.Canceled) {
		t.Errorf("set with a cancelled context: %v", err)
	}
	if _, _, err := b.Await(gone, rig.Never); !errors.Is(err, context.Canceled) {
		t.Errorf("await with a cancelled context: %v", err)
	}
}

func TestRefused(t *testing.T) {
	var j journal
	for want, p := range map[string]Parts{
		"no clock":         {},
		"no valid name":    {Now: now, Channels: []Channel{j.output("Pump", 0, nil)}},
		"twice":            {Now: now, Channels: []Channel{j.output("pump", 0, nil), reads("pump", rig.Gauge, 0, nil)}},
		"without a reader": {Now: now, Channels: []Channel{{Channel: rig.Channel{Name: "tray", Dir: rig.Input}}}},
		"a setter for":     {Now: now, Channels: []Channel{{Channel: rig.Channel{Name: "pump", Dir: rig.Output}}}},
	} {
		if _, err := New(p); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// TestClose: what is not off goes off in the order of a trip, even after an
// error; then what was opened last is closed first.
func TestClose(t *testing.T) {
	var j journal
	stuck := errors.New("stuck")
	p := Parts{Channels: []Channel{
		j.output("wake", rig.Idle, nil), j.output("supply", rig.Supply, nil), j.output("heat", rig.Heat, func(int64) error { return stuck }),
		j.output("valve", rig.Valve, nil), j.output("pump", rig.Pump, nil), j.output("spare", rig.Pump, nil),
	}}
	for _, name := range []string{"lines", "supply"} {
		p.Close = append(p.Close, closer(func() error { j.add("close %s", name); return nil }))
	}
	p.Sources = []NamedSource{{"lines", SourceFunc(func(ctx context.Context, _ rig.Instant) (rig.Event, bool, error) {
		<-ctx.Done()
		return rig.Event{}, false, ctx.Err()
	})}}
	b := assembled(t, p)
	for _, ch := range []rig.ID{1, 5} {
		if _, err := b.Set(t.Context(), ch, int64(1-ch/5)); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Close(); !errors.Is(err, stuck) {
		t.Errorf("close: %v", err)
	}
	want := []string{"supply=1", "spare=0", "pump=0", "valve=0", "supply=0", "wake=0", "close supply", "close lines"}
	if !slices.Equal(j.lines, want) {
		t.Errorf("did  %v\nwant %v", j.lines, want)
	}
	if err := b.Close(); err != nil {
		t.Errorf("close again: %v", err)
	}
	if _, err := b.Set(t.Context(), 0, 1); !errors.Is(err, ErrClosed) {
		t.Errorf("set after close: %v", err)
	}
	if _, _, err := b.Await(t.Context(), rig.Never); !errors.Is(err, ErrClosed) {
		t.Errorf("await after close: %v", err)
	}
}

// script is a source that gives events and then an error, or waits for ever.
func script(events []rig.Event, end error) Source {
	n := 0
	return SourceFunc(func(ctx context.Context, _ rig.Instant) (rig.Event, bool, error) {
		if n < len(events) {
			n++
			return events[n-1], true, nil
		}
		if end != nil {
			return rig.Event{}, false, end
		}
		<-ctx.Done()
		return rig.Event{}, false, ctx.Err()
	})
}

func TestFailingSource(t *testing.T) {
	text := Channel{Channel: rig.Channel{Name: "uart", Dir: rig.Text}}
	for want, s := range map[string]Source{
		"listen to port: EOF": script([]rig.Event{{Kind: rig.Line, Text: "a"}}, io.EOF),
		"channel 7":           script([]rig.Event{{Kind: rig.Line, Text: "a"}, {Channel: 7}}, nil),
		"it gives no more events": SourceFunc(func() func(context.Context, rig.Instant) (rig.Event, bool, error) {
			given := false
			return func(context.Context, rig.Instant) (rig.Event, bool, error) {
				first := !given
				given = true
				return rig.Event{Kind: rig.Line, Text: "a"}, first, nil
			}
		}()),
	} {
		b := assembled(t, Parts{Channels: []Channel{text}, Sources: []NamedSource{{"port", s}}})
		if ev, ok, err := b.Await(t.Context(), rig.Never); err != nil || !ok || ev.Text != "a" {
			t.Fatalf("first event: %+v, %v, %v", ev, ok, err)
		}
		for range 2 { // it stays failed
			if _, _, err := b.Await(t.Context(), rig.Never); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("got %v, want %q", err, want)
			}
		}
	}
}

func TestDeadline(t *testing.T) {
	b := assembled(t, Parts{Channels: []Channel{{Channel: rig.Channel{Name: "uart", Dir: rig.Text}}}, Sources: []NamedSource{{"port", script(nil, nil)}}})
	for _, d := range []time.Duration{-time.Second, 0, time.Millisecond, 3 * time.Millisecond} {
		until := b.Now().Add(d)
		if _, ok, err := b.Await(t.Context(), until); ok || err != nil || b.Now() < until {
			t.Errorf("await for %v: %v, %v, the clock is %v short", d, ok, err, until.Sub(b.Now()))
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(time.Millisecond, cancel)
	if _, _, err := b.Await(ctx, rig.Never); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// TestNothingLost: whatever the pace of sources and of whoever awaits, each
// source's events all come, in its order, and nothing else does.
func TestNothingLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 4).Draw(t, "sources")
		var p Parts
		p.Now = now
		total := 0
		var counts []int
		for s := range n {
			p.Channels = append(p.Channels, Channel{Channel: rig.Channel{Name: fmt.Sprintf("text%d", s), Dir: rig.Text}})
			count := rapid.IntRange(0, 3*queueLength/2).Draw(t, "events")
			counts = append(counts, count)
			total += count
			rest := rapid.IntRange(1, 400).Draw(t, "pause after")
			given := 0
			p.Sources = append(p.Sources, NamedSource{p.Channels[s].Name, SourceFunc(func(ctx context.Context, _ rig.Instant) (rig.Event, bool, error) {
				if given == count {
					<-ctx.Done()
					return rig.Event{}, false, ctx.Err()
				}
				if given++; given%rest == 0 {
					time.Sleep(20 * time.Microsecond)
				}
				return rig.Event{Kind: rig.Line, Channel: rig.ID(s), Value: int64(given)}, true, nil
			})})
		}
		b, err := New(p)
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		slow := rapid.IntRange(1, 400).Draw(t, "slow after")
		seen := make([]int64, n)
		for got := 0; got < total; {
			ev, ok, err := b.Await(context.Background(), b.Now().Add(time.Minute))
			if err != nil {
				t.Fatal(err)
			}
			if !ok {
				t.Fatalf("%d of %d events came: %v of %v", got, total, seen, counts)
			}
			if seen[ev.Channel]++; ev.Value != seen[ev.Channel] {
				t.Fatalf("source %d: event %d came as number %d", ev.Channel, ev.Value, seen[ev.Channel])
			}
			if got++; got%slow == 0 {
				time.Sleep(20 * time.Microsecond)
			}
		}
		if ev, ok, err := b.Await(context.Background(), b.Now().Add(time.Millisecond)); ok || err != nil {
			t.Fatalf("one more: %+v, %v", ev, err)
		}
	})
}
