package dut

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
)

// patience ends a test that hangs; nothing else depends on it.
const patience = 20 * time.Second

// bridge is a serial bridge that can be unplugged: its name stays, its device
// changes.
type bridge struct {
	t      *testing.T
	name   string
	master *os.File
}

func newBridge(t *testing.T) *bridge {
	b := &bridge{t: t, name: filepath.Join(t.TempDir(), "by-id")}
	b.plug()
	t.Cleanup(func() { b.master.Close() })
	return b
}

func (b *bridge) plug() {
	b.t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		b.t.Fatalf("open a pseudo-terminal: %v", err)
	}
	defer slave.Close()
	b.master = master
	if err := os.Symlink(slave.Name(), b.name); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bridge) unplug() {
	if err := errors.Join(os.Remove(b.name), b.master.Close()); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bridge) say(s string) {
	b.t.Helper()
	if _, err := b.master.WriteString(s); err != nil {
		b.t.Fatal(err)
	}
}

// open opens the bridge as the rig would.
func (b *bridge) open(cfg Config) *Port {
	b.t.Helper()
	cfg.Port, cfg.Baud = b.name, 115200
	p, err := Open(b.t.Context(), cfg)
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { p.Close() })
	return p
}

// next returns the next event, which must be of a kind.
func next(t *testing.T, p *Port, kind Kind) Event {
	t.Helper()
	select {
	case e, ok := <-p.Events():
		if !ok || e.Kind != kind {
			t.Fatalf("got event %+v, %v; want kind %d", e, ok, kind)
		}
		return e
	case <-time.After(patience):
		t.Fatal("no event")
		return Event{}
	}
}

func TestLines(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{})
	before := now()
	b.say("boot 1.2\r\nraw=12")
	first := next(t, p, Line)
	b.say("34 diff=")
	b.say("-5\r")
	second := next(t, p, Line)
	after := now()
	if first.Text != "boot 1.2" || !first.First || second.Text != "raw=1234 diff=-5" || second.First {
		t.Errorf("got %+v and %+v", first, second)
	}
	if first.Seq != 1 || second.Seq != 2 || first.At < before || second.At < first.At || after < second.At {
		t.Errorf("out of order between %v and %v: %+v, %+v", before, after, first, second)
	}
}

func TestWrite(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{})
	if err := p.Write(t.Context(), "threshold 120"); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 64)
	if n, err := b.master.Read(got); err != nil || string(got[:n]) != "threshold 120\n" {
		t.Errorf("the DUT got %q, %v", got[:n], err)
	}
	for _, bad := range []string{"two\nlines", "bell\a", strings.Repeat("x", 1000)} {
		if err := p.Write(t.Context(), bad); err == nil {
			t.Errorf("%.20q was written", bad)
		}
	}
}

// A DUT that takes nothing holds up neither whoever writes nor closing.
func TestStuckWrite(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{})
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	var err error
	for err == nil {
		err = p.Write(ctx, strings.Repeat("x", 500))
	}
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v, want the deadline", err)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	if err := p.Write(t.Context(), "x"); !errors.Is(err, ErrClosed) {
		t.Errorf("got %v, want ErrClosed", err)
	}
}

func TestUnplugged(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{})
	b.say("one\n")
	next(t, p, Line)
	b.unplug()
	lost := next(t, p, Lost)
	if err := p.Write(t.Context(), "x"); err == nil {
		t.Error("wrote to a port that is not there")
	}
	b.plug()
	back := next(t, p, Back)
	if back.Since != lost.At || back.At <= lost.At {
		t.Errorf("lost at %v, back at %v since %v", lost.At, back.At, back.Since)
	}
	b.say("34 diff=5\n")
	if e := next(t, p, Line); e.Text != "34 diff=5" || !e.First {
		t.Errorf("got %+v", e)
	}
	b.unplug()
	next(t, p, Lost)
	if err := p.Close(); err != nil { // while it tries to open
		t.Error(err)
	}
}

// noBreak is a port that can't send a break.
func noBreak(*link, bool) error { return errors.New("no break") }

