package assembly

import (
	"context"
	"errors"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"drench/rig"
)

// gated is a part behind a wire that does nothing until the test lets it.
type gated struct {
	began chan int64 // what it was told to set, or -1 for a reading
	let   chan error
	given []int64 // orders that were given up
}

func (g *gated) pass(ctx context.Context, v int64) error {
	g.began <- v
	select {
	case err := <-g.let:
		return err
	case <-ctx.Done():
		g.given = append(g.given, v)
		return ctx.Err()
	}
}

func (g *gated) Set(ctx context.Context, v int64) (rig.Instant, error) { return now(), g.pass(ctx, v) }

// wired is a bench of one output behind a wire.
func wired(t *testing.T) (*Bench, *gated) {
	g := &gated{began: make(chan int64), let: make(chan error)}
	return assembled(t, Parts{Channels: []Channel{{Channel: rig.Channel{Name: "supply", Dir: rig.Output, Unit: rig.Volt}, Set: g, Wire: time.Second}}}), g
}

// outcome awaits the outcome of an order.
func outcome(t *testing.T, b *Bench) (int64, error) {
	t.Helper()
	ev, ok, err := b.Await(t.Context(), b.Now().Add(time.Minute))
	if err == nil && (!ok || ev.Kind != rig.Command || ev.Channel != 0) {
		t.Fatalf("got %+v, %v", ev, ok)
	}
	return ev.Value, err
}

func order1(t *testing.T, b *Bench, v int64) {
	t.Helper()
	if at, err := b.Set(t.Context(), 0, v); at != rig.Pending || err != nil {
		t.Fatalf("set %d: %v, %v", v, at, err)
	}
}

// TestOffFirst: an order to go off gives up what is at work and overtakes what
// waits, and is given up by nothing.
func TestOffFirst(t *testing.T) {
	b, g := wired(t)
	order1(t, b, 3)
	if v := <-g.began; v != 3 {
		t.Fatalf("began with %d", v)
	}
	order1(t, b, 5) // waits, and is overtaken too
	order1(t, b, 0)
	if v := <-g.began; v != 0 {
		t.Fatalf("went on with %d, want 0", v)
	}
	order1(t, b, 0) // one more does not give the first up
	g.let <- nil
	if v, err := outcome(t, b); v != 0 || err != nil {
		t.Errorf("outcome %d, %v", v, err)
	}
	<-g.began
	g.let <- nil
	if v, err := outcome(t, b); v != 0 || err != nil {
		t.Errorf("outcome %d, %v", v, err)
	}
	if len(g.given) != 1 || g.given[0] != 3 {
		t.Errorf("given up: %v, want the 3", g.given)
	}
	if v, err := b.Ask(t.Context(), 0); v != 0 || err != nil {
		t.Errorf("asked: %d, %v", v, err)
	}
}

// TestOffInAFlood: events that nobody takes keep no order from being carried
// out.
func TestOffInAFlood(t *testing.T) {
	g := &gated{began: make(chan int64), let: make(chan error)}
	flood := SourceFunc(func(context.Context, rig.Instant) (rig.Event, bool, error) {
		return rig.Event{Kind: rig.Line, Channel: 1}, true, nil
	})
	b := assembled(t, Parts{
		Channels: []Channel{{Channel: rig.Channel{Name: "supply", Dir: rig.Output, Unit: rig.Volt}, Set: g, Wire: time.Second},
			{Channel: rig.Channel{Name: "uart", Dir: rig.Text}}},
		Sources: []NamedSource{{"port", flood}},
	})
	for len(b.queue) < queueLength {
		runtime.Gosched()
	}
	for _, v := range []int64{3, 0, 4, 0} {
		order1(t, b, v)
		if got := <-g.began; got != v {
			t.Fatalf("began with %d, want %d", got, v)
		}
		g.let <- nil
	}
	for obeyed := 0; obeyed < 4; {
		ev, ok, err := b.Await(t.Context(), rig.Never)
		if !ok || err != nil {
			t.Fatal(ok, err)
		}
		if ev.Kind == rig.Command {
			obeyed++
		}
	}
}

// TestOutcome: an order that fails is told once, and the next one works.
func TestOutcome(t *testing.T) {
	b, g := wired(t)
	order1(t, b, 3)
	<-g.began
	g.let <- errors.New("out of range")
	var slow *rig.SetError
	if _, err := outcome(t, b); !errors.As(err, &slow) || slow.Channel != 0 || !strings.Contains(err.Error(), "set supply to") {
		t.Errorf("outcome %v", err)
	}
	order1(t, b, 4)
	<-g.began
	g.let <- nil
	if v, err := outcome(t, b); v != 4 || err != nil {
		t.Errorf("outcome %d, %v", v, err)
	}
	if v, err := b.Ask(t.Context(), 0); v != 4 || err != nil {
		t.Errorf("asked: %d, %v", v, err)
	}
	go func() { // what is not known to be off is switched off at the end
		if v := <-g.began; v != 0 {
			t.Errorf("closing sets %d", v)
		}
		g.let <- nil
	}()
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}

// TestAge: a reading is the newest there is, stamped with when it began, and an
// error once it is too old.
func TestAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var slow atomic.Bool
		b, err := New(Parts{Now: func() rig.Instant { return rig.Instant(time.Since(began)) }, Channels: []Channel{{
			Channel: rig.Channel{Name: "rail", Dir: rig.Gauge, Unit: rig.Volt}, Wire: time.Second,
			Read: ReaderFunc(func(ctx context.Context) (int64, error) {
				v := int64(time.Since(began))
				wait := 10 * time.Millisecond
				if slow.Load() {
					wait = time.Minute
				}
				select {
				case <-time.After(wait):
					return v, nil
				case <-ctx.Done():
					return 0, ctx.Err()
				}
			})}}})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		for range 20 {
			asked := b.Now()
			v, at, err := b.Sample(t.Context(), 0)
			if err != nil || rig.Instant(v) != at || at > asked || asked.Sub(at) > 520*time.Millisecond {
				t.Fatalf("at %v: %d of %v, %v", asked, v, at, err)
			}
			time.Sleep(7 * time.Millisecond)
		}
		// Asking has a newer one taken, long before the wire would by itself.
		asked := b.Now()
		time.Sleep(20 * time.Millisecond)
		if _, at, err := b.Sample(t.Context(), 0); err != nil || at < asked.Add(-10*time.Millisecond) {
			t.Errorf("asked at %v and again 20 ms later: a reading of %v, %v", asked, at, err)
		}
		time.Sleep(1700 * time.Millisecond)
		if _, at, err := b.Sample(t.Context(), 0); err != nil || b.Now().Sub(at) > 520*time.Millisecond {
			t.Errorf("nobody asked for 1.7 s: a reading of %v, %v", at, err)
		}
		time.Sleep(100 * time.Millisecond)
		slow.Store(true)
		time.Sleep(2 * time.Second)
		if v, err := b.Ask(t.Context(), 0); err == nil || !strings.Contains(err.Error(), "ask rail: no reading for") {
			t.Errorf("after two silent seconds: %d, %v", v, err)
		}
	})
}
