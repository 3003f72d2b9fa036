package gpio

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"drench/rig"

	"golang.org/x/sys/unix"
)

// readBatch is how many events a reader takes at once.
const readBatch = 64

// start sets a reader on every request with inputs.
func (b *Bank) start() {
	for _, r := range b.requests {
		if r.tracker == nil {
			continue
		}
		b.readers.Go(func() {
			if err := read(&waker{file: r.file}, r.tracker, b.queue, r.notify); !errors.Is(err, os.ErrClosed) {
				b.queue.fail(fmt.Errorf("capture edges of %v: %w", r.chip, err))
			}
		})
	}
}

// wakeEvery is how often a reader that gets no events looks after its chip.
const wakeEvery = 100 * time.Millisecond

// waker reads a request's file, and notices that the chip went away: Linux
// 6.1 was seen not to wake a reader for that, but fails its next attempt.
type waker struct {
	file     *os.File
	deadline time.Time
}

func (w *waker) Read(b []byte) (int, error) {
	for {
		if now := time.Now(); !now.Before(w.deadline) {
			w.deadline = now.Add(wakeEvery)
			if err := w.file.SetReadDeadline(w.deadline); err != nil {
				return 0, err
			}
		}
		n, err := w.file.Read(b)
		if !errors.Is(err, os.ErrDeadlineExceeded) {
			return n, err
		}
	}
}

// read takes events from a request until that fails, and always returns an
// error. It does nothing that could keep it from the next read: it neither
// allocates nor waits for a consumer.
func read(file io.Reader, t *tracker, q *queue, notify func(record)) error {
	var buf [readBatch * recordSize]byte
	var space [readBatch]record
	for {
		n, err := file.Read(buf[:])
		if errors.Is(err, unix.ENODEV) {
			return fmt.Errorf("the chip went away: %w", err)
		}
		if err != nil {
			return err
		}
		records, err := decode(space[:0], buf[:n])
		if e := q.add(t, records, Now()); e != nil {
			return e
		}
		if err != nil {
			return err
		}
		for _, r := range records {
			notify(r)
		}
	}
}

// notify wakes who waits for an edge of a pin.
func (r *request) notify(ev record) {
	for _, n := range r.pins {
		if n.line.Dir == rig.Input && uint32(n.at.Offset) == ev.offset {
			n.notify(ev.level)
		}
	}
}
