package assembly

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"drench/rig"
)

// errOvertaken is how an order ends that a later one has overtaken.
var errOvertaken = errors.New("overtaken by a later order")

// wire serves a channel whose part waits on a wire, from a goroutine of its
// own. One thing is done at a time: an order to go off before anything else,
// and what is at work then is given up; other orders before readings.
type wire struct {
	channel *Channel
	id      rig.ID
	now     func() rig.Instant
	deliver func(item)
	wake    chan struct{}

	mu     sync.Mutex // guards the rest
	next   *order
	wanted bool               // a reading
	giveUp context.CancelFunc // of what is at work, unless that is an order to go off
	orders int                // at work or next

	value int64 // read last
	at    rig.Instant
	alive rig.Instant // since then the reading ages: when it was taken, or the last order ended
	err   error       // of the last attempt to read
	read  bool        // there is a reading
	last  int64       // set last
	off   bool        // known to be at 0
}

// order is a value to set; done gets the outcome.
type order struct {
	v    int64
	done chan error
}

func newWire(c *Channel, id rig.ID, now func() rig.Instant, deliver func(item)) *wire {
	return &wire{channel: c, id: id, now: now, deliver: deliver, wake: make(chan struct{}, 1), alive: now()}
}

// run works until the context ends. When nobody asks, a gauge is read twice in
// the time that a reading may age, so that there is one when somebody does.
func (w *wire) run(ctx context.Context) {
	t := time.NewTicker(w.channel.Wire / 2)
	defer t.Stop()
	for {
		for w.work(ctx) {
		}
		select {
		case <-ctx.Done():
			return
		case <-w.wake:
		case <-t.C:
			w.mu.Lock()
			w.wanted = true
			w.mu.Unlock()
		}
	}
}

// work does what is next, and tells whether there was anything.
func (w *wire) work(ctx context.Context) bool {
	w.mu.Lock()
	o, wanted := w.next, w.wanted && w.channel.Read != nil
	w.next, w.wanted = nil, false
	if o == nil && !wanted || ctx.Err() != nil {
		w.mu.Unlock()
		return false
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	w.giveUp = cancel
	if o != nil && o.v == 0 {
		w.giveUp = func() {}
	}
	w.mu.Unlock()
	if o != nil {
		w.obey(ctx, o)
	} else {
		w.look(ctx)
	}
	return true
}

// obey carries out an order and delivers the outcome.
func (w *wire) obey(ctx context.Context, o *order) {
	at, err := w.channel.Set.Set(ctx, o.v)
	w.mu.Lock()
	overtaken := err != nil && ctx.Err() != nil
	w.orders--
	w.alive = w.now()
	w.off = err == nil && o.v == 0
	if err == nil {
		w.last = o.v
	}
	w.mu.Unlock()
	switch {
	case overtaken:
		o.done <- errOvertaken
	case err != nil:
		err = fmt.Errorf("set %s to %v: %w", w.channel.Name, rig.Quantity{N: o.v, Unit: w.channel.Unit}, err)
		o.done <- err
		w.deliver(item{err: &rig.SetError{Channel: w.id, Err: err}})
	default:
		o.done <- nil
		w.deliver(item{ev: rig.Event{At: at, Kind: rig.Command, Channel: w.id, Value: o.v}})
	}
}

// look takes a reading, which is stamped with when that began.
func (w *wire) look(ctx context.Context) {
	at := w.now()
	v, err := w.channel.Read.Read(ctx)
	w.mu.Lock()
	defer w.mu.Unlock()
	if err != nil && ctx.Err() != nil {
		return // given up
	}
	if w.err = err; err == nil {
		w.value, w.at, w.alive, w.read = v, at, at, true
	}
}

// set orders a value. An order that waits is overtaken, and one to go off
// overtakes what is at work too.
func (w *wire) set(v int64) *order {
	o := &order{v, make(chan error, 1)}
	w.mu.Lock()
	if w.next != nil {
		w.next.done <- errOvertaken
		w.orders--
	}
	w.next = o
	w.orders++
	w.off = false
	if v == 0 && w.giveUp != nil {
		w.giveUp()
	}
	w.mu.Unlock()
	w.nudge()
	return o
}

func (w *wire) nudge() {
	select {
	case w.wake <- struct{}{}:
	default: // it is awake
	}
}

// sample returns the newest reading and asks for another. One older than the
// channel allows is an error, unless it is because an order is at work, which
// has a limit of its own.
func (w *wire) sample() (int64, rig.Instant, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.channel.Read == nil {
		return w.last, w.now(), nil
	}
	w.wanted = true
	defer w.nudge()
	age := w.now().Sub(w.alive)
	switch {
	case w.read && (w.orders > 0 || age <= w.channel.Wire):
		return w.value, w.at, nil
	case w.err != nil:
		return 0, 0, fmt.Errorf("ask %s: no reading for %v: %w", w.channel.Name, age.Round(time.Millisecond), w.err)
	}
	return 0, 0, fmt.Errorf("ask %s: no reading for %v; it is slow to answer", w.channel.Name, age.Round(time.Millisecond))
}

// safe tells whether the output is known to be off and nothing is ordered.
func (w *wire) safe() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.off && w.orders == 0
}
