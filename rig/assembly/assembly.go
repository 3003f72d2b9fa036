// Package assembly makes a bench out of parts: outputs that can be set, gauges
// and lines that can be read, and sources of events. It knows the parts by
// small interfaces only, so a part may be a driver, or a fake.
package assembly

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"

	"drench/rig"
)

// Setter drives an output, in the nano unit of its channel (see rig.Unit), and
// tells when, on the bench's clock (see rig.Bench). 0 is off, and must work
// whatever the state of what is driven.
type Setter interface {
	Set(ctx context.Context, v int64) (rig.Instant, error)
}

// Reader reads a gauge, the level of an input, or what an output has.
type Reader interface {
	Read(ctx context.Context) (int64, error)
}

// Source gives events of one or several channels in order. Next waits for the
// next one, or returns ok = false once the bench's clock has reached until. It
// is called from one goroutine, and must return when its context ends. After an
// error it is not called again.
type Source interface {
	Next(ctx context.Context, until rig.Instant) (ev rig.Event, ok bool, err error)
}

// SetterFunc, ReaderFunc and SourceFunc make parts of functions.
type (
	SetterFunc func(ctx context.Context, v int64) (rig.Instant, error)
	ReaderFunc func(ctx context.Context) (int64, error)
	SourceFunc func(ctx context.Context, until rig.Instant) (rig.Event, bool, error)
)

// Set calls f.
func (f SetterFunc) Set(ctx context.Context, v int64) (rig.Instant, error) { return f(ctx, v) }

// Read calls f.
func (f ReaderFunc) Read(ctx context.Context) (int64, error) { return f(ctx) }

// Next calls f.
func (f SourceFunc) Next(ctx context.Context, until rig.Instant) (rig.Event, bool, error) {
	return f(ctx, until)
}

// Channel is a channel with what serves it.
type Channel struct {
	rig.Channel
	Set  Setter // outputs have one
	Read Reader // gauges and inputs have one; an output without one tells what it was set to last
	// Wire, if it is not 0, says that Set and Read wait on a wire. They are then
	// called from a goroutine of their own: Set gives the order and returns
	// rig.Pending, Ask returns the newest reading, no older than Wire.
	Wire time.Duration
}

// NamedSource is a source with a name for errors.
type NamedSource struct {
	Name string
	Source
}

// Parts are what a bench is made of.
type Parts struct {
	Channels []Channel // their place in the list is their ID
	Sources  []NamedSource
	Now      func() rig.Instant // the clock that events are stamped with
	// Close has what is to be closed with the bench, in the order in which it
	// was opened; the last is closed first.
	Close []io.Closer
}

// queueLength is how many events wait for whoever awaits them, all sources
// together. A source then waits with its next one, and does with its backlog
// what it does with a slow reader.
const queueLength = 256

// Bench is a rig.Bench of parts. Like every Bench it is used from one
// goroutine.
type Bench struct {
	parts  Parts
	table  []rig.Channel
	last   []int64 // set last, by channel
	off    []bool  // output is known to be at 0
	wires  []*wire // by channel, nil for those that wait on none
	queue  chan item
	told   chan item // outcomes of orders: a flood of events keeps no wire from its next order
	timer  *time.Timer
	ctx    context.Context // of the sources
	stop   context.CancelFunc
	flows  sync.WaitGroup
	failed error
	closed bool
}

// item is an event, or how a source ended.
type item struct {
	ev  rig.Event
	err error
}

// ErrClosed is what a closed bench returns.
var ErrClosed = errors.New("the bench is closed")

// New makes a bench, takes a first reading of gauges behind wires, and starts to
// listen to its sources. It sets nothing. On an error the parts stay the
// caller's to close.
func New(p Parts) (*Bench, error) {
	n := len(p.Channels)
	b := &Bench{parts: p, last: make([]int64, n), off: make([]bool, n), wires: make([]*wire, n), queue: make(chan item, queueLength), told: make(chan item, 16*n)}
	if p.Now == nil {
		return nil, errors.New("assemble the bench: there is no clock")
	}
	for i, c := range p.Channels {
		if err := c.check(p.Channels[:i]); err != nil {
			return nil, fmt.Errorf("assemble the bench: channel %q %w", c.Name, err)
		}
		b.table = append(b.table, c.Channel)
	}
	b.timer = time.NewTimer(0)
	b.timer.Stop()
	b.ctx, b.stop = context.WithCancel(context.Background())
	for _, s := range p.Sources {
		b.flows.Go(func() { b.follow(s) })
	}
	b.connect()
	return b, nil
}

