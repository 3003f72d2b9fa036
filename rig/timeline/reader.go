package timeline

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"

	"drench/rig"
)

// Reader reads a timeline, a chunk in memory at a time.
type Reader struct {
	Header Header

	r      byteReader
	number uint64
	rest   []byte
	left   uint64
	delta  *delta
	err    error
}

// TailError says that a timeline is damaged or cut off. All events before were
// good and have been returned.
type TailError struct {
	Chunk uint64 // number of the first chunk that could not be read
	Err   error
}

func (e *TailError) Error() string {
	return fmt.Sprintf("timeline is cut off or damaged from chunk %d on: %v", e.Chunk, e.Err)
}

func (e *TailError) Unwrap() error { return e.Err }

// NewReader reads the header.
func NewReader(r io.Reader) (*Reader, error) {
	br, ok := r.(byteReader)
	if !ok {
		br = bufio.NewReaderSize(r, 64<<10)
	}
	c, err := unseal(br)
	if err != nil {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return nil, fmt.Errorf("read timeline header: %w", err)
	}
	if c.kind != headerChunk {
		return nil, fmt.Errorf("read timeline header: first chunk is of kind %q", c.kind)
	}
	t := &Reader{r: br, number: 1, delta: newDelta()}
	if err := json.Unmarshal(c.payload, &t.Header); err != nil {
		return nil, fmt.Errorf("read timeline header: %w", err)
	}
	return t, nil
}

// Next returns the next event, io.EOF after the last, or a *TailError.
func (t *Reader) Next() (rig.Event, error) {
	for t.left == 0 {
		if t.err != nil {
			return rig.Event{}, t.err
		}
		if t.err = t.load(); t.err != nil {
			return rig.Event{}, t.err
		}
	}
	ev, rest, err := t.delta.next(t.rest)
	if err == nil && t.left == 1 && len(rest) > 0 {
		err = fmt.Errorf("%d bytes after the last event", len(rest))
	}
	if err != nil {
		t.left, t.err = 0, &TailError{t.number - 1, err}
		return rig.Event{}, t.err
	}
	t.rest, t.left = rest, t.left-1
	return ev, nil
}

func (t *Reader) load() error {
	c, err := unseal(t.r)
	switch {
	case err == io.EOF: // a wrapped one is a chunk cut short
		return io.EOF
	case err != nil:
		return &TailError{t.number, err}
	case c.kind != eventChunk || c.number != t.number:
		return &TailError{t.number, fmt.Errorf("found chunk %d of kind %q", c.number, c.kind)}
	}
	t.number++
	t.rest, t.left = c.payload, c.count
	t.delta.reset()
	return nil
}

// All iterates over the remaining events; a damaged tail is the last item's
// error.
func (t *Reader) All() iter.Seq2[rig.Event, error] {
	return func(yield func(rig.Event, error) bool) {
		for {
			ev, err := t.Next()
			if err == io.EOF {
				return
			}
			if !yield(ev, err) || err != nil {
				return
			}
		}
	}
}

// ReadAll reads a whole timeline into memory; after damage it returns what was
// before, and the error.
func ReadAll(r io.Reader) (Header, []rig.Event, error) {
	t, err := NewReader(r)
	if err != nil {
		return Header{}, nil, err
	}
	var evs []rig.Event
	for ev, err := range t.All() {
		if err != nil {
			return t.Header, evs, err
		}
		evs = append(evs, ev)
	}
	return t.Header, evs, nil
}
