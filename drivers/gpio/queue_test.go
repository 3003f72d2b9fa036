package gpio

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"drench/rig"

	"pgregory.net/rapid"
)

// hold is holdBack as a number of the tests' clock.
const hold = rig.Instant(holdBack)

// drained takes everything that is due.
func drained(q *queue, now rig.Instant) []rig.Event {
	var evs []rig.Event
	for {
		ev, ok, _, _ := q.pop(now, rig.Never)
		if !ok {
			return evs
		}
		evs = append(evs, ev)
	}
}

func TestPop(t *testing.T) {
	q := newQueue(16)
	q.push(item{at: 100, kind: rig.Edge, channel: 1, value: 1})
	for _, c := range []struct {
		name       string
		now, until rig.Instant
		ok         bool
		wake       rig.Instant
	}{
		{"held back", 100 + hold - 1, rig.Never, false, 100 + hold},
		{"later than asked for", 100 + hold, 99, false, 100 + hold},
		{"due", 100 + hold, 100, true, 0},
		{"taken", 100 + hold, rig.Never, false, rig.Never},
	} {
		ev, ok, wake, err := q.pop(c.now, c.until)
		if ok != c.ok || wake != c.wake || err != nil {
			t.Errorf("%s: ok %v, wake %d, err %v", c.name, ok, wake, err)
		}
		if want := (rig.Event{At: 100, Kind: rig.Edge, Channel: 1, Value: 1}); ok && ev != want {
			t.Errorf("%s: %+v, want %+v", c.name, ev, want)
		}
	}
}

func TestFailComesLast(t *testing.T) {
	q, gone := newQueue(16), errors.New("gone")
	q.push(item{at: 100, kind: rig.Edge})
	q.fail(gone)
	q.fail(errors.New("a second failure"))
	if _, ok, _, err := q.pop(100, rig.Never); ok || err != nil {
		t.Errorf("while the event is held back: ok %v, err %v", ok, err)
	}
	if _, ok, _, err := q.pop(100+hold, rig.Never); !ok || err != nil {
		t.Errorf("when the event is due: ok %v, err %v", ok, err)
	}
	if _, ok, _, err := q.pop(100+hold, rig.Never); ok || err != gone {
		t.Errorf("after the event: ok %v, err %v", ok, err)
	}
}

func TestGapComesBeforeItsEdge(t *testing.T) {
	q := newQueue(64)
	tr := newTracker([]trackedLine{{offset: 0, id: 4}, {offset: 1, id: 5}}, 0, 0, q.push)
	q.follow(tr)
	if err := q.add(tr, []record{{at: 10, offset: 0, seqno: 1, lineSeqno: 1, level: 1}, {at: 30, offset: 0, seqno: 3, lineSeqno: 2, level: 0}}, 30); err != nil {
		t.Fatal(err)
	}
	want := []rig.Event{
		{At: 10, Kind: rig.Edge, Channel: 4, Value: 1},
		{At: 30, Kind: rig.Gap, Channel: 4, Value: 20},
		{At: 30, Kind: rig.Gap, Channel: 5, Value: 20},
		{At: 30, Kind: rig.Edge, Channel: 4, Value: 0},
	}
	if got := drained(q, 30+hold); !slices.Equal(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// TestMergeInOrder: events of several lines that are read in any order within
// the hold-back come out in order of their stamps, ties by number, none lost.
func TestMergeInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := newQueue(4096)
		n := rapid.IntRange(1, 80).Draw(t, "events")
		arrivals := make(map[rig.Instant][]item)
		var times []rig.Instant
		for i := range n {
			it := item{at: rig.Instant(rapid.IntRange(0, 50).Draw(t, "at")) * 1e6, kind: rig.Edge, seqno: uint32(i)}
			arrival := it.at + rig.Instant(rapid.IntRange(0, int(hold)-1).Draw(t, "delay"))
			arrivals[arrival] = append(arrivals[arrival], it)
			times = append(times, arrival)
		}
		slices.Sort(times)
		var got []rig.Event
		for _, now := range slices.Compact(times) {
			for _, it := range arrivals[now] {
				q.push(it)
			}
			if rapid.Bool().Draw(t, "take") {
				got = append(got, drained(q, now)...)
			}
		}
		got = append(got, drained(q, rig.Never)...)
		if len(got) != n || !slices.IsSortedFunc(got, func(a, b rig.Event) int { return int(a.At - b.At) }) {
			t.Fatalf("%d of %d events, %v", len(got), n, got)
		}
	})
}