// connect serves the channels that wait on wires.
func (b *Bench) connect() {
	var first sync.WaitGroup
	for i := range b.parts.Channels {
		c := &b.parts.Channels[i]
		if c.Wire == 0 {
			continue
		}
		w := newWire(c, rig.ID(i), b.Now, func(it item) { b.deliver(b.told, it) })
		b.wires[i] = w
		first.Add(1)
		b.flows.Go(func() {
			if c.Read != nil {
				w.look(b.ctx)
			}
			first.Done()
			w.run(b.ctx)
		})
	}
	first.Wait()
}

// deliver queues an item for Await, unless the bench ends before there is room.
func (b *Bench) deliver(to chan<- item, it item) {
	select {
	case to <- it:
	case <-b.ctx.Done():
	}
}

// check refuses a channel that can't work.
func (c Channel) check(before []Channel) error {
	switch {
	case !rig.ValidName(c.Name):
		return errors.New("has no valid name; expected small letters, digits and _, beginning with a letter")
	case slices.ContainsFunc(before, func(o Channel) bool { return o.Name == c.Name }):
		return errors.New("is there twice; expected each channel once")
	case (c.Dir == rig.Output) != (c.Set != nil):
		return fmt.Errorf("is an %v, but set by %T; expected a setter for an output, none elsewhere", c.Dir, c.Set)
	case (c.Dir == rig.Input || c.Dir == rig.Gauge) && c.Read == nil:
		return fmt.Errorf("is an %v without a reader", c.Dir)
	}
	return nil
}

// follow brings a source's events into the queue until it ends.
func (b *Bench) follow(s NamedSource) {
	for {
		ev, ok, err := s.Next(b.ctx, rig.Never)
		switch {
		case b.ctx.Err() != nil:
			return
		case err != nil:
			err = fmt.Errorf("listen to %s: %w", s.Name, err)
		case !ok:
			err = fmt.Errorf("listen to %s: it gives no more events", s.Name)
		case int(ev.Channel) >= len(b.table):
			err = fmt.Errorf("listen to %s: it gave an event of channel %d; the bench has %d channels", s.Name, ev.Channel, len(b.table))
		}
		b.deliver(b.queue, item{ev, err})
		if err != nil {
			return
		}
	}
}

// Channels implements rig.Bench.
func (b *Bench) Channels() []rig.Channel { return b.table }

// Now implements rig.Bench.
func (b *Bench) Now() rig.Instant { return b.parts.Now() }

// Set implements rig.Bench. An output that waits on a wire is rig.Pending.
func (b *Bench) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	if err := b.ready(ctx, ch); err != nil {
		return 0, err
	}
	c := &b.parts.Channels[ch]
	switch {
	case c.Set == nil:
		return 0, fmt.Errorf("%s is no output", c.Name)
	case v < 0 || c.Unit == rig.Level && v > 1:
		return 0, fmt.Errorf("set %s to %v: out of range; expected 0 or more, for a level 0 or 1", c.Name, rig.Quantity{N: v, Unit: c.Unit})
	}
	if w := b.wires[ch]; w != nil {
		w.set(v)
		return rig.Pending, nil
	}
	return b.drive(ctx, ch, v)
}

// drive sets an output and remembers it.
func (b *Bench) drive(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	c := &b.parts.Channels[ch]
	b.off[ch] = false // whatever becomes of it
	at, err := c.Set.Set(ctx, v)
	if err != nil {
		return 0, fmt.Errorf("set %s to %v: %w", c.Name, rig.Quantity{N: v, Unit: c.Unit}, err)
	}
	b.last[ch], b.off[ch] = v, v == 0
	return at, nil
}

// Ask implements rig.Bench. Beyond gauges and inputs it reads back outputs.
func (b *Bench) Ask(ctx context.Context, ch rig.ID) (int64, error) {
	v, _, err := b.Sample(ctx, ch)
	return v, err
}

