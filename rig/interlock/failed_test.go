package interlock

import (
	"context"
	"errors"
	"slices"
	"testing"

	"drench/rig"
	"drench/rig/rigtest"
)

// deaf is a bench with a supply that is slow to obey, and that at last does not.
type deaf struct {
	*rigtest.Bench
	orders int
}

func (d *deaf) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	if ch != chSupply {
		return d.Bench.Set(ctx, ch, v)
	}
	d.orders++
	return rig.Pending, nil
}

func (d *deaf) Await(ctx context.Context, until rig.Instant) (rig.Event, bool, error) {
	switch {
	case d.orders == 0:
		return d.Bench.Await(ctx, until)
	case d.Clock == 0: // it obeys New
		d.orders = 0
		return rig.Event{Kind: rig.Command, Channel: chSupply}, true, nil
	}
	d.orders--
	return rig.Event{}, false, &rig.SetError{Channel: chSupply, Err: errors.New("link lost")}
}

// TestFailed: the run hears of each output that did not do as it was told, and
// what that was; before the trip that it causes, and after one while outputs
// are made safe.
func TestFailed(t *testing.T) {
	type told struct {
		kind    rig.Kind
		channel rig.ID
		value   int64
		text    string
	}
	short := func(evs []rig.Event) (list []told) {
		for _, ev := range evs {
			if ev.Kind == rig.Trip {
				ev.Text = ""
			}
			list = append(list, told{ev.Kind, ev.Channel, ev.Value, ev.Text})
		}
		return list
	}
	ctx := t.Context()
	gone := errors.New("line gone")
	b := bench()
	g, err := New(ctx, b, config())
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(set(ctx, g, chSupply, 1), set(ctx, g, chPump, flow)); err != nil {
		t.Fatal(err)
	}
	b.Refuse = func(ch rig.ID, v int64) error {
		if ch == chValve && v == 1 || ch == chSupply && v == 0 {
			return gone
		}
		return nil
	}
	if err := set(ctx, g, chValve, 1); !errors.Is(err, gone) {
		t.Error(err)
	}
	want := []told{{rig.Failed, chValve, 1, "line gone"}, {kind: rig.Trip}, {rig.Command, chPump, 0, ""}, {rig.Failed, chSupply, 0, "line gone"}}
	if got := short(g.Drain()); !slices.Equal(got, want) {
		t.Errorf("told %v\nwant %v", got, want)
	}

	d := &deaf{Bench: bench()}
	if g, err = New(ctx, d, config()); err != nil {
		t.Fatal(err)
	}
	d.Clock = 1
	if err := set(ctx, g, chSupply, 1); err != nil {
		t.Fatal(err)
	}
	if err := wait(g, 1e9); err == nil || g.Tripped() == nil {
		t.Fatalf("waited and got %v", err)
	}
	if err := g.Settle(ctx); err == nil {
		t.Error("settled although the link is lost")
	}
	want = []told{{rig.Failed, chSupply, 1, "link lost"}, {kind: rig.Trip}, {rig.Failed, chSupply, 0, "link lost"}}
	if got := short(g.Drain()); !slices.Equal(got, want) {
		t.Errorf("told %v\nwant %v", got, want)
	}
}
