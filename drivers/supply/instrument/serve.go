package instrument

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"sync"
)

// Serve accepts connections until the context ends or the listener is closed,
// and talks on each. It returns once all are closed.
func (in *Instrument) Serve(ctx context.Context, l net.Listener) error {
	defer context.AfterFunc(ctx, func() { l.Close() })()
	var talks sync.WaitGroup
	defer talks.Wait()
	for {
		conn, err := l.Accept()
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, net.ErrClosed) {
				return nil
			}
			return fmt.Errorf("accept a connection: %w", err)
		}
		if in.faults.refusing() {
			conn.Close()
			continue
		}
		talks.Go(func() {
			// How a connection ends is its client's affair.
			_ = in.Talk(ctx, conn)
		})
	}
}

// Talk serves one link until it ends; nil is a link that came to its end or
// was cut. If rw can be closed, it is, when Talk returns or the context ends.
func (in *Instrument) Talk(ctx context.Context, rw io.ReadWriter) error {
	if c, ok := rw.(io.Closer); ok {
		defer c.Close()
		defer in.links.add(c)()
		defer context.AfterFunc(ctx, func() { c.Close() })()
	}
	l := link{in: in, rw: rw, buffer: bufio.NewReaderSize(rw, in.cfg.Input)}
	for {
		if err := l.exchange(ctx); err != nil {
			if ended(err) {
				return nil
			}
			return fmt.Errorf("talk to a controller: %w", err)
		}
	}
}

// ended tells whether a link came to its end, rather than failed.
func ended(err error) bool {
	for _, end := range []error{errCut, io.EOF, io.ErrClosedPipe, net.ErrClosed, os.ErrClosed} {
		if errors.Is(err, end) {
			return true
		}
	}
	return false
}

// errCut ends a link by a fault.
var errCut = errors.New("link cut")

// link is a serial line or a socket: a message ends with NL, and a CR before
// it is white space. What came before the link went down without NL is lost.
type link struct {
	in     *Instrument
	rw     io.ReadWriter
	buffer *bufio.Reader
}

// exchange reads a program message and sends the response message.
func (l *link) exchange(ctx context.Context) error {
	line, err := l.buffer.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		return l.overrun()
	}
	if err != nil {
		return err
	}
	line = line[:len(line)-1]
	if f, ok := l.in.faults.pick(string(line)); ok {
		return l.misbehave(ctx, f, line)
	}
	answer, err := l.in.execute(ctx, line)
	if err != nil || answer == "" {
		return err
	}
	return l.send(answer + "\n")
}

// overrun lets go of a message that is longer than the input buffer.
func (l *link) overrun() error {
	l.in.mu.Lock()
	l.in.report(fail(-363))
	l.in.mu.Unlock()
	for {
		_, err := l.buffer.ReadSlice('\n')
		if !errors.Is(err, bufio.ErrBufferFull) {
			return err
		}
	}
}

func (l *link) send(s string) error {
	_, err := io.WriteString(l.rw, s)
	return err
}

// misbehave does with a message what the fault says.
func (l *link) misbehave(ctx context.Context, f Fault, line []byte) error {
	switch f.Kind {
	case Ignore:
		return nil
	case CutBefore:
		return errCut
	case Reject:
		l.in.mu.Lock()
		defer l.in.mu.Unlock()
		l.in.report(fail(-200))
		return nil
	}
	answer, err := l.in.execute(ctx, line)
	if err != nil {
		return err
	}
	return l.spoil(ctx, f, answer)
}

// spoil sends an answer, or not, as the fault says. A message without an
// answer has nothing to spoil but the line.
func (l *link) spoil(ctx context.Context, f Fault, answer string) error {
	switch {
	case f.Kind == CutAfter:
		return errCut
	case f.Kind == Flood:
		return l.flood(f.Bytes)
	case f.Kind == Mute || answer == "":
		return nil
	case f.Kind == Late:
		if err := l.in.clock.Sleep(ctx, f.Delay); err != nil {
			return err
		}
		return l.send(answer + "\n")
	case f.Kind == Partial:
		return l.send(answer[:len(answer)/2])
	}
	noise := l.in.faults.garbage(len(answer))
	noise[0] |= 0x80 // never ASCII: noise of one byte could be the answer 1
	return l.send(string(noise) + "\n")
}

// flood sends n bytes of noise as fast as the line takes them.
func (l *link) flood(n int) error {
	for n > 0 {
		b := l.in.faults.garbage(min(n, 4096))
		n -= len(b)
		if err := l.send(string(b)); err != nil {
			return err
		}
	}
	return nil
}
