package timeline

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"time"

	"drench/rig"
)

// Sink keeps chunks, in order, each whole or not at all. A Sink that has
// returned nil for a chunk must not lose it.
type Sink interface {
	WriteChunk(b []byte) error
}

// Pace says when a Writer hands a chunk to its Sink: at this many events or
// this much time on the bench's clock, whichever comes first.
type Pace struct {
	Events int
	Span   time.Duration
}

// LivePace suits a real bench: at most a second is lost in a crash.
var LivePace = Pace{Events: 1000, Span: time.Second}

// VirtualPace suits a bench that can be run again: few, large chunks.
var VirtualPace = Pace{Events: 8000, Span: time.Hour}

// Writer appends events to a timeline.
type Writer struct {
	sink    Sink
	pace    Pace
	delta   *delta
	buf     []byte
	count   uint64
	number  uint64
	opened  rig.Instant
	total   uint64
	bytes   int64
	sum     hash.Hash
	closed  bool
	failure error
}

// NewWriter starts a timeline with its header.
func NewWriter(sink Sink, h Header, pace Pace) (*Writer, error) {
	w := &Writer{sink: sink, pace: pace, delta: newDelta(), sum: sha256.New()}
	b, err := encodeHeader(h)
	if err != nil {
		return nil, err
	}
	return w, w.put(b)
}

func (w *Writer) put(b []byte) error {
	if err := w.sink.WriteChunk(b); err != nil {
		w.failure = fmt.Errorf("keep timeline chunk %d: %w", w.number, err)
		return w.failure
	}
	w.number++
	w.bytes += int64(len(b))
	w.sum.Write(b)
	return nil
}

// Append adds one event. After an error the timeline takes no more events.
func (w *Writer) Append(ev rig.Event) error {
	if w.failure != nil {
		return w.failure
	}
	if w.closed {
		return fmt.Errorf("timeline is closed, event at %v refused", ev.At)
	}
	if !ev.Kind.Known() {
		return fmt.Errorf("event at %v has no known kind (%d)", ev.At, ev.Kind)
	}
	if w.count == 0 {
		w.opened = ev.At
	}
	w.buf = w.delta.append(w.buf, ev)
	w.count++
	w.total++
	if int(w.count) >= w.pace.Events || ev.At.Sub(w.opened) >= w.pace.Span {
		return w.Flush()
	}
	return nil
}

// Flush hands what is buffered to the Sink.
func (w *Writer) Flush() error {
	if w.failure != nil || w.count == 0 {
		return w.failure
	}
	err := w.put(seal(eventChunk, w.number, w.count, w.buf))
	w.buf, w.count = w.buf[:0], 0
	w.delta.reset()
	return err
}

// Close flushes the rest and ends the timeline.
func (w *Writer) Close() error {
	err := w.Flush()
	w.closed = true
	return err
}

// Sum returns the SHA-256 of all chunks handed over so far, in hexadecimal.
func (w *Writer) Sum() string { return hex.EncodeToString(w.sum.Sum(nil)) }

// Events returns how many events were appended, and Bytes what they took.
func (w *Writer) Events() uint64 { return w.total }

// Bytes returns the size of the chunks handed over so far.
func (w *Writer) Bytes() int64 { return w.bytes }

// Err returns why the timeline could not be kept, or nil.
func (w *Writer) Err() error { return w.failure }
