package gpio

import (
	"fmt"
	"slices"

	"drench/rig"
)

// tracker looks for lost edges among the events of one line request. It knows
// what each check can see:
//
//   - The request's sequence number is stepped in the interrupt handler, so a
//     jump means an edge of some line that was never queued or was pushed out
//     of a full queue. Threads of two lines may queue their events the other
//     way round, so a jump becomes a loss only if the missing number has not
//     come a hold-back later.
//   - The line's own sequence number is stepped when the event is queued, so a
//     jump means a full queue.
//   - A line's polarity must alternate. A repeat means that edges merged before
//     the kernel could tell them apart, which leaves no jump in either number.
//     Only an odd number of merged edges shows; so completeness can be claimed
//     only for pulses longer than MinPulse.
//
// Numbers are 32 bits wide, start at 1 and wrap around. A loss is told with
// the event that reveals it, so one at the very end stays unknown until the
// next edge.
type tracker struct {
	lines []trackedLine
	start rig.Instant // the levels were read up to here
	next  uint32      // the request's number expected next
	last  rig.Instant // latest stamp in the sequence
	holes []hole
	out   func(item)
}

type trackedLine struct {
	offset uint32
	id     rig.ID
	level  int64
	next   uint32      // the line's number expected next
	last   rig.Instant // latest stamp of the line
}

// hole is a run of numbers that have not come yet.
type hole struct {
	first, count uint32
	from, to     rig.Instant // stamps of the events on either side
}

// newTracker starts with the levels that the lines had at start; requested is
// an instant before the request. What is found goes to out.
func newTracker(lines []trackedLine, requested, start rig.Instant, out func(item)) *tracker {
	t := &tracker{lines: lines, start: start, next: 1, last: requested, out: out}
	for i := range lines {
		lines[i].next, lines[i].last = 1, requested
	}
	return t
}

// take checks one event and passes it on, after the gap that it reveals on its
// line. An event of a line that was not requested is an error.
func (t *tracker) take(r record) error {
	i := slices.IndexFunc(t.lines, func(l trackedLine) bool { return l.offset == r.offset })
	if i < 0 {
		return fmt.Errorf("event of line %d, which was not requested", r.offset)
	}
	t.sequence(r)
	l := &t.lines[i]
	// An edge from before the levels were read may or may not be in them.
	repeated := r.level == l.level && r.at > t.start
	if r.lineSeqno != l.next || repeated {
		t.out(gap(l.id, l.last, r.at, r.seqno))
	}
	l.level, l.next, l.last = r.level, r.lineSeqno+1, max(l.last, r.at)
	t.out(item{at: r.at, kind: rig.Edge, channel: l.id, value: r.level, seqno: r.seqno})
	return nil
}

// sequence follows the request's number.
func (t *tracker) sequence(r record) {
	ahead := int32(r.seqno - t.next)
	if ahead < 0 {
		t.fill(r.seqno)
		return
	}
	if ahead > 0 {
		t.holes = append(t.holes, hole{t.next, uint32(ahead), t.last, r.at})
	}
	t.next, t.last = r.seqno+1, max(t.last, r.at)
}

// fill takes a number that came late out of its hole. If it is in none, its
// hole has become a gap already, and stays one.
func (t *tracker) fill(seqno uint32) {
	for i, h := range t.holes {
		before := seqno - h.first
		if before >= h.count {
			continue
		}
		left, right := h, h
		left.count = before
		right.first, right.count = seqno+1, h.count-before-1
		var rest []hole
		for _, part := range [...]hole{left, right} {
			if part.count > 0 {
				rest = append(rest, part)
			}
		}
		t.holes = slices.Replace(t.holes, i, i+1, rest...)
		return
	}
}

// settle turns the holes that end at or before the given instant into gaps: on
// every line, as the number does not tell whose edge is missing.
func (t *tracker) settle(before rig.Instant) {
	t.holes = slices.DeleteFunc(t.holes, func(h hole) bool {
		if h.to > before {
			return false
		}
		for _, l := range t.lines {
			t.out(gap(l.id, h.from, h.to, h.first))
		}
		return true
	})
}

// gap says that edges were lost between two instants. Stamps of two lines may
// be the other way round by the time between stamp and number.
func gap(id rig.ID, from, to rig.Instant, seqno uint32) item {
	from, to = min(from, to), max(from, to)
	return item{at: to, kind: rig.Gap, channel: id, value: int64(to.Sub(from)), seqno: seqno}
}
