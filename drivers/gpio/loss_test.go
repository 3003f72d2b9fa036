package gpio

import (
	"slices"
	"testing"

	"drench/rig"

	"pgregory.net/rapid"
)

// follower makes a tracker of lines at offsets 10, 11, ... with IDs 0, 1, ...,
// that start Low, and the items that it finds.
func follower(lines int) (*tracker, *[]item) {
	var found []item
	tracked := make([]trackedLine, lines)
	for i := range tracked {
		tracked[i] = trackedLine{offset: uint32(10 + i), id: rig.ID(i)}
	}
	return newTracker(tracked, 5, 8, func(it item) { found = append(found, it) }), &found
}

// reveal is a gap as a test expects it.
type reveal struct {
	channel  rig.ID
	from, to rig.Instant
}

func gaps(items []item) []reveal {
	var g []reveal
	for _, it := range items {
		if it.kind == rig.Gap {
			g = append(g, reveal{it.channel, it.at - rig.Instant(it.value), it.at})
		}
	}
	return g
}

func TestTracker(t *testing.T) {
	for _, c := range []struct {
		name   string
		events []record // at, offset, seqno, lineSeqno, level
		want   []reveal // when all has settled
	}{
		{"nothing lost", []record{{10, 10, 1, 1, 1}, {20, 11, 2, 1, 1}, {30, 10, 3, 2, 0}}, nil},
		{"queue overflow", []record{{10, 10, 1, 1, 1}, {50, 10, 6, 6, 0}},
			[]reveal{{0, 10, 50}, {0, 10, 50}, {1, 10, 50}}},
		{"overflow before the first event", []record{{50, 10, 4, 4, 0}},
			[]reveal{{0, 5, 50}, {0, 5, 50}, {1, 5, 50}}},
		{"overflow of the other line, told by the request's number",
			[]record{{10, 10, 1, 1, 1}, {50, 10, 3, 2, 0}}, []reveal{{0, 10, 50}, {1, 10, 50}}},
		{"and once more by that line's own",
			[]record{{10, 10, 1, 1, 1}, {50, 10, 3, 2, 0}, {70, 11, 4, 2, 0}}, []reveal{{1, 5, 70}, {0, 10, 50}, {1, 10, 50}}},
		{"merged in the interrupt: numbered, never queued",
			[]record{{10, 10, 1, 1, 1}, {30, 10, 3, 2, 0}}, []reveal{{0, 10, 30}, {1, 10, 30}}},
		{"merged below the kernel: polarity repeats",
			[]record{{10, 10, 1, 1, 1}, {30, 10, 2, 2, 1}}, []reveal{{0, 10, 30}}},
		{"an even number merged below the kernel can't be seen",
			[]record{{10, 10, 1, 1, 1}, {40, 10, 2, 2, 0}}, nil},
		{"first polarity against the level at the start", []record{{10, 10, 1, 1, 0}}, []reveal{{0, 5, 10}}},
		{"but not for an edge from before the levels were read", []record{{7, 10, 1, 1, 0}, {10, 10, 2, 2, 1}}, nil},
		{"after which polarity alternates", []record{{7, 10, 1, 1, 1}, {10, 10, 2, 2, 1}}, []reveal{{0, 7, 10}}},
		{"queued the other way round", []record{{10, 10, 1, 1, 1}, {21, 11, 3, 1, 1}, {20, 10, 2, 2, 0}}, nil},
		{"a line's own number goes back", []record{{12, 10, 3, 1, 1}, {11, 11, 2, 1, 1}, {10, 11, 1, 1, 1}},
			[]reveal{{1, 10, 11}}}, // as a kernel never does
		{"one of a hole comes late, at its start", []record{{40, 10, 4, 1, 1}, {10, 11, 1, 1, 1}},
			[]reveal{{0, 5, 40}, {1, 5, 40}}},
		{"in its middle", []record{{40, 10, 4, 1, 1}, {20, 11, 2, 1, 1}},
			[]reveal{{0, 5, 40}, {1, 5, 40}, {0, 5, 40}, {1, 5, 40}}},
		{"at its end", []record{{40, 10, 4, 1, 1}, {30, 11, 3, 1, 1}},
			[]reveal{{0, 5, 40}, {1, 5, 40}}},
		{"stamp and number of two lines the other way round", []record{{11, 10, 1, 1, 1}, {10, 11, 3, 1, 1}},
			[]reveal{{0, 10, 11}, {1, 10, 11}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr, found := follower(2)
			for _, r := range c.events {
				if err := tr.take(r); err != nil {
					t.Fatal(err)
				}
			}
			tr.settle(rig.Never)
			if got := gaps(*found); !slices.Equal(got, c.want) {
				t.Errorf("gaps %v, want %v", got, c.want)
			}
		})
	}
}

func TestTrackerWaitsBeforeItTells(t *testing.T) {
	tr, found := follower(1)
	if err := tr.take(record{at: 100, offset: 10, seqno: 2, lineSeqno: 1, level: 1}); err != nil {
		t.Fatal(err)
	}
	if tr.settle(99); len(gaps(*found)) != 0 {
		t.Errorf("told at 99: %v", gaps(*found))
	}
	if tr.settle(100); len(gaps(*found)) != 1 {
		t.Errorf("at 100 the hole was told %d times", len(gaps(*found)))
	}
	if tr.settle(101); len(gaps(*found)) != 1 || len(tr.holes) != 0 {
		t.Errorf("at 101 the hole was told %d times", len(gaps(*found)))
	}
}