// TestShedding: a consumer that stalls loses events only to gaps of their
// channels, and none once it has caught up; the order holds throughout.
func TestShedding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := newQueue(rapid.IntRange(16, 24).Draw(t, "length"))
		var made []item
		var got []rig.Event
		at := rig.Instant(100)
		push := func(n int) {
			for range n {
				at += rig.Instant(rapid.IntRange(1, 5).Draw(t, "later"))
				it := item{at: at, kind: rig.Edge, channel: rig.ID(rapid.IntRange(0, 2).Draw(t, "id"))}
				if rapid.IntRange(0, 4).Draw(t, "kind") == 0 {
					it.kind, it.value = rig.Gap, 50
				}
				made = append(made, it)
				q.push(it)
			}
		}
		for range rapid.IntRange(1, 60).Draw(t, "stalls") {
			push(rapid.SampledFrom([]int{1, 1, 2, 30}).Draw(t, "events"))
			for range rapid.SampledFrom([]int{0, 1, 1, 2, 20}).Draw(t, "taken") {
				if ev, ok, _, _ := q.pop(rig.Never, rig.Never); ok {
					got = append(got, ev)
				}
			}
		}
		got = append(got, drained(q, rig.Never)...)
		for _, it := range made {
			if !slices.ContainsFunc(got, func(ev rig.Event) bool {
				lost := ev.Kind == rig.Gap && ev.At-rig.Instant(ev.Value) <= it.at-rig.Instant(it.value) && it.at <= ev.At
				return ev.Channel == it.channel && (lost || ev.At == it.at && ev.Kind == it.kind)
			}) {
				t.Fatalf("%+v vanished; got %+v", it, got)
			}
		}
		if !slices.IsSortedFunc(got, func(a, b rig.Event) int { return int(a.At - b.At) }) {
			t.Fatalf("out of order: %+v", got)
		}
		before := len(made)
		push(3)
		if again := drained(q, rig.Never); len(again) != 3 {
			t.Fatalf("after catching up, %+v gave %+v", made[before:], again)
		}
	})
}

// TestAddDoesNotAllocate: the path from bytes to the ring costs no garbage.
func TestAddDoesNotAllocate(t *testing.T) {
	q := newQueue(4096)
	tr := newTracker([]trackedLine{{offset: 0}}, 0, 0, q.push)
	q.follow(tr)
	var space [readBatch]record
	next := record{at: 1, seqno: 1, lineSeqno: 1, level: 1}
	b := make([]byte, 0, readBatch*recordSize)
	batch := make([]record, readBatch)
	allocs := testing.AllocsPerRun(20, func() {
		b = b[:0]
		for i := range batch {
			batch[i] = next
			next = record{next.at + 1, 0, next.seqno + 1, next.lineSeqno + 1, 1 - next.level}
		}
		records, err := decode(space[:0], encodeInto(b, batch))
		if err != nil {
			t.Fatal(err)
		}
		if err := q.add(tr, records, next.at); err != nil {
			t.Fatal(err)
		}
	})
	if allocs != 0 {
		t.Errorf("%v allocations for %d events", allocs, readBatch)
	}
	for _, ev := range drained(q, rig.Never) {
		if ev.Kind != rig.Edge {
			t.Fatalf("%+v among edges that all came", ev)
		}
	}
}

func TestWait(t *testing.T) {
	q := newQueue(16)
	ctx, cancel := context.WithCancel(context.Background())
	q.signal()
	q.wait(ctx, time.Hour) // returns, as something changed
	q.wait(ctx, 0)         // returns, as the time is over
	cancel()
	q.wait(ctx, time.Hour) // returns, as the context is done
}

// BenchmarkAdd is the cost of an event from its bytes to the consumer.
func BenchmarkAdd(b *testing.B) {
	q := newQueue(queueLength)
	tr := newTracker([]trackedLine{{offset: 0}, {offset: 1}}, 0, 0, q.push)
	q.follow(tr)
	var records []record
	for i := range uint32(readBatch) {
		records = append(records, record{offset: i % 2, level: int64(1 - i/2%2)})
	}
	buf, space := make([]byte, 0, readBatch*recordSize), [readBatch]record{}
	var at rig.Instant
	var seqno uint32
	for b.Loop() {
		for i := range records {
			at, seqno = at+100, seqno+1
			records[i].at, records[i].seqno, records[i].lineSeqno = at, seqno, (seqno+1)/2
		}
		got, err := decode(space[:0], encodeInto(buf[:0], records))
		if err != nil {
			b.Fatal(err)
		}
		if err := q.add(tr, got, at); err != nil {
			b.Fatal(err)
		}
		drained(q, at+hold)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*readBatch), "ns/event")
}