// Sample implements rig.Sampler.
func (b *Bench) Sample(ctx context.Context, ch rig.ID) (int64, rig.Instant, error) {
	if err := b.ready(ctx, ch); err != nil {
		return 0, 0, err
	}
	c := &b.parts.Channels[ch]
	switch {
	case b.wires[ch] != nil:
		return b.wires[ch].sample()
	case c.Read != nil:
	case c.Dir == rig.Output:
		return b.last[ch], b.Now(), nil
	default:
		return 0, 0, fmt.Errorf("%s can't be asked", c.Name)
	}
	v, err := c.Read.Read(ctx)
	if err != nil {
		return 0, 0, fmt.Errorf("ask %s: %w", c.Name, err)
	}
	return v, b.Now(), nil
}

func (b *Bench) ready(ctx context.Context, ch rig.ID) error {
	switch {
	case b.closed:
		return ErrClosed
	case int(ch) >= len(b.table):
		return fmt.Errorf("the bench has no channel %d", ch)
	}
	return ctx.Err()
}

// Await implements rig.Bench: the events of each source come in its order,
// those of several as they come in. A source that fails makes it fail, after
// the source's events, and from then on.
func (b *Bench) Await(ctx context.Context, until rig.Instant) (rig.Event, bool, error) {
	for {
		switch {
		case b.closed:
			return rig.Event{}, false, ErrClosed
		case b.failed != nil:
			return rig.Event{}, false, b.failed
		case ctx.Err() != nil:
			return rig.Event{}, false, ctx.Err()
		}
		select {
		case it := <-b.told:
			return b.take(it)
		case it := <-b.queue:
			return b.take(it)
		default:
		}
		left := until.Sub(b.Now())
		if left <= 0 {
			return rig.Event{}, false, nil
		}
		b.timer.Reset(left)
		select {
		case it := <-b.told:
			b.timer.Stop()
			return b.take(it)
		case it := <-b.queue:
			b.timer.Stop()
			return b.take(it)
		case <-b.timer.C:
		case <-ctx.Done():
			b.timer.Stop()
		}
	}
}

func (b *Bench) take(it item) (rig.Event, bool, error) {
	if it.err != nil {
		var slow *rig.SetError
		if !errors.As(it.err, &slow) {
			b.failed = it.err
		}
		return rig.Event{}, false, it.err
	}
	return it.ev, true, nil
}

// offWithin is how long each output gets to go off at the end.
const offWithin = 5 * time.Second

// Close sets every output to 0 that is not known to be there, in the order of a
// trip (see rig.Hazard); then it ends the sources, and closes what the bench
// was made of, the last opened first. It does all of that even after errors.
func (b *Bench) Close() error {
	if b.closed {
		return nil
	}
	errs := []error{b.safe()}
	b.closed = true
	b.stop()
	b.flows.Wait()
	for _, c := range slices.Backward(b.parts.Close) {
		errs = append(errs, c.Close())
	}
	return errors.Join(errs...)
}

// safe switches off what is not known to be off. What waits on wires is told
// first and waited for last, so that it keeps nothing else waiting.
func (b *Bench) safe() error {
	var on []rig.ID
	orders := map[rig.ID]*order{}
	for i, c := range b.table {
		switch w := b.wires[i]; {
		case c.Dir != rig.Output:
		case w != nil && !w.safe():
			orders[rig.ID(i)] = w.set(0)
		case w == nil && !b.off[i]:
			on = append(on, rig.ID(i))
		}
	}
	slices.SortStableFunc(on, func(x, y rig.ID) int { return int(b.table[x].Hazard) - int(b.table[y].Hazard) })
	var errs []error
	for _, id := range on {
		ctx, cancel := context.WithTimeout(context.Background(), offWithin)
		_, err := b.drive(ctx, id, 0)
		errs = append(errs, err)
		cancel()
	}
	return errors.Join(append(errs, b.waitFor(orders))...)
}

// waitFor waits for orders to go off.
func (b *Bench) waitFor(orders map[rig.ID]*order) error {
	var errs []error
	late := time.After(2 * offWithin)
	for id, o := range orders {
		select {
		case err := <-o.done:
			errs = append(errs, err)
		case <-late:
			errs = append(errs, fmt.Errorf("set %s to 0: no word of it after %v; switch it off by hand", b.table[id].Name, 2*offWithin))
		}
	}
	return errors.Join(errs...)
}
