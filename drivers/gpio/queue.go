package gpio

import (
	"context"
	"sync"
	"time"

	"drench/rig"
)

// holdBack is how long an event is held after its stamp, so that events of
// other lines with earlier stamps can overtake it. It covers the latency of the
// kernel's interrupt threads and of the readers (common practice, no source).
const holdBack = 5 * time.Millisecond

// queueLength is how many events wait for a consumer that does not take them:
// over six seconds at 10 kHz.
const queueLength = 1 << 16

// item is a rig.Event without its text, with the number that breaks ties.
type item struct {
	at      rig.Instant
	value   int64
	seqno   uint32
	channel rig.ID
	kind    rig.Kind
}

// precedes orders by stamp; at one stamp the gap comes before the edge that
// revealed it, then the kernel's number decides.
func (a item) precedes(b item) bool {
	switch {
	case a.at != b.at:
		return a.at < b.at
	case a.kind != b.kind:
		return a.kind == rig.Gap
	default:
		return int32(a.seqno-b.seqno) < 0
	}
}

// queue merges the events of all requests in order of their stamps. It is a
// ring of fixed size, so that a consumer that falls behind costs neither memory
// nor the readers' time; what does not fit becomes gaps.
type queue struct {
	mu       sync.Mutex
	ring     []item
	head     int
	count    int
	shedding bool // full: nothing is taken until half is free
	shed     map[rig.ID]span
	trackers []*tracker
	err      error
	ready    chan struct{} // has a value when something changed
}

// span is the stretch of time from which a channel's events were shed.
type span struct{ from, to rig.Instant }

// newQueue makes a queue for the given number of events, which must be more
// than four times that of the channels.
func newQueue(length int) *queue {
	return &queue{ring: make([]item, length), shed: map[rig.ID]span{}, ready: make(chan struct{}, 1)}
}

func (q *queue) at(i int) *item { return &q.ring[(q.head+i)%len(q.ring)] }

// follow adds a request's tracker, whose findings must go to q.push.
func (q *queue) follow(t *tracker) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.trackers = append(q.trackers, t)
}

// add checks the events that were read by now and takes them in.
func (q *queue) add(t *tracker, records []record, now rig.Instant) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	defer q.signal()
	for _, r := range records {
		if err := t.take(r); err != nil {
			return err
		}
	}
	t.settle(now.Add(-holdBack))
	return nil
}

// fail ends the queue: pop returns err once it is empty.
func (q *queue) fail(err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.err == nil {
		q.err = err
	}
	q.signal()
}

func (q *queue) signal() {
	select {
	case q.ready <- struct{}{}:
	default:
	}
}

// push inserts from the back: events come nearly in order.
func (q *queue) push(it item) {
	if q.shedding || q.count == len(q.ring) {
		q.lose(it)
		return
	}
	i := q.count
	q.count++
	for ; i > 0 && it.precedes(*q.at(i - 1)); i-- {
		*q.at(i) = *q.at(i - 1)
	}
	*q.at(i) = it
}

func (q *queue) lose(it item) {
	q.shedding = true
	from := it.at
	if it.kind == rig.Gap {
		from = from.Add(-time.Duration(it.value))
	}
	s, ok := q.shed[it.channel]
	if !ok {
		s = span{from, it.at}
	}
	q.shed[it.channel] = span{min(s.from, from), max(s.to, it.at)}
}

// resume tells what was shed, once half of the ring is free again.
func (q *queue) resume() {
	if !q.shedding || q.count > len(q.ring)/2 {
		return
	}
	q.shedding = false
	for id, s := range q.shed {
		q.push(gap(id, s.from, s.to, 0))
	}
	clear(q.shed)
}

// pop returns the oldest event if it has been held back long enough at now and
// is not later than until. If there is none, wake is when there may be one (or
// Never), and err is why there will be none.
func (q *queue) pop(now, until rig.Instant) (ev rig.Event, ok bool, wake rig.Instant, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, t := range q.trackers {
		t.settle(now.Add(-holdBack))
	}
	if q.count == 0 {
		return ev, false, rig.Never, q.err
	}
	it := *q.at(0)
	if due := it.at.Add(holdBack); due > now || it.at > until {
		return ev, false, due, nil
	}
	q.head = (q.head + 1) % len(q.ring)
	q.count--
	q.resume()
	return rig.Event{At: it.at, Kind: it.kind, Channel: it.channel, Value: it.value}, true, 0, nil
}

// wait returns when something changed, the time is over or the context done.
func (q *queue) wait(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-q.ready:
	case <-timer.C:
	case <-ctx.Done():
	}
}
