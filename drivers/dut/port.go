// Package dut reads the DUT's UART as lines of text.
package dut

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"
	"unicode"

	"drench/rig"

	"golang.org/x/sys/unix"
)

// ErrClosed is what a closed port returns.
var ErrClosed = errors.New("the DUT's serial port is closed")

// Port is the DUT's serial line. Its methods may be called from any goroutine.
type Port struct {
	cfg     Config
	events  chan Event
	asks    chan ask
	quit    chan struct{}
	done    chan struct{}
	closing atomic.Bool
	dropped atomic.Uint64
	failed  error // of closing; set before done is closed

	link    atomic.Pointer[link] // nil while lost, or closed by a release
	low     atomic.Bool          // released with the link open
	writing chan struct{}        // held by whoever writes, and to close the link

	// The rest is the reading goroutine's own.
	split    splitter
	buffer   []byte
	seq      uint64
	first    bool
	released bool
	gone     rig.Instant                  // when it was lost or released
	pause    time.Duration                // before the next attempt to open
	space    func(l *link, on bool) error // takes the transmit line low, or lets it idle
}

// ask is a wish that the reading goroutine grants.
type ask struct {
	release bool
	granted chan error
}

// Open opens the port for this process alone and starts to read it. Opening
// raises DTR and RTS for some ms: a board that has them wired to its reset
// starts anew, so open once a run and wait for its banner.
func Open(ctx context.Context, cfg Config) (*Port, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("open serial port %s: %w", cfg.Port, err)
	}
	for _, p := range cfg.Check() {
		return nil, fmt.Errorf("open serial port %s: %s; expected %s", cfg.Port, p.What, p.Want)
	}
	if cfg.Baud == 0 {
		return nil, fmt.Errorf("open serial port %s: no baud rate; give baud in the rig file or in the DUT's profile", cfg.Port)
	}
	cfg = cfg.withDefaults()
	l, err := openLink(cfg.Port, cfg.Baud)
	if err != nil {
		return nil, err
	}
	p := &Port{
		cfg: cfg, first: true,
		events: make(chan Event, cfg.Queue), asks: make(chan ask), writing: make(chan struct{}, 1),
		quit: make(chan struct{}), done: make(chan struct{}),
		split: splitter{max: cfg.MaxLine}, buffer: make([]byte, 4096), space: (*link).space,
	}
	p.link.Store(l)
	go p.run()
	return p, nil
}

// Events gives lines and changes of the port in order. When nobody takes them
// the oldest are dropped, see Event.Seq. It is closed after Close.
func (p *Port) Events() <-chan Event { return p.events }

// Dropped counts the events that were dropped so far.
func (p *Port) Dropped() uint64 { return p.dropped.Load() }

// Release lets go of the DUT until Reacquire, before its supply is dipped: an
// idle transmit line is high, and feeds a DUT without supply. Release takes it
// low, by a break without end, and leaves the port open: lines still come, and
// a DUT that has DTR wired to its reset is left alone. If the port can't send a
// break it is closed, which ends DTR, RTS and traffic, but most bridges go on
// driving the line high then. Some drivers take the order for a break and send
// none. Whether something still feeds the DUT shows in the rail's readback, and
// only a switch or a resistor in the wire prevents it for sure.
func (p *Port) Release(ctx context.Context) error { return p.request(ctx, true) }

// Reacquire ends the break, or opens the port again. If that fails now, attempts
// go on as after an unplugging, and a Back event tells of success.
func (p *Port) Reacquire(ctx context.Context) error { return p.request(ctx, false) }

func (p *Port) request(ctx context.Context, release bool) error {
	a := ask{release, make(chan error, 1)}
	select {
	case p.asks <- a:
		return <-a.granted
	case <-p.done:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("wait for the serial port: %w", ctx.Err())
	}
}

// Write sends a line, which must be printable text, with LF at its end.
func (p *Port) Write(ctx context.Context, line string) error {
	if i := strings.IndexFunc(line, unicode.IsControl); i >= 0 || len(line) > p.cfg.MaxLine {
		return fmt.Errorf("write to the DUT: %.40q is no line; expected up to %d bytes without control characters", line, p.cfg.MaxLine)
	}
	select {
	case p.writing <- struct{}{}:
	case <-p.done:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("write to the DUT: an earlier line is stuck: %w", ctx.Err())
	}
	l := p.link.Load()
	if l == nil || p.low.Load() {
		<-p.writing
		if p.closing.Load() {
			return ErrClosed
		}
		return errors.New("write to the DUT: the port is released or lost")
	}
	sent := make(chan error, 1)
	go func() {
		err := l.send([]byte(line + "\n"))
		<-p.writing
		sent <- err
	}()
	select {
	case err := <-sent:
		if err != nil {
			return fmt.Errorf("write to the DUT: %w", err)
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("write to the DUT: %w", ctx.Err())
	}
}

// Close closes the port and ends Events. Closing again does nothing.
func (p *Port) Close() error {
	if p.closing.CompareAndSwap(false, true) {
		close(p.quit)
	}
	<-p.done
	return p.failed
}

// now is the clock that the kernel stamps edges with.
func now() rig.Instant {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		return 0 // only for a clock that the kernel does not have
	}
	return rig.Instant(t.Nano())
}

// emit queues an event in place of the oldest if there is no room. There is
// one sender, so the loop ends.
func (p *Port) emit(e Event) {
	p.seq++
	e.Seq = p.seq
	for {
		select {
		case p.events <- e:
			return
		default:
		}
		select {
		case <-p.events:
			p.dropped.Add(1)
		default:
		}
	}
}
