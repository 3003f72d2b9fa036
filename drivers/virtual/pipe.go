package virtual

import "drench/rig"

// A pipe holds values that arrive later, in the order in which they were sent:
// drops in the air, commands on their way to an instrument.
type pipe[T any] struct {
	queue  *queue
	timer  *timer
	flight []parcel[T]
	arrive func(T)
}

type parcel[T any] struct {
	at    rig.Instant
	value T
}

func newPipe[T any](q *queue, arrive func(T)) *pipe[T] {
	p := &pipe[T]{queue: q, arrive: arrive}
	p.timer = newTimer(p.deliver)
	return p
}

// send has v arrive at an instant, but not before what was sent earlier.
func (p *pipe[T]) send(at rig.Instant, v T) {
	if n := len(p.flight); n > 0 {
		at = max(at, p.flight[n-1].at)
	}
	p.flight = append(p.flight, parcel[T]{at, v})
	if len(p.flight) == 1 {
		p.queue.set(p.timer, at)
	}
}

func (p *pipe[T]) deliver() {
	v := p.flight[0].value
	n := copy(p.flight, p.flight[1:])
	p.flight = p.flight[:n]
	if n > 0 {
		p.queue.set(p.timer, p.flight[0].at)
	}
	p.arrive(v)
}
