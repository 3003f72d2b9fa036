// Package gpio drives a bench's output lines and captures the edges of its
// input lines, through the Linux GPIO character device (uAPI version 2, kernel
// 5.10 or later).
//
// The lines are periph pins in type and registry, but their requests are our
// own. An output gets direction, polarity, bias and start level in one request,
// so that it doesn't pulse; reading it leaves it an output. Edges carry the
// kernel's own stamp, and every lost edge that can be noticed becomes a
// rig.Gap (see MinPulse for what can't). The kernel's debounce is never used.
package gpio

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"drench/rig"

	periph "periph.io/x/conn/v3/gpio"
)

// MinPulse is the width of a pulse from which on a Bank claims to tell each
// edge, or else a gap. Two edges closer than the kernel's interrupt latency may
// merge, and an even number of merged edges can't be noticed. The width is a
// bound with room, not a measure (from memory: latencies are tens of µs).
const MinPulse = time.Millisecond

// Bank is a set of lines that were opened together. Its methods may be called
// from several goroutines, but Next from one at a time.
type Bank struct {
	resolved []Resolved
	pins     map[rig.ID]*linePin
	requests []*request
	queue    *queue
	names    []string // that were registered with periph
	readers  sync.WaitGroup
	closing  sync.Once
	closed   chan struct{}
	closeErr error
}

// Open requests the lines. Inputs are captured from now on; outputs drive their
// initial level. On an error no line stays requested: an error names the
// channel, the chip and the offset, and for a line in use its holder.
//
// Each line is also registered as a periph pin under its channel's name, and
// under the kernel's name for it where that is free.
func Open(ctx context.Context, lines []Line) (*Bank, error) {
	b, err := open(ctx, lines)
	if err != nil {
		return nil, fmt.Errorf("open GPIO lines: %w", err)
	}
	b.start()
	return b, nil
}

// open does all but starting the readers.
func open(ctx context.Context, lines []Line) (*Bank, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	chips, err := Inspect()
	if err != nil {
		return nil, err
	}
	at, err := resolve(chips, lines)
	if err != nil {
		return nil, err
	}
	plans, err := makePlans(chips, lines, at)
	if err != nil {
		return nil, err
	}
	b := newBank(at)
	for _, p := range plans {
		if err := b.request(p, lines); err != nil {
			b.Close()
			return nil, err
		}
	}
	if err := b.register(); err != nil {
		b.Close()
		return nil, err
	}
	return b, nil
}

func newBank(at []Resolved) *Bank {
	return &Bank{resolved: at, pins: map[rig.ID]*linePin{}, queue: newQueue(queueLength), closed: make(chan struct{})}
}

// Set drives an output and tells when it changed. A wide stamp (see
// WideBracket) is not an error: the output has its level.
func (b *Bank) Set(channel rig.ID, level periph.Level) (Stamp, error) {
	n, err := b.pin(channel)
	if err != nil {
		return Stamp{}, err
	}
	return n.set(level)
}

// Level reads the level that a line has now, an output's too.
func (b *Bank) Level(channel rig.ID) (periph.Level, error) {
	n, err := b.pin(channel)
	if err != nil {
		return periph.Low, err
	}
	return n.level()
}

func (b *Bank) pin(channel rig.ID) (*linePin, error) {
	if n, ok := b.pins[channel]; ok {
		return n, nil
	}
	return nil, fmt.Errorf("no GPIO line has the channel ID %d", channel)
}

// Next returns the next Edge or Gap of the inputs, or ok = false once the clock
// has reached until. Events come in order of their stamps, each some
// milliseconds after its stamp, so that lines merge in order; so an edge from
// just before until may come with the next call. An event that was held up for
// longer than that comes late rather than never.
//
// A chip that went away is an error, and a closed Bank is os.ErrClosed, both
// after the events that had come before.
func (b *Bank) Next(ctx context.Context, until rig.Instant) (rig.Event, bool, error) {
	for {
		if err := ctx.Err(); err != nil {
			return rig.Event{}, false, err
		}
		now := Now()
		ev, ok, wake, err := b.queue.pop(now, until)
		if ok || err != nil {
			return ev, ok, err
		}
		if now >= until {
			return rig.Event{}, false, nil
		}
		b.queue.wait(ctx, min(wake, until).Sub(now))
	}
}

// Resolved tells which lines the channels are, in the order given to Open.
func (b *Bank) Resolved() []Resolved { return append([]Resolved(nil), b.resolved...) }

// Close releases all lines; what an output does then is up to the chip. It
// wakes Next and every waiting pin.
func (b *Bank) Close() error {
	b.closing.Do(func() {
		close(b.closed)
		b.queue.fail(os.ErrClosed)
		b.unregister()
		var errs []error
		for _, r := range b.requests {
			errs = append(errs, r.file.Close())
		}
		b.readers.Wait()
		b.closeErr = errors.Join(errs...)
	})
	return b.closeErr
}
