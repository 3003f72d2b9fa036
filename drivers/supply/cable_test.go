package supply

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"drench/drivers/supply/instrument"

	"periph.io/x/conn/v3/physic"
)

// queue is one direction of a cable: bytes wait in it to be read.
type queue struct {
	mu     sync.Mutex
	filled sync.Cond
	bytes  bytes.Buffer
	closed bool
}

func newQueue() *queue {
	q := &queue{}
	q.filled.L = &q.mu
	return q
}

func (q *queue) Read(p []byte) (int, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for q.bytes.Len() == 0 {
		if q.closed {
			return 0, io.EOF
		}
		q.filled.Wait()
	}
	return q.bytes.Read(p)
}

func (q *queue) Write(p []byte) (int, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed {
		return 0, io.ErrClosedPipe
	}
	q.filled.Broadcast()
	return q.bytes.Write(p)
}

func (q *queue) close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.closed = true
	q.filled.Broadcast()
}

// end is one end of a cable. Closing it ends both directions, as with a
// socket; the other end may read what is under way.
type end struct {
	in, out *queue
	heard   func([]byte) // sees what is written
}

func (e end) Read(p []byte) (int, error) { return e.in.Read(p) }

func (e end) Write(p []byte) (int, error) {
	if e.heard != nil {
		e.heard(p)
	}
	return e.out.Write(p)
}

func (e end) Close() error {
	e.in.close()
	e.out.close()
	return nil
}

// stand is an instrument at the end of a cable, and the log of what was sent
// to it.
type stand struct {
	*instrument.Instrument
	ctx context.Context

	mu   sync.Mutex
	sent []string
}

func newStand(t *testing.T, cfg instrument.Config) *stand {
	t.Helper()
	in, err := instrument.New(cfg)
	must(t, err)
	return &stand{Instrument: in, ctx: t.Context()}
}

func (s *stand) open(context.Context) (io.ReadWriteCloser, error) {
	there, back := newQueue(), newQueue()
	go s.Talk(s.ctx, end{in: there, out: back})
	return end{in: back, out: there, heard: s.hear}, nil
}

func (s *stand) hear(p []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sent = append(s.sent, strings.TrimRight(string(p), "\r\n"))
}

// count tells how often a message was sent.
func (s *stand) count(message string) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for _, m := range s.sent {
		if m == message {
			n++
		}
	}
	return n
}

// state asks the instrument behind the client's back.
func (s *stand) state(t testing.TB, query string) string {
	t.Helper()
	answer, err := s.Exec(context.Background(), query)
	if err != nil {
		t.Fatal(err)
	}
	return answer
}

// silent is an instrument whose readings have no noise, with 10 Ω on it.
func silent() instrument.Config {
	cfg := instrument.Bench()
	cfg.NoiseV, cfg.NoiseA = 0, 0
	cfg.Load = func(v physic.ElectricPotential) physic.ElectricCurrent { return physic.ElectricCurrent(v / 10) }
	return cfg
}

// inBubble runs a test in time of its own: no wait in it takes any.
func inBubble(t *testing.T, cfg instrument.Config, dialect string, f func(t *testing.T, ctx context.Context, st *stand, s *Supply)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		ctx, st := t.Context(), newStand(t, cfg)
		d, err := LoadDialect(dialect, "")
		must(t, err)
		s, err := Dial(ctx, Config{Dialect: d, Open: st.open})
		must(t, err)
		defer s.Close()
		f(t, ctx, st, s)
	})
}

// apart is how far a and b are apart.
func apart[T ~int64](a, b T) T { return max(a-b, b-a) }

// must fails the test on an error.
func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// wantError fails the test unless err wraps target and its text has each part.
func wantError(t testing.TB, err, target error, parts ...string) {
	t.Helper()
	if !errors.Is(err, target) {
		t.Fatalf("got %v; want it to be %v", err, target)
	}
	wantText(t, err, parts...)
}

func wantText(t testing.TB, err error, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if err == nil || !strings.Contains(err.Error(), p) {
			t.Fatalf("got %v; want %q in it", err, p)
		}
	}
}

// script is a supply that answers by rote: for what a true one can't be made
// to do. A message that it has no answer for gets none.
type script struct {
	mu      sync.Mutex
	answers map[string]string
}

func (s *script) open(context.Context) (io.ReadWriteCloser, error) {
	there, back := newQueue(), newQueue()
	token := "0"
	return end{in: back, out: there, heard: func(p []byte) {
		s.mu.Lock()
		defer s.mu.Unlock()
		m := strings.TrimRight(string(p), "\r\n")
		if n, ok := strings.CutPrefix(m, "*ESE "); ok {
			token = n
		}
		answer, ok := s.answers[m]
		switch {
		case ok:
			io.WriteString(back, answer)
		case m == "*ESE?":
			io.WriteString(back, token+"\n")
		case m == "*IDN?":
			io.WriteString(back, "a,b,0,0\n")
		case m == "*OPC?":
			io.WriteString(back, "1\n")
		case m == "SYST:ERR?":
			io.WriteString(back, "0,\"No error\"\n")
		}
	}}, nil
}

// nr3 is how the instrument answers a setting.
func nr3[T ~int64](nano T) string { return fmt.Sprintf("%+.6E", float64(nano)/1e9) }
