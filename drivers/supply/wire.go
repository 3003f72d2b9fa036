package supply

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"sync"
	"time"
)

// wire is an open link. One goroutine reads it, into no more than one chunk at
// a time: a supply that talks without being asked fills no memory.
type wire struct {
	link   io.ReadWriteCloser
	ending string
	chunks chan []byte
	ended  chan struct{} // closed when nothing more will come; err says why
	err    error
	quit   chan struct{}
	once   sync.Once
	rest   []byte // that has come and was not used
}

func newWire(link io.ReadWriteCloser, ending string) *wire {
	w := &wire{link: link, ending: ending, chunks: make(chan []byte), ended: make(chan struct{}), quit: make(chan struct{})}
	go w.read()
	return w
}

func (w *wire) read() {
	defer close(w.ended)
	for {
		chunk := make([]byte, mostAnswer)
		n, err := w.link.Read(chunk)
		if n > 0 {
			select {
			case w.chunks <- chunk[:n]:
			case <-w.quit:
				return
			}
		}
		if err != nil {
			w.err = err
			return
		}
	}
}

// close ends the link; it may be called more than once.
func (w *wire) close() {
	w.once.Do(func() {
		close(w.quit)
		w.link.Close() // it is given up, whatever the error
	})
}

// lost is the error of a link that has come to its end, or was closed.
func (w *wire) lost() error {
	select {
	case <-w.ended:
		if w.err != nil {
			return fmt.Errorf("%w: %w", ErrLost, w.err)
		}
		return ErrLost
	case <-w.quit:
		return ErrLost
	default:
		return nil
	}
}

// pending tells whether something has come that nobody asked for.
func (w *wire) pending() bool {
	select {
	case c := <-w.chunks:
		w.rest = append(w.rest, c...)
	default:
	}
	return len(w.rest) > 0
}

// write sends a message. A link that does not take it in time is closed, so
// that no half of a message is followed by another.
func (w *wire) write(ctx context.Context, message string) error {
	done := make(chan error, 1)
	go func() {
		_, err := io.WriteString(w.link, message+w.ending)
		done <- err
	}()
	select {
	case err := <-done:
		if err != nil {
			w.close()
			return fmt.Errorf("%w: %w", ErrLost, err)
		}
		return nil
	case <-ctx.Done():
		w.close()
		return fmt.Errorf("%w: it takes no message: %w", ErrLost, context.Cause(ctx))
	}
}

// line returns the next answer without its terminator.
func (w *wire) line(ctx context.Context) (string, error) {
	end := w.ending[len(w.ending)-1]
	for {
		if n := bytes.IndexByte(w.rest, end); n >= 0 && n <= mostAnswer {
			line := bytes.Trim(w.rest[:n], "\r\n")
			w.rest = w.rest[n+1:]
			if !plain(line) {
				return "", garbled(string(line), "printable characters")
			}
			return string(line), nil
		}
		if len(w.rest) > mostAnswer {
			start := string(w.rest)
			w.rest = nil
			return "", garbled(start, fmt.Sprintf("at most %d characters", mostAnswer))
		}
		if err := w.more(ctx); err != nil {
			return "", err
		}
	}
}

// more waits for something to come.
func (w *wire) more(ctx context.Context) error {
	select {
	case c := <-w.chunks:
		w.rest = append(w.rest, c...)
		return nil
	case <-w.ended:
		return w.lost()
	case <-ctx.Done():
		if len(w.rest) > 0 {
			return garbled(string(w.rest), "a terminator after it")
		}
		return context.Cause(ctx)
	}
}

// drain throws away what comes until nothing has come for a while. A supply
// that sends most bytes and does not stop is an error.
func (w *wire) drain(ctx context.Context, quiet time.Duration, most int) error {
	for n := 0; n <= most; n += len(w.rest) {
		w.rest = nil
		pause, cancel := context.WithTimeout(ctx, quiet)
		err := w.more(pause)
		over := pause.Err() != nil
		cancel()
		switch {
		case err == nil:
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case over:
			return nil
		default:
			return err
		}
	}
	return fmt.Errorf("%w: it sends without being asked and does not stop", ErrGarbled)
}
