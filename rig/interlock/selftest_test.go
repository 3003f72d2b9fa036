package interlock

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/rigtest"

	"pgregory.net/rapid"
)

const chTest rig.ID = 9

// loops is a bench with a relay whose contacts open the loops of its inputs.
type loops struct {
	*rigtest.Bench
	lag    time.Duration // of the relay
	stuck  map[rig.ID]bool
	silent map[rig.ID]bool // gives no edges
	lossy  map[rig.ID]bool // gives gaps for edges
	bounce int             // extra pulses of a millisecond
	shut   bool            // the relay does not come back
}

// testable is such a bench with the emergency stop and the tray in the loop, and
// its configuration.
func testable() (*loops, Config) {
	b, cfg := bench(), config()
	b.Table = append(b.Table, rig.Channel{Name: rig.LoopTest, Dir: rig.Output, Hazard: rig.Idle})
	cfg.Tests = map[string]string{rig.EStop: rig.LoopTest, rig.Tray: rig.LoopTest}
	return &loops{Bench: b, lag: 8 * time.Millisecond, stuck: map[rig.ID]bool{}, silent: map[rig.ID]bool{}, lossy: map[rig.ID]bool{}}, cfg
}

func (l *loops) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	at, err := l.Bench.Set(ctx, ch, v)
	if err != nil || ch != chTest || l.Level(chTest) == v {
		return at, err
	}
	l.Levels[chTest] = v
	if l.shut && v == 0 {
		return at, nil
	}
	for i, id := range []rig.ID{chStop, chTray} {
		if !l.stuck[id] {
			l.move(id, at.Add(l.lag+time.Duration(i)*time.Microsecond), 1-v)
		}
	}
	return at, nil
}

// Level is the level of the test line.
func (l *loops) Level(ch rig.ID) int64 { return l.Levels[ch] }

// move has an input go to a level, with bounces before.
func (l *loops) move(id rig.ID, at rig.Instant, level int64) {
	var evs []rig.Event
	for i := range 2*l.bounce + 1 {
		v := level
		if i%2 == 1 {
			v = 1 - level
		}
		evs = append(evs, rig.Event{At: at.Add(time.Duration(i) * time.Millisecond), Kind: rig.Edge, Channel: id, Value: v})
	}
	reached := evs[len(evs)-1]
	before := l.Gauges[id]
	if before == nil {
		before = func(rig.Instant) (int64, error) { return 1, nil }
	}
	l.Gauges[id] = func(now rig.Instant) (int64, error) {
		if now >= reached.At {
			return level, nil
		}
		return before(now)
	}
	if l.silent[id] {
		return
	}
	if l.lossy[id] {
		reached.Kind, reached.Value = rig.Gap, int64(time.Millisecond)
		evs = []rig.Event{reached}
	}
	l.Later(evs...)
}

// tried runs the self-test and returns what was recorded.
func tried(t testing.TB, b rig.Bench, cfg Config, last map[string]string) (*Guard, []rig.Event, error) {
	t.Helper()
	g, err := New(context.Background(), b, cfg)
	if err != nil {
		t.Fatal(err)
	}
	g.LastOpened = last
	var evs []rig.Event
	err = g.SelfTest(context.Background(), func(ev rig.Event) error { evs = append(evs, ev); return nil })
	return g, append(evs, g.Drain()...), err
}

func notes(evs []rig.Event) (texts []string) {
	for _, ev := range evs {
		if ev.Kind == rig.Note {
			texts = append(texts, ev.Text)
		}
	}
	return texts
}