// TestLetGo: a released port has its transmit line low, and goes on listening.
func TestLetGo(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{})
	var low []bool
	var fail error
	p.space = func(l *link, on bool) error {
		low = append(low, on)
		return errors.Join(fail, l.space(on))
	}
	if err := errors.Join(p.Release(t.Context()), p.Release(t.Context())); err != nil {
		t.Fatal(err)
	}
	released := next(t, p, Released)
	b.say("boot 1.2\n")
	if e := next(t, p, Line); e.Text != "boot 1.2" || !released.Open {
		t.Errorf("got %+v after %+v", e, released)
	}
	if err := p.Write(t.Context(), "x"); err == nil {
		t.Error("wrote to a released port")
	}
	if err := p.Reacquire(t.Context()); err != nil {
		t.Fatal(err)
	}
	if e := next(t, p, Taken); e.Since != released.At || !e.Open {
		t.Errorf("got %+v, want since %v", e, released.At)
	}
	if err := errors.Join(p.Write(t.Context(), "x"), p.Release(t.Context())); err != nil {
		t.Fatal(err)
	}
	next(t, p, Released)
	fail = errors.New("stuck") // a break that does not end is ended by opening anew
	if err := p.Reacquire(t.Context()); err == nil || !strings.Contains(err.Error(), "attempts go on") {
		t.Errorf("reacquired: %v", err)
	}
	next(t, p, Lost)
	next(t, p, Back)
	if want := []bool{true, false, true, false}; !slices.Equal(low, want) {
		t.Errorf("the line was taken low and let idle %v, want %v", low, want)
	}
}

// TestLostWhileLetGo: an unplugged bridge is opened again when it is wanted.
func TestLostWhileLetGo(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{})
	if err := p.Release(t.Context()); err != nil {
		t.Fatal(err)
	}
	next(t, p, Released)
	b.unplug()
	next(t, p, Lost)
	b.plug()
	if err := p.Reacquire(t.Context()); err != nil {
		t.Fatal(err)
	}
	if e := next(t, p, Taken); e.Open {
		t.Errorf("got %+v, want a port that was opened anew", e)
	}
	b.say("here\n")
	if e := next(t, p, Line); e.Text != "here" || !e.First {
		t.Errorf("got %+v", e)
	}
}

// TestReleased: a port that can't send a break is closed.
func TestReleased(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{})
	p.space = noBreak
	if err := p.Release(t.Context()); err != nil {
		t.Fatal(err)
	}
	released := next(t, p, Released)
	if _, err := b.master.Read(make([]byte, 1)); err == nil {
		t.Error("the other end still sees an open port")
	}
	if err := p.Write(t.Context(), "x"); err == nil {
		t.Error("wrote to a released port")
	}
	other := b.open(Config{}) // the lock is gone too
	err := p.Reacquire(t.Context())
	if err == nil || !strings.Contains(err.Error(), "another program has it") {
		t.Errorf("reacquired from another: %v", err)
	}
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	if back := next(t, p, Back); back.Since != released.At {
		t.Errorf("got %+v, want since %v", back, released.At)
	}
	for range 2 { // releasing what is released, and so on, is nothing
		if err := errors.Join(p.Release(t.Context()), p.Release(t.Context()), p.Reacquire(t.Context()), p.Reacquire(t.Context())); err != nil {
			t.Fatal(err)
		}
		r := next(t, p, Released)
		if e := next(t, p, Taken); e.Since != r.At {
			t.Errorf("got %+v, want since %v", e, r.At)
		}
	}
	b.say("here\n")
	if e := next(t, p, Line); e.Text != "here" || !e.First {
		t.Errorf("got %+v", e)
	}
}

func TestAlone(t *testing.T) {
	b := newBridge(t)
	b.open(Config{})
	_, err := Open(t.Context(), Config{Port: b.name, Baud: 9600})
	if err == nil || !strings.Contains(err.Error(), "another program has it") {
		t.Errorf("opened twice: %v", err)
	}
}

func TestOpenErrors(t *testing.T) {
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	plain := filepath.Join(t.TempDir(), "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		ctx  context.Context
		cfg  Config
		want string
	}{
		{t.Context(), Config{Baud: 9600}, "port is missing"},
		{t.Context(), Config{Port: "/dev/absent"}, "no baud rate"},
		{t.Context(), Config{Port: "/dev/absent", Baud: 9600}, "plug the bridge in"},
		{t.Context(), Config{Port: plain, Baud: 9600}, "no serial device"},
		{ended, Config{Port: "/dev/absent", Baud: 9600}, "canceled"},
	} {
		if _, err := Open(c.ctx, c.cfg); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: got %v, want an error with %q", c.cfg, err, c.want)
		}
	}
}

