package virtual

import (
	"container/heap"

	"drench/rig"
)

// A timer calls fire once its instant has come. A component makes its timers
// when the world is built and sets them again and again, so that the running
// world allocates nothing for them.
type timer struct {
	at    rig.Instant
	seq   uint64
	place int // in the heap, -1 while not set
	fire  func()
}

// queue is the world's clock: timers in the order of their instants, those of
// one instant in the order in which they were set.
type queue struct {
	now  rig.Instant
	seq  uint64
	heap timerHeap
}

func newTimer(fire func()) *timer { return &timer{place: -1, fire: fire} }

// set has t fire at an instant, or now if that has passed. An earlier setting
// is forgotten; rig.Never only stops it.
func (q *queue) set(t *timer, at rig.Instant) {
	if at == rig.Never {
		q.stop(t)
		return
	}
	q.seq++
	t.at, t.seq = max(at, q.now), q.seq
	if t.place < 0 {
		heap.Push(&q.heap, t)
		return
	}
	heap.Fix(&q.heap, t.place)
}

func (q *queue) stop(t *timer) {
	if t.place >= 0 {
		heap.Remove(&q.heap, t.place)
	}
}

func (t *timer) pending() bool { return t.place >= 0 }

// next is the instant of the earliest timer.
func (q *queue) next() rig.Instant {
	if len(q.heap) == 0 {
		return rig.Never
	}
	return q.heap[0].at
}

// step advances the clock to the earliest timer and fires it.
func (q *queue) step() {
	t := heap.Pop(&q.heap).(*timer)
	q.now = t.at
	t.fire()
}

type timerHeap []*timer

func (h timerHeap) Len() int { return len(h) }
func (h timerHeap) Less(i, j int) bool {
	return h[i].at < h[j].at || h[i].at == h[j].at && h[i].seq < h[j].seq
}
func (h timerHeap) Swap(i, j int) {
	h[i], h[j] = h[j], h[i]
	h[i].place, h[j].place = i, j
}
func (h *timerHeap) Push(x any) {
	t := x.(*timer)
	t.place = len(*h)
	*h = append(*h, t)
}
func (h *timerHeap) Pop() any {
	last := len(*h) - 1
	t := (*h)[last]
	(*h)[last] = nil
	*h = (*h)[:last]
	t.place = -1
	return t
}