// TestSelfTest: what a test line proves, and in which ways it fails.
func TestSelfTest(t *testing.T) {
	for name, c := range map[string]struct {
		mend func(*loops)
		trip string
	}{
		"healthy":              {func(*loops) {}, ""},
		"a slow relay":         {func(l *loops) { l.lag = 400 * time.Millisecond }, ""},
		"a relay that bounces": {func(l *loops) { l.bounce = 3 }, ""},
		"edges that are lost":  {func(l *loops) { l.lossy[chStop] = true }, ""},
		"a bridged loop":       {func(l *loops) { l.stuck[chStop] = true }, "loop_test does not open estop: "},
		"both loops bridged":   {func(l *loops) { l.stuck[chStop], l.stuck[chTray] = true, true }, "loop_test does not open estop, tray: "},
		"a relay that is dead": {func(l *loops) { l.lag = time.Minute }, "loop_test does not open estop, tray: "},
		"an input that sleeps": {func(l *loops) { l.silent[chTray] = true }, "loop_test does not open tray: "},
		"a relay that sticks":  {func(l *loops) { l.shut = true }, "after loop_test the loop stays open: estop, tray"},
		"an open loop":         {func(l *loops) { l.Levels[chTray] = 0 }, "water in the tray"},
		"a test line that fails": {func(l *loops) {
			l.Refuse = func(ch rig.ID, v int64) error {
				if ch == chTest && v != 0 {
					return errors.New("line gone")
				}
				return nil
			}
		}, "set loop_test: line gone"},
		"something else opens": {func(l *loops) {
			l.Table = append(l.Table, rig.Channel{Name: rig.Lid, Dir: rig.Input})
			l.Levels[10] = 1
			l.Later(rig.Event{At: 10e6, Kind: rig.Edge, Channel: 10})
		}, "lid open"},
	} {
		t.Run(name, func(t *testing.T) {
			b, cfg := testable()
			c.mend(b)
			if len(b.Table) > int(chTest)+1 {
				cfg.Inputs = append(cfg.Inputs, rig.Lid)
			}
			g, evs, err := tried(t, b, cfg, nil)
			if c.trip == "" {
				if err != nil || g.Tripped() != nil {
					t.Fatal(err)
				}
				want := []Opening{{Input: rig.EStop, By: rig.LoopTest}, {Input: rig.Tray, By: rig.LoopTest}}
				got := g.Openings()
				for i := range got {
					got[i].At = 0
				}
				if !slices.Equal(got, want) {
					t.Errorf("seen to open: %v", got)
				}
				if _, err := g.Set(t.Context(), chPump, flow); err != nil {
					t.Error(err)
				}
				return
			}
			var trip *TripError
			if !errors.As(err, &trip) || !strings.Contains(trip.Reason, c.trip) {
				t.Fatalf("got %v, want a trip with %q", err, c.trip)
			}
			if !slices.ContainsFunc(evs, func(ev rig.Event) bool { return ev.Kind == rig.Trip }) {
				t.Errorf("recorded %v", evs)
			}
			if _, err := g.Set(t.Context(), chPump, flow); err == nil {
				t.Error("a pump could be started")
			}
			for _, s := range b.Log {
				if s.Value != 0 && s.Channel != chDeadman && s.Channel != chTest {
					t.Errorf("%s was set to %d", b.Table[s.Channel].Name, s.Value)
				}
			}
			if v := b.Outputs()[rig.LoopTest]; v != 0 {
				t.Errorf("the test line is at %d", v)
			}
		})
	}
}

// TestSelfTestRecord: a timeline has the test as it was: commands, edges, and
// what was proved and what was not.
func TestSelfTestRecord(t *testing.T) {
	b, cfg := testable()
	b.Table = append(b.Table, rig.Channel{Name: rig.Lid, Dir: rig.Input}, rig.Channel{Name: rig.Reservoir, Dir: rig.Input})
	b.Levels[10], b.Levels[11] = 1, 1
	cfg.Inputs = append(cfg.Inputs, rig.Lid, rig.Reservoir)
	_, evs, err := tried(t, b, cfg, map[string]string{rig.Lid: "2026-11-24 09:12, by hand (Ada)"})
	if err != nil {
		t.Fatal(err)
	}
	const ms, us = 1_000_000, 1_000
	want := []rig.Event{
		{Kind: rig.Command, Channel: chTest, Value: 1},
		{At: 8 * ms, Kind: rig.Edge, Channel: chStop}, {At: 8*ms + us, Kind: rig.Edge, Channel: chTray},
		{At: 28*ms + us, Kind: rig.Command, Channel: chTest},
		{At: 36*ms + us, Kind: rig.Edge, Channel: chStop, Value: 1}, {At: 36*ms + 2*us, Kind: rig.Edge, Channel: chTray, Value: 1},
	}
	if !slices.Equal(evs[:len(want)], want) {
		t.Errorf("recorded %v\nwant     %v", evs[:len(want)], want)
	}
	texts := []string{
		"self-test: estop opened and closed by loop_test",
		"self-test: tray opened and closed by loop_test",
		"self-test: lid reads healthy; not proved in this run; last seen to open: 2026-11-24 09:12, by hand (Ada)",
		"self-test: reservoir reads healthy; not proved in this run, and never seen to open",
	}
	if got := notes(evs[len(want):]); !slices.Equal(got, texts) || len(evs) != len(want)+len(texts) {
		t.Errorf("noted %q\nwant  %q", got, texts)
	}
}

