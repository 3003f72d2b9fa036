package engine

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/interlock"
	"drench/rig/rigtest"
	"drench/rig/timeline"
)

const (
	chPump rig.ID = iota
	chStop
	chDetect
	chRail
)

// fresh is a run on a bench with a pump, an emergency stop, a detect line and
// a rail gauge.
func fresh(t *testing.T, script ...rig.Event) (*Run, *rigtest.Bench, *timeline.Memory) {
	t.Helper()
	b := &rigtest.Bench{
		Table: []rig.Channel{
			chPump:   {Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
			chStop:   {Name: rig.EStop, Dir: rig.Input},
			chDetect: {Name: rig.Detect, Dir: rig.Input},
			chRail:   {Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt},
		},
		Levels: map[rig.ID]int64{chStop: 1},
		Gauges: map[rig.ID]func(rig.Instant) (int64, error){chRail: func(at rig.Instant) (int64, error) { return int64(at), nil }},
		Script: script,
	}
	ctx := context.Background()
	g, err := interlock.New(ctx, b, interlock.Config{Inputs: []string{rig.EStop}, PumpOn: time.Minute, Volume: rig.Millilitre * 100, Poll: time.Second, Stale: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	m := &timeline.Memory{}
	w, err := timeline.NewWriter(m, timeline.Header{Channels: b.Table}, timeline.LivePace)
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(ctx, g, w)
	if err != nil {
		t.Fatal(err)
	}
	return r, b, m
}

func recorded(t *testing.T, m *timeline.Memory) []rig.Event {
	t.Helper()
	_, evs, err := timeline.ReadAll(bytes.NewReader(m.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	return evs
}

var flow = rig.Of(30 * rig.MlPerMin)

// TestRecord: what happens on the bench stands in the timeline, in order.
func TestRecord(t *testing.T) {
	ctx := context.Background()
	r, _, m := fresh(t, rig.Event{At: 3e9, Kind: rig.Edge, Channel: chDetect, Value: 1})
	err := r.Do(ctx, func(ctx context.Context) error {
		steps := []func() error{
			func() error { return r.Set(ctx, rig.PumpDrip, flow) },
			func() error { return r.Begin(rig.Trial{Kind: rig.Wet}) },
			func() error {
				ok, err := r.Level(ctx, rig.Detect, 1, 10*time.Second)
				if !ok || r.Now() != 3e9 {
					t.Errorf("detect seen %v at %v", ok, r.Now())
				}
				return err
			},
			r.End,
			func() error { return r.Set(ctx, rig.PumpDrip, rig.Quantity{Unit: rig.LitreRate}) },
			func() error { r.Watch(rig.Rail, time.Second); return r.Wait(ctx, 2500*time.Millisecond) },
			func() error { return errors.Join(r.Mark("m"), r.Note("n")) },
		}
		for _, s := range steps {
			if err := s(); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, ev := range recorded(t, m) {
		got = append(got, ev.Kind.String())
	}
	want := strings.Fields("edge edge note command trial edge trial_end command reading reading reading mark note end")
	for i := range want {
		want[i] = strings.ReplaceAll(want[i], "_", " ")
	}
	if !slices.Equal(got, want) {
		t.Errorf("recorded %v\nwant     %v", got, want)
	}
}

// knowing is a bench whose outputs know better when they obeyed: the loop was
// kept waiting before it heard of it.
type knowing struct{ *rigtest.Bench }

func (b knowing) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	at, err := b.Bench.Set(ctx, ch, v)
	b.Clock = b.Clock.Add(3 * time.Millisecond)
	return at, err
}

// TestStamps: commands stand in the timeline with the stamps of what drives
// the outputs, the supervisor's own too.
func TestStamps(t *testing.T) {
	ctx := context.Background()
	_, b, _ := fresh(t)
	g, err := interlock.New(ctx, knowing{b}, interlock.Config{Inputs: []string{rig.EStop}, PumpOn: time.Minute, Volume: rig.Millilitre, Poll: time.Second, Stale: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	m := &timeline.Memory{}
	w, err := timeline.NewWriter(m, timeline.Header{Channels: b.Table}, timeline.LivePace)
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(ctx, g, w)
	if err != nil {
		t.Fatal(err)
	}
	var want []rig.Instant
	if err := r.Do(ctx, func(ctx context.Context) error {
		want = append(want, r.Now())
		if err := r.Set(ctx, rig.PumpDrip, flow); err != nil {
			return err
		}
		want = append(want, r.Now()) // of Close
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	var got []rig.Instant
	for _, ev := range recorded(t, m) {
		if ev.Kind == rig.Command {
			got = append(got, ev.At)
		}
	}
	if !slices.Equal(got, want) || r.Now() == want[1] {
		t.Errorf("commands at %v, want %v", got, want)
	}
}

// TestLostEdge: a wait for a level ends though its edge was lost, and the level
// is on record.
func TestLostEdge(t *testing.T) {
	ctx := context.Background()
	r, b, m := fresh(t,
		rig.Event{At: 1e9, Kind: rig.Edge, Channel: chDetect, Value: 1},
		rig.Event{At: 2e9, Kind: rig.Gap, Channel: chDetect, Value: 1e6},
		rig.Event{At: 3e9, Kind: rig.Gap, Channel: chDetect, Value: 1e6},
	)
	b.Gauges[chDetect] = func(at rig.Instant) (int64, error) {
		if at >= 1e9 && at < 3e9 {
			return 1, nil
		}
		return 0, nil
	}
	err := r.Do(ctx, func(ctx context.Context) error {
		for _, want := range []struct {
			level int64
			at    rig.Instant
		}{{1, 1e9}, {0, 3e9}} {
			if ok, err := r.Level(ctx, rig.Detect, want.level, time.Minute); !ok || err != nil || r.Now() != want.at || r.Last(rig.Detect) != want.level {
				t.Errorf("level %d: %v, %v at %v", want.level, ok, err, r.Now())
			}
		}
		b.Gauges[chDetect] = func(rig.Instant) (int64, error) { return 0, errors.New("line gone") }
		b.Later(rig.Event{At: 4e9, Kind: rig.Gap, Channel: chDetect})
		return r.Wait(ctx, time.Minute)
	})
	if err == nil || !strings.Contains(err.Error(), "read detect, whose edges were lost: line gone") {
		t.Errorf("a line that can't be read: %v", err)
	}
	var got []string
	for _, ev := range recorded(t, m)[2:] { // after the levels at the start
		if ev.Channel == chDetect && ev.Kind != rig.Note && ev.Kind != rig.End {
			got = append(got, fmt.Sprint(ev.Kind, " ", ev.Value))
		}
	}
	if want := []string{"edge 1", "gap 1000000", "reading 1", "gap 1000000", "reading 0", "gap 0"}; !slices.Equal(got, want) {
		t.Errorf("recorded %q, want %q", got, want)
	}
}

// TestEndings: whatever ends a run, its pump is off and its timeline says why.
func TestEndings(t *testing.T) {
	for name, c := range map[string]struct {
		script []rig.Event
		do     func(context.Context, context.CancelFunc, *Run) error
		why    string
	}{
		"an error": {nil, func(context.Context, context.CancelFunc, *Run) error { return errors.New("broken script") }, "broken script"},
		"a panic":  {nil, func(context.Context, context.CancelFunc, *Run) error { panic("oh") }, "the run loop failed: oh"},
		"a stop": {nil, func(ctx context.Context, stop context.CancelFunc, r *Run) error {
			stop()
			return r.Wait(ctx, time.Second)
		}, "stopped"},
		"a trip": {[]rig.Event{{At: 1e9, Kind: rig.Edge, Channel: chStop}}, func(ctx context.Context, _ context.CancelFunc, r *Run) error {
			return r.Wait(ctx, time.Minute)
		}, "emergency stop"},
		"a swallowed trip": {[]rig.Event{{At: 1e9, Kind: rig.Edge, Channel: chStop}}, func(ctx context.Context, _ context.CancelFunc, r *Run) error {
			_ = r.Wait(ctx, time.Minute)
			return errors.Join(r.Set(ctx, rig.PumpDrip, flow))
		}, "emergency stop"},
		"nothing": {nil, func(context.Context, context.CancelFunc, *Run) error { return nil }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			ctx, stop := context.WithCancel(context.Background())
			defer stop()
			r, b, m := fresh(t, c.script...)
			err := r.Do(ctx, func(ctx context.Context) error {
				if err := r.Set(ctx, rig.PumpDrip, flow); err != nil {
					return err
				}
				return c.do(ctx, stop, r)
			})
			if (err == nil) != (c.why == "") || err != nil && !strings.Contains(err.Error(), c.why) {
				t.Errorf("Do returned %v, want %q", err, c.why)
			}
			if v := b.Outputs()[rig.PumpDrip]; v != 0 {
				t.Errorf("pump is at %d", v)
			}
			evs := recorded(t, m)
			if last := evs[len(evs)-1]; last.Kind != rig.End || !strings.Contains(last.Text, c.why) || c.why == "" && last.Text != "" {
				t.Errorf("timeline ends with %+v", last)
			}
			if r.Last(rig.PumpDrip) != 0 {
				t.Error("the timeline lacks the command that stopped the pump")
			}
		})
	}
}

func TestMisuse(t *testing.T) {
	ctx := context.Background()
	r, _, _ := fresh(t)
	var missing *ChannelError
	if err := r.Set(ctx, "nowhere", flow); !errors.As(err, &missing) {
		t.Errorf("unknown channel: %v", err)
	}
	if err := r.Set(ctx, rig.PumpDrip, rig.Of(2*time.Second)); err == nil || !strings.Contains(err.Error(), "30 ml/min") {
		t.Errorf("wrong unit: %v", err)
	}
	if r.End() == nil {
		t.Error("a trial that was not begun could be ended")
	}
	if err := r.Begin(rig.Trial{}); err != nil {
		t.Error(err)
	}
	if r.Begin(rig.Trial{}) == nil {
		t.Error("trials nested")
	}
	if _, err := r.Ask(ctx, rig.Detect+"s"); !errors.As(err, &missing) {
		t.Errorf("unknown gauge: %v", err)
	}
}

// TestLostDisk: a timeline that can't be kept stops the run and the pump.
func TestLostDisk(t *testing.T) {
	ctx := context.Background()
	b := &rigtest.Bench{Table: []rig.Channel{{Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump}, {Name: rig.EStop, Dir: rig.Input}},
		Levels: map[rig.ID]int64{1: 1}}
	g, err := interlock.New(ctx, b, interlock.Config{Inputs: []string{rig.EStop}, PumpOn: time.Minute, Volume: rig.Millilitre, Poll: time.Second, Stale: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	disk := &fullAfter{chunks: 2}
	w, err := timeline.NewWriter(disk, timeline.Header{}, timeline.Pace{Events: 1, Span: 1})
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(ctx, g, w)
	if err != nil {
		t.Fatal(err)
	}
	err = r.Do(ctx, func(ctx context.Context) error { return r.Set(ctx, rig.PumpDrip, flow) })
	if err == nil || !strings.Contains(err.Error(), "no space left") {
		t.Errorf("Do returned %v", err)
	}
	if v := b.Outputs()[rig.PumpDrip]; v != 0 {
		t.Errorf("pump is at %d with nowhere to record it", v)
	}
}

type fullAfter struct{ chunks int }

func (f *fullAfter) WriteChunk([]byte) error {
	if f.chunks--; f.chunks < 0 {
		return errors.New("no space left on device")
	}
	return nil
}