// Noise at full rate, and nobody who takes the lines: all of it is read, what
// is kept is bounded, and what was dropped shows.
func TestGarbage(t *testing.T) {
	b := newBridge(t)
	const queue, max = 32, 80
	p := b.open(Config{Queue: queue, MaxLine: max})
	noise := make([]byte, 1<<20)
	random := rand.NewChaCha8([32]byte{1})
	if _, err := random.Read(noise); err != nil {
		t.Fatal(err)
	}
	b.say(string(noise) + "\nlast\n")
	count := uint64(0)
	prev := uint64(0)
	for e := (Event{}); e.Text != "last"; count++ {
		e = next(t, p, Line)
		if bad := wellFormed(got{e.Text, e.Cut}, max); bad != "" {
			t.Fatalf("%q %s", e.Text, bad)
		}
		if e.Seq <= prev {
			t.Fatalf("event %d after %d", e.Seq, prev)
		}
		prev = e.Seq
	}
	want := uint64(len(lines(max, noise, []byte("\nlast\n"))))
	if prev != want || count+p.Dropped() != want || p.Dropped() == 0 {
		t.Errorf("%d taken and %d dropped of %d, the last was number %d", count, p.Dropped(), want, prev)
	}
}

func TestNobodyListens(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{Queue: 2})
	for i := range 10 {
		b.say(fmt.Sprintf("line %d\n", i))
	}
	for p.Dropped() < 8 {
		time.Sleep(time.Millisecond)
	}
	for i := 8; i < 10; i++ {
		if e := next(t, p, Line); e.Text != fmt.Sprint("line ", i) || e.Seq != uint64(i+1) {
			t.Errorf("got %+v, want line %d", e, i)
		}
	}
	if err := errors.Join(p.Close(), p.Close()); err != nil {
		t.Fatal(err)
	}
	if e, ok := <-p.Events(); ok {
		t.Errorf("event %+v after closing", e)
	}
	if err := p.Release(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("released a closed port: %v", err)
	}
}

// Everything at once, for the race detector.
func TestTogether(t *testing.T) {
	b := newBridge(t)
	p := b.open(Config{Queue: 4})
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range p.Events() {
		}
	}()
	go func() { // what the port writes
		buf := make([]byte, 256)
		for {
			if _, err := b.master.Read(buf); errors.Is(err, os.ErrClosed) {
				return
			}
			select {
			case <-done:
				return
			default:
			}
		}
	}()
	line := bytes.Repeat([]byte("raw=1 diff=2\r\n"), 20)
	for range 20 {
		if _, err := b.master.Write(line); err != nil {
			t.Fatal(err)
		}
		if err := p.Write(t.Context(), "hello"); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(p.Release(t.Context()), p.Reacquire(t.Context())); err != nil {
			t.Fatal(err)
		}
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	<-done
}

func TestEventText(t *testing.T) {
	for _, c := range []struct {
		e    Event
		want string
	}{
		{Event{Kind: Line, Text: "raw=1"}, "raw=1"},
		{Event{Kind: Lost, Text: "port closed"}, "UART lost: port closed"},
		{Event{Kind: Back, At: 3e9, Since: 1e9}, "UART back after 2s; opening it may have reset the DUT"},
		{Event{Kind: Released}, "UART released: the port is closed, and its transmit line may still be high"},
		{Event{Kind: Released, Open: true}, "UART let go: its transmit line is low, if its bridge can do that"},
		{Event{Kind: Taken, At: 3e9, Since: 1e9, Open: true}, "UART taken again after 2s"},
		{Event{Kind: Taken, At: 3e9, Since: 1e9}, "UART reacquired after 2s; opening it may have reset the DUT"},
		{Event{}, "unknown event 0"},
	} {
		if got := c.e.String(); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// The part of a line that came before the port failed is not taken for a line:
// "raw=12" may have been on its way to be "raw=1234".
func TestHalfALine(t *testing.T) {
	p := &Port{events: make(chan Event, 2), split: splitter{max: 80}}
	p.split.feed([]byte("raw=12"), func(text string, _ bool) { t.Errorf("line %q", text) })
	p.lose(5, errors.New("gone"))
	if e := next(t, p, Lost); e.At != 5 || e.Text != `gone, in the line "raw=12"` {
		t.Errorf("got %+v", e)
	}
	var after []string
	p.split.feed([]byte("34\n"), func(text string, _ bool) { after = append(after, text) })
	if len(after) != 1 || after[0] != "34" {
		t.Errorf("afterwards came %q", after)
	}
}