// TestUntested: a bench with a test line energises nothing before the test, and
// nobody else drives the line; one without needs none.
func TestUntested(t *testing.T) {
	b, cfg := testable()
	g, err := New(t.Context(), b, cfg)
	if err != nil {
		t.Fatal(err)
	}
	if err := set(t.Context(), g, chValve, 1); err == nil || !strings.Contains(err.Error(), "before the self-test") || g.Tripped() != nil {
		t.Errorf("untested: %v, %v", err, g.Tripped())
	}
	if err := set(t.Context(), g, chTest, 1); err == nil || !strings.Contains(err.Error(), "belong to its supervisor") {
		t.Errorf("the test line: %v", err)
	}
	stop := errors.New("disk full")
	if err := g.SelfTest(t.Context(), func(rig.Event) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("a record that fails: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := g.SelfTest(ctx, func(rig.Event) error { return nil }); !errors.Is(err, context.Canceled) || g.Tripped() != nil {
		t.Errorf("cancelled: %v, %v", err, g.Tripped())
	}
	if err := set(t.Context(), g, chValve, 1); err == nil {
		t.Error("energised after tests that did not end")
	}

	if err := g.SelfTest(t.Context(), func(rig.Event) error { return nil }); err != nil {
		t.Fatal(err)
	}
	if err := set(t.Context(), g, chPump, flow); err != nil {
		t.Fatal(err)
	}
	before := len(b.Log)
	if err := g.SelfTest(t.Context(), nil); err == nil || !strings.Contains(err.Error(), "pump_drip is on") || len(b.Log) != before {
		t.Errorf("while a pump runs: %v, set %v", err, b.Log[before:])
	}

	plain := bench()
	_, evs, err := tried(t, plain, config(), nil)
	if want := []string{"self-test: estop reads healthy; not proved in this run", "self-test: tray reads healthy; not proved in this run"}; err != nil || !slices.Equal(notes(evs), want) {
		t.Errorf("without test lines: %q, %v", notes(evs), err)
	}
}

// TestBadTests: test lines that can't be.
func TestBadTests(t *testing.T) {
	for want, tests := range map[string]map[string]string{
		`test line "nowhere" of interlock input estop is not`:   {rig.EStop: "nowhere"},
		`test line "tray" of interlock input estop is not`:      {rig.EStop: rig.Tray},
		`test line "valve_air" of interlock input estop is not`: {rig.EStop: rig.ValveAir},
		`test line "deadman" of interlock input estop is not`:   {rig.EStop: rig.Deadman},
		`a test line for "lid", which is not among`:             {rig.Lid: rig.LoopTest},
	} {
		b, cfg := testable()
		cfg.Tests = tests
		if _, err := New(t.Context(), b, cfg); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: %v", tests, err)
		}
	}
}

// TestOpenings: an input that opens by itself is known to have; one that never
// read healthy is not.
func TestOpenings(t *testing.T) {
	b := bench()
	b.Script = []rig.Event{{At: 2e9, Kind: rig.Edge, Channel: chTray}}
	g, err := New(t.Context(), b, config())
	if err != nil {
		t.Fatal(err)
	}
	_ = wait(g, 3*time.Second) // up to the trip
	if got, want := g.Openings(), []Opening{{Input: rig.Tray, At: 2e9}}; !slices.Equal(got, want) {
		t.Errorf("seen to open: %v, want %v", got, want)
	}
	b = bench()
	b.Levels[chStop] = 0
	if g, err = New(t.Context(), b, config()); err != nil || g.Tripped() == nil || len(g.Openings()) > 0 {
		t.Errorf("a line that was open all along: trip %v, seen to open %v, %v", g.Tripped(), g.Openings(), err)
	}
}

// TestSelfTestAtRandom: whatever relays and loops do, nothing but the test line
// and the dead-man line is set before the self-test has passed, and it passes
// only if both inputs were seen to open and to close.
func TestSelfTestAtRandom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, cfg := testable()
		b.lag = time.Duration(rapid.Int64Range(0, 600e6).Draw(t, "lag"))
		b.bounce = rapid.IntRange(0, 5).Draw(t, "bounces")
		b.shut = rapid.IntRange(0, 9).Draw(t, "sticks") == 0
		for _, id := range []rig.ID{chStop, chTray} {
			switch rapid.IntRange(0, 7).Draw(t, "fault") {
			case 0:
				b.stuck[id] = true
			case 1:
				b.silent[id] = true
			case 2:
				b.lossy[id] = true
			}
		}
		g, err := New(t.Context(), b, cfg)
		if err != nil {
			t.Fatal(err)
		}
		err = g.SelfTest(t.Context(), func(rig.Event) error { return nil })
		for _, s := range b.Log {
			if s.Value != 0 && s.Channel != chDeadman && s.Channel != chTest {
				t.Fatalf("%s was set to %d", b.Table[s.Channel].Name, s.Value)
			}
		}
		works := len(b.stuck)+len(b.silent) == 0 && !b.shut && b.lag < testWithin-testSettle
		if works && err != nil || (len(b.stuck)+len(b.silent) > 0 || b.shut || b.lag > testWithin) && err == nil {
			t.Fatalf("lag %v, bounces %d, sticks %v, stuck %v, silent %v: %v", b.lag, b.bounce, b.shut, b.stuck, b.silent, err)
		}
		if err == nil && len(g.Openings()) != 2 || err != nil && g.Tripped() == nil {
			t.Fatalf("seen to open %v, trip %v, %v", g.Openings(), g.Tripped(), err)
		}
	})
}
