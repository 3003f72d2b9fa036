package timeline_test

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"drench/rig"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/rigtest"
	"drench/rig/timeline"

	"pgregory.net/rapid"
)

// disk is a Sink that stalls until its gate is closed, and fails from some chunk
// on.
type disk struct {
	timeline.Memory
	gate   chan struct{}
	n      int
	failAt int // 0: never
}

var errGone = errors.New("the disk is gone")

func (d *disk) WriteChunk(b []byte) error {
	<-d.gate
	d.n++
	if d.failAt > 0 && d.n >= d.failAt {
		return errGone
	}
	return d.Memory.WriteChunk(b)
}

// settled lets the queue's goroutine come as far as it can after each chunk.
type settled struct{ timeline.Sink }

func (s settled) WriteChunk(b []byte) error {
	defer synctest.Wait()
	return s.Sink.WriteChunk(b)
}

const (
	chPump rig.ID = iota
	chStop
	chBeat
)

// pumping is a bench with a pump, an emergency stop and a dead-man.
func pumping() *rigtest.Bench {
	return &rigtest.Bench{
		Table: []rig.Channel{
			chPump: {Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
			chStop: {Name: rig.EStop, Dir: rig.Input},
			chBeat: {Name: rig.Deadman, Dir: rig.Output, Hazard: rig.Idle},
		},
		Levels: map[rig.ID]int64{chStop: 1},
	}
}

// pump runs the pump for so long, with a note each second, and records that
// into a sink at the pace of a real bench.
func pump(t *testing.T, b *rigtest.Bench, sink timeline.Sink, seconds int) error {
	t.Helper()
	ctx := context.Background()
	g, err := interlock.New(ctx, b, interlock.Config{Inputs: []string{rig.EStop}, PumpOn: time.Hour, Volume: rig.Millilitre * 10000, Poll: time.Second, Stale: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	w, err := timeline.NewWriter(sink, timeline.Header{Channels: b.Table}, timeline.LivePace)
	if err != nil {
		t.Fatal(err)
	}
	r, err := engine.New(ctx, g, w)
	if err != nil {
		t.Fatal(err)
	}
	return r.Do(ctx, func(ctx context.Context) error {
		if err := r.Set(ctx, rig.PumpDrip, rig.Of(30*rig.MlPerMin)); err != nil {
			return err
		}
		for range seconds {
			if err := errors.Join(r.Wait(ctx, time.Second), r.Note("a second")); err != nil {
				return err
			}
		}
		return nil
	})
}

func beats(b *rigtest.Bench) (n int) {
	for _, s := range b.Log {
		if s.Channel == chBeat {
			n++
		}
	}
	return n
}

// TestStalledDisk: while the disk takes nothing, the supervisor goes on with its
// passes and the pump is switched off in time; then all is kept, the same
// bytes as without a stall.
func TestStalledDisk(t *testing.T) {
	const seconds = 50
	calm, stalled := pumping(), pumping()
	var want timeline.Memory
	if err := pump(t, calm, &want, seconds); err != nil {
		t.Fatal(err)
	}
	d := &disk{gate: make(chan struct{})}
	q := timeline.Behind(d, seconds+10)
	if err := pump(t, stalled, q, seconds); err != nil {
		t.Fatal(err)
	}
	if d.Len() != 0 {
		t.Fatalf("the disk that stalls has %d bytes", d.Len())
	}
	if !slices.Equal(stalled.Log, calm.Log) || beats(stalled) < seconds*10 {
		t.Errorf("%d beats of the dead-man with the disk stalled, %d without", beats(stalled), beats(calm))
	}
	close(d.gate)
	if err := q.Close(); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(d.Bytes(), want.Bytes()) {
		t.Errorf("%d bytes kept, %d without the queue", d.Len(), want.Len())
	}
}

// TestDiskTooLate: when no more chunks can wait, or one could not be written,
// the run ends in error with its pump off, and what is kept is a beginning.
func TestDiskTooLate(t *testing.T) {
	const seconds = 50
	var whole timeline.Memory
	if err := pump(t, pumping(), &whole, seconds); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		failAt int
		says   error
		kept   int // chunks: of a full queue one more than wait, which the disk has in hand
	}{
		"full":         {0, &timeline.FullError{Waiting: 8}, 9},
		"write failed": {4, errGone, 3},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := &disk{gate: make(chan struct{}), failAt: c.failAt}
				if c.failAt > 0 {
					close(d.gate)
				}
				q := timeline.Behind(d, 8)
				b := pumping()
				if err := pump(t, b, settled{q}, seconds); err == nil || !strings.Contains(err.Error(), c.says.Error()) {
					t.Errorf("the run ended with %v", err)
				}
				if v := b.Outputs()[rig.PumpDrip]; v != 0 || beats(b) > 200 {
					t.Errorf("the pump is at %d, after %d beats", v, beats(b))
				}
				if c.failAt == 0 {
					close(d.gate)
				}
				err := q.Close()
				if err == nil || err.Error() != c.says.Error() || q.Close() != err {
					t.Errorf("Close: %v", err)
				}
				_, events, err := timeline.ReadAll(bytes.NewReader(d.Bytes()))
				if err != nil || !bytes.HasPrefix(whole.Bytes(), d.Bytes()) || len(events) < c.kept-1 {
					t.Errorf("%d events kept in %d bytes, %v", len(events), d.Len(), err)
				}
				if kept := d.n - min(c.failAt, 1); kept != c.kept {
					t.Errorf("%d chunks kept, want %d", kept, c.kept)
				}
			})
		})
	}
}

// TestQueueKeepsOrder: whatever is written, at whatever pace the disk takes it,
// arrives as it was when it was written, in order, up to the first failure.
func TestQueueKeepsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		chunks := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 0, 40), 0, 20).Draw(t, "chunks")
		room := rapid.IntRange(0, 20).Draw(t, "room")
		d := &disk{gate: make(chan struct{}), failAt: rapid.IntRange(0, 20).Draw(t, "fail at")}
		opened := rapid.IntRange(0, 20).Draw(t, "gate opens before chunk")
		q := timeline.Behind(d, room)
		var want []byte
		taken, open := 0, false
		for i, c := range chunks {
			if i == opened {
				close(d.gate)
				open = true
			}
			c = bytes.Clone(c)
			if q.WriteChunk(c) != nil {
				break
			}
			taken++
			if d.failAt == 0 || taken < d.failAt {
				want = append(want, c...)
			}
			clear(c) // the queue has its own
		}
		if !open {
			close(d.gate)
		}
		err := q.Close()
		if failed := d.failAt > 0 && taken >= d.failAt; (err != nil) != (failed || taken < len(chunks)) {
			t.Fatalf("Close: %v after %d of %d chunks, failing at %d", err, taken, len(chunks), d.failAt)
		}
		if !bytes.Equal(d.Bytes(), want) {
			t.Fatalf("kept %x, want %x", d.Bytes(), want)
		}
	})
}