func TestTrackerUnknownLine(t *testing.T) {
	tr, _ := follower(2)
	if err := tr.take(record{at: 10, offset: 12, seqno: 1, lineSeqno: 1}); err == nil {
		t.Error("an event of a line that was not requested was accepted")
	}
}

// fate is what becomes of an edge on its way through the kernel.
type fate int

const (
	told      fate = iota
	dropped        // numbered and queued, then pushed out of the full queue
	coalesced      // numbered, but the next edge of the line came before its thread ran
	merged         // never seen by the kernel's handler
)

// trueEdge is an edge that did happen.
type trueEdge struct {
	record
	line int
	fate fate
}

// kernel draws a course of edges and numbers them as the kernel would.
func kernel(t *rapid.T, lines int, base uint32, fates []fate) []trueEdge {
	seqno, level := base, make([]int64, lines)
	lineSeqno := make([]uint32, lines)
	for i := range lineSeqno {
		lineSeqno[i] = base
	}
	var edges []trueEdge
	at := rig.Instant(10)
	for range rapid.IntRange(1, 60).Draw(t, "edges") {
		i := rapid.IntRange(0, lines-1).Draw(t, "line")
		e := trueEdge{line: i, fate: rapid.SampledFrom(fates).Draw(t, "fate")}
		at += rig.Instant(rapid.IntRange(1, 9).Draw(t, "later"))
		level[i] = 1 - level[i]
		if e.fate != merged {
			seqno++
		}
		if e.fate == told || e.fate == dropped {
			lineSeqno[i]++
		}
		e.record = record{at, uint32(10 + i), seqno, lineSeqno[i], level[i]}
		edges = append(edges, e)
	}
	return edges
}

// queued returns the edges that are told, in the order in which the threads
// queue them: lines may overtake one another, a line never itself.
func queued(t *rapid.T, edges []trueEdge) []record {
	var q []record
	for _, e := range edges {
		if e.fate != told {
			continue
		}
		q = append(q, e.record)
		for i := len(q) - 1; i > 0 && q[i-1].offset != q[i].offset && rapid.Bool().Draw(t, "overtake"); i-- {
			q[i-1], q[i] = q[i], q[i-1]
		}
	}
	return q
}

// near starts numbers at 0 or close to where they wrap around.
func near(t *rapid.T) uint32 {
	return rapid.SampledFrom([]uint32{0, 1<<32 - 1, 1<<32 - 7, 1<<31 - 3}).Draw(t, "base")
}

func track(t *rapid.T, lines int, base uint32, events []record) []item {
	tr, found := follower(lines)
	tr.next = base + 1
	for i := range tr.lines {
		tr.lines[i].next = base + 1
	}
	for _, r := range events {
		if err := tr.take(r); err != nil {
			t.Fatal(err)
		}
	}
	tr.settle(rig.Never)
	return *found
}

// TestNoFalseGap: where nothing is lost, no gap is told, in whatever order the
// threads queue, and each edge comes out.
func TestNoFalseGap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines, base := rapid.IntRange(1, 4).Draw(t, "lines"), near(t)
		edges := kernel(t, lines, base, []fate{told})
		found := track(t, lines, base, queued(t, edges))
		if len(found) != len(edges) || len(gaps(found)) != 0 {
			t.Fatalf("%d edges gave %v", len(edges), found)
		}
	})
}

// TestEveryNumberedLossIsTold: every edge that was dropped from the queue or
// coalesced in the interrupt lies within a gap of its line, if a later edge of
// the request came through.
func TestEveryNumberedLossIsTold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines, base := rapid.IntRange(1, 4).Draw(t, "lines"), near(t)
		edges := kernel(t, lines, base, []fate{told, told, dropped, coalesced, merged})
		found := track(t, lines, base, queued(t, edges))
		lastTold := -1
		for i, e := range edges {
			if e.fate == told {
				lastTold = i
			}
		}
		for _, e := range edges[:lastTold+1] {
			if (e.fate == dropped || e.fate == coalesced) && !covered(gaps(found), e) {
				t.Fatalf("no gap tells of %+v; found %v", e, found)
			}
		}
	})
}

// TestOddMergersAreTold: edges merged below the kernel are noticed if their
// number between two events of the line is odd. If it is even, nothing shows;
// this is the limit that MinPulse stands for.
func TestOddMergersAreTold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines, base := rapid.IntRange(1, 4).Draw(t, "lines"), near(t)
		edges := kernel(t, lines, base, []fate{told, told, merged})
		found := gaps(track(t, lines, base, queued(t, edges)))
		lost := make([][]trueEdge, lines)
		for _, e := range edges {
			if e.fate == merged {
				lost[e.line] = append(lost[e.line], e)
				continue
			}
			for _, m := range lost[e.line] {
				if odd := len(lost[e.line])%2 == 1; odd != covered(found, m) {
					t.Fatalf("%d merged, of which %+v; gaps %v", len(lost[e.line]), m, found)
				}
			}
			lost[e.line] = nil
		}
	})
}

func covered(gaps []reveal, e trueEdge) bool {
	return slices.ContainsFunc(gaps, func(g reveal) bool {
		return g.channel == rig.ID(e.line) && g.from <= e.at && e.at <= g.to
	})
}
