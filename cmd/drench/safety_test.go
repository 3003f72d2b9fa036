package main_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/drivers/virtual"
	"drench/results/safety"
	"drench/results/store"
	"drench/rig"
	"drench/rig/config"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/timeline"

	"periph.io/x/conn/v3/physic"
)

// stockRig is the rig and the device that drench has built in.
func stockRig(t testing.TB) (*config.Loaded, rig.DUT, virtual.Config, virtual.Model) {
	t.Helper()
	world := virtual.Default()
	l, err := config.LoadRig("", map[string]any{"virtual": &world})
	if err != nil {
		t.Fatal(err)
	}
	var model virtual.Model
	device, _, err := l.LoadProfile(&model)
	if err != nil {
		t.Fatal(err)
	}
	return l, device, world, model
}

// reread is a timeline in memory as it reads back.
func reread(t testing.TB, k *timeline.Memory) (timeline.Header, []rig.Event) {
	t.Helper()
	h, evs, err := timeline.ReadAll(bytes.NewReader(k.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	return h, evs
}

// seen stands between guard and virtual bench and keeps its own books of what
// really is energised, from the bench's truth and not from the timeline. It
// has the channels in an order of its own: a rig file may name them in any.
type seen struct {
	*virtual.Bench
	table  []rig.Channel
	there  []rig.ID // of a channel, by its place here
	here   []rig.ID // and the other way
	guard  *interlock.Guard
	limits interlock.Config
	danger rig.Instant // no pump may run from here on

	sets     [][]rig.Event // by channel: the commands that changed it
	since    map[string]rig.Instant
	longest  time.Duration
	volume   float64 // nl, by the flows set
	counted  rig.Instant
	beats    int
	events   int
	breaches []string
}

func watch(world *virtual.Bench, e *episode) *seen {
	table := world.Channels()
	s := &seen{Bench: world, limits: e.limits, danger: e.danger, sets: make([][]rig.Event, len(table)), since: map[string]rig.Instant{}, here: make([]rig.ID, len(table))}
	for here, there := range e.rng.Perm(len(table)) {
		s.table, s.there = append(s.table, table[there]), append(s.there, rig.ID(there))
		s.here[there] = rig.ID(here)
	}
	return s
}

func (s *seen) Channels() []rig.Channel { return s.table }

func (s *seen) Ask(ctx context.Context, ch rig.ID) (int64, error) {
	return s.Bench.Ask(ctx, s.there[ch])
}

func (s *seen) breach(format string, args ...any) {
	if len(s.breaches) < 10 {
		s.breaches = append(s.breaches, fmt.Sprintf("at %v: ", s.Now())+fmt.Sprintf(format, args...))
	}
}

func (s *seen) last(ch rig.ID) int64 {
	if n := len(s.sets[ch]); n > 0 {
		return s.sets[ch][n-1].Value
	}
	return 0
}

func (s *seen) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	s.count()
	at, err := s.Bench.Set(ctx, s.there[ch], v)
	if err != nil {
		return 0, err
	}
	switch name := s.table[ch].Name; {
	case name == rig.Deadman:
		s.beats++
		return at, nil
	case s.guard != nil && s.guard.Tripped() != nil && v != 0:
		s.breach("%s was set to %d after the trip", name, v)
	}
	if v != s.last(ch) {
		s.sets[ch] = append(s.sets[ch], rig.Event{At: at, Kind: rig.Command, Channel: ch, Value: v})
	}
	s.look()
	return at, nil
}

func (s *seen) Await(ctx context.Context, until rig.Instant) (rig.Event, bool, error) {
	ev, ok, err := s.Bench.Await(ctx, until)
	if ok {
		s.events++
		ev.Channel = s.here[ev.Channel]
	}
	s.count()
	s.look()
	return ev, ok, err
}

// count sums what the pumps were asked for, as long as the bench lets them run.
func (s *seen) count() {
	now := s.Now()
	for ch, c := range s.table {
		if _, on := s.since[c.Name]; on {
			s.volume += float64(s.last(rig.ID(ch))) * now.Sub(s.counted).Minutes()
		}
	}
	s.counted = now
}

// look asks the bench which pumps are energised.
func (s *seen) look() {
	now, on := s.Now(), s.Energised()
	for _, pump := range []string{rig.PumpDrip, rig.PumpSpray} {
		began, was := s.since[pump]
		if !slices.Contains(on, pump) {
			delete(s.since, pump)
			continue
		}
		if !was {
			s.since[pump], began = now, now
		}
		s.longest = max(s.longest, now.Sub(began))
		if now >= s.danger {
			s.breach("%s is on although the danger began at %v", pump, s.danger)
		}
	}
	if s.longest > s.limits.PumpOn {
		s.breach("a pump has been on for %v, budget %v", s.longest, s.limits.PumpOn)
	}
	if s.volume > float64(s.limits.Volume)+1 {
		s.breach("%.0f nl delivered, budget %d", s.volume, s.limits.Volume)
	}
}

// settled finds what is still energised a while after the run, when slow
// outputs had time to come down.
func (s *seen) settled(t testing.TB) []string {
	t.Helper()
	for end := s.Now().Add(2 * time.Second); ; {
		_, ok, err := s.Bench.Await(context.Background(), end)
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			return s.Energised()
		}
	}
}

// episode is a random life of a bench: what is wrong with it and what is
// asked of it.
type episode struct {
	rng    *rand.Rand
	world  virtual.Config
	limits interlock.Config
	danger rig.Instant
	linked bool // the supply keeps its link
}

func newEpisode(seed uint64, l *config.Loaded, world virtual.Config) *episode {
	e := &episode{rng: rand.New(rand.NewPCG(seed, 1)), world: world, limits: l.Interlock, danger: rig.Never, linked: true}
	e.limits.PumpOn = e.between(500*time.Millisecond, 20*time.Second)
	e.limits.Volume = rig.Volume(1e5 + e.rng.Int64N(1e8))
	e.limits.Poll = e.between(50*time.Millisecond, 500*time.Millisecond)
	e.limits.Stale = e.limits.Poll + e.between(time.Millisecond, time.Second)
	e.world.Water.Reservoir = e.world.Water.Low + rig.Volume(e.rng.Int64N(2e8))
	e.world.Faults = map[string]virtual.Fault{}
	faults := virtual.Faults()
	for range e.rng.IntN(4) {
		f := faults[e.rng.IntN(len(faults))]
		if f.Name == "stuck_input" {
			continue // it hides what this test judges by, and has a test of its own
		}
		from := e.between(time.Nanosecond, 2*time.Minute)
		if _, drawn := e.world.Faults[f.Name]; drawn {
			continue // it begins when the first draw says
		}
		e.world.Faults[f.Name] = virtual.Fault{From: from}
		switch f.Name {
		case "estop_pressed", "tray_full", "lid_open", "reservoir_empty":
			// The edge is stamped within a millisecond. Should it be lost, the
			// next poll sees the level, at the pass after it is due.
			e.danger = min(e.danger, rig.Instant(from).Add(time.Millisecond))
		case "supply_link":
			e.linked = false
		}
	}
	if _, lossy := e.world.Faults["lost_edges"]; lossy && e.danger != rig.Never {
		e.danger = e.danger.Add(e.limits.Poll + 2*interlock.Beat)
	}
	return e
}

func (e *episode) between(from, to time.Duration) time.Duration {
	return from + time.Duration(e.rng.Int64N(int64(to-from)))
}

// step does one random thing.
func (e *episode) step(ctx context.Context, r *engine.Run, g *interlock.Guard) error {
	switch n := e.rng.IntN(100); {
	case n < 35:
		return e.set(ctx, r)
	case n < 75:
		return r.Wait(ctx, e.between(0, 5*time.Second))
	case n < 80:
		_, err := r.NextEdge(ctx, e.pick(rig.DropGate, rig.Heartbeat, rig.EStop, rig.Detect), e.between(0, 5*time.Second))
		return err
	case n < 85:
		_, err := r.Level(ctx, e.pick(rig.Witness, rig.Tray), e.rng.Int64N(2), e.between(0, 2*time.Second))
		return err
	case n < 90:
		r.Watch(e.pick(rig.Rail, rig.AirTemp, rig.DUTEnergy), e.between(0, time.Second))
		_, err := r.Ask(ctx, e.pick(rig.Rail, rig.DUTCurrent, rig.PlateTemp))
		return err
	case n < 95 && !r.InTrial():
		return r.Begin(rig.Trial{Kind: rig.Wet})
	case n < 95:
		return r.End()
	case n < 98:
		return r.Mark("a point")
	case e.rng.IntN(10) == 0:
		g.Trip("somebody saw smoke")
	}
	return nil
}

func (e *episode) pick(names ...string) string { return names[e.rng.IntN(len(names))] }

// set drives a random output, mostly to what it can do.
func (e *episode) set(ctx context.Context, r *engine.Run) error {
	outputs := []struct {
		name string
		most rig.Quantity
	}{
		{rig.PumpDrip, rig.Of(60 * rig.MlPerMin)}, {rig.PumpDrip, rig.Of(60 * rig.MlPerMin)}, {rig.PumpSpray, rig.Of(40 * rig.MlPerMin)},
		{rig.ValveAir, rig.Quantity{N: 1}}, {rig.Humidity, rig.Of(90 * physic.PercentRH)}, {rig.Plate, rig.Of(30*physic.Celsius + physic.ZeroCelsius)},
		{rig.SupplySet, rig.Of(4 * physic.Volt)}, {rig.DipRail, rig.Of(4 * physic.Volt)}, {rig.RelayDUT, rig.Quantity{N: 1}},
		{rig.RelayDip, rig.Quantity{N: 1}}, {rig.Wake, rig.Quantity{N: 1}}, {rig.Reset, rig.Quantity{N: 1}}, {rig.Deadman, rig.Quantity{N: 1}},
	}
	o := outputs[e.rng.IntN(len(outputs))]
	q := o.most
	switch n := e.rng.IntN(200); {
	case n < 80:
		q.N = 0
	case n < 160 && q.N > 1:
		q.N = 1 + e.rng.Int64N(q.N)
	case n == 199:
		q.N = -q.N
	case n == 198:
		q.N *= 1000 // which no output can do: it does not obey
	}
	return r.Set(ctx, o.name, q)
}

// TestNothingEnergisedWrongly has random scenarios with random faults on the
// virtual bench, and judges each twice: by the checker of timelines, and by
// the bench's own truth.
func TestNothingEnergisedWrongly(t *testing.T) {
	t.Parallel()
	want := 1_000_000
	if testing.Short() {
		want = 50_000
	}
	var passes, events, steps, trips, lost int
	for seed := uint64(1); passes+events+steps < want; seed++ {
		o := live(t, seed)
		passes, events, steps = passes+o.beats, events+o.events, steps+o.steps
		if o.tripped {
			trips++
		}
		if !o.linked {
			lost++
		}
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
	t.Logf("%d supervisor's passes, %d bench events, %d calls of the engine; %d runs tripped, %d with the supply's link lost", passes, events, steps, trips, lost)
}

type lived struct {
	beats, events, steps int
	tripped, linked      bool
}

func live(t *testing.T, seed uint64) lived {
	t.Helper()
	l, device, world, model := stockRig(t)
	e := newEpisode(seed, l, world)
	v, err := virtual.Open(e.world, device, model, seed)
	if err != nil {
		t.Fatal(err)
	}
	bench := watch(v, e)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	guard, err := interlock.New(ctx, bench, e.limits)
	if err != nil {
		t.Fatal(err)
	}
	bench.guard = guard
	var k timeline.Memory
	w, err := timeline.NewWriter(&k, timeline.Header{Channels: bench.Channels()}, timeline.VirtualPace)
	if err != nil {
		t.Fatal(err)
	}
	run, err := engine.New(ctx, guard, w)
	if err != nil {
		t.Fatal(err)
	}
	out := lived{linked: e.linked}
	stopAt := e.rng.IntN(3000)
	_ = run.Do(ctx, func(ctx context.Context) error { // how it ends is judged below
		for out.steps < 2000 {
			out.steps++
			if out.steps == stopAt {
				stop()
			}
			// A script that goes on after an error gets no further than that.
			if err := e.step(ctx, run, guard); ctx.Err() != nil || err != nil && e.rng.IntN(3) == 0 {
				return err
			}
		}
		return errors.New("enough")
	})
	out.beats, out.events, out.tripped = bench.beats, bench.events, guard.Tripped() != nil
	judgeBoth(t, e, bench, &k)
	return out
}

// judgeBoth holds what was recorded against what was.
func judgeBoth(t *testing.T, e *episode, bench *seen, k *timeline.Memory) {
	t.Helper()
	h, evs := reread(t, k)
	r, err := safety.Check(h, safety.Allowed(e.limits), each(evs))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.Findings {
		t.Errorf("timeline: %v", f)
	}
	for _, b := range bench.breaches {
		t.Errorf("bench: %s", b)
	}
	if r.Cut != "" || r.Longest < bench.longest || r.Longest > e.limits.PumpOn {
		t.Errorf("timeline cut %q, pumps on for %v at most; on the bench %v, budget %v", r.Cut, r.Longest, bench.longest, e.limits.PumpOn)
	}
	if d := float64(r.Delivered) - bench.volume; d < -1 || float64(r.Delivered) > float64(e.limits.Volume)+1 {
		t.Errorf("timeline: %d nl delivered; on the bench %.0f, budget %d", r.Delivered, bench.volume, e.limits.Volume)
	}
	for ch, sets := range bench.sets {
		if got := changes(evs, rig.ID(ch)); !slices.Equal(got, sets) {
			t.Errorf("%s: the timeline has %v\nthe bench got %v", h.Channels[ch].Name, got, sets)
		}
	}
	for _, name := range bench.settled(t) {
		// A supply that can't be reached can't be turned off: its relay is.
		if !slices.ContainsFunc(r.Unreached, func(u safety.Unreached) bool { return u.Channel == name && u.CutBy == rig.RelayDUT }) {
			t.Errorf("bench: %s is energised after the run", name)
		}
	}
}

// changes are the commands of a channel that changed it.
func changes(evs []rig.Event, ch rig.ID) []rig.Event {
	var out []rig.Event
	last := int64(0)
	for _, ev := range evs {
		if ev.Kind == rig.Command && ev.Channel == ch && ev.Value != last {
			out, last = append(out, ev), ev.Value
		}
	}
	return out
}

func each(evs []rig.Event) iter.Seq2[rig.Event, error] {
	return func(yield func(rig.Event, error) bool) {
		for _, ev := range evs {
			if !yield(ev, nil) {
				return
			}
		}
	}
}

// TestHungLoop: when the run loop hangs, in whichever state of the dead-man
// line, the hardware stops the pumps, and the record of it is no good record.
func TestHungLoop(t *testing.T) {
	l, device, world, model := stockRig(t)
	for seed := range uint64(20) {
		v, err := virtual.Open(world, device, model, seed)
		if err != nil {
			t.Fatal(err)
		}
		limits := l.Interlock
		limits.PumpOn = 10 * time.Second
		guard, err := interlock.New(t.Context(), v, limits)
		if err != nil {
			t.Fatal(err)
		}
		var k timeline.Memory
		w, err := timeline.NewWriter(&k, timeline.Header{Channels: v.Channels()}, timeline.VirtualPace)
		if err != nil {
			t.Fatal(err)
		}
		run, err := engine.New(t.Context(), guard, w)
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(seed, 2))
		err = run.Do(t.Context(), func(ctx context.Context) error {
			flow := rig.Of(10 * rig.MlPerMin)
			if err := errors.Join(run.Set(ctx, rig.PumpDrip, flow), run.Set(ctx, rig.PumpSpray, flow), run.Wait(ctx, time.Duration(rng.Int64N(5e9)))); err != nil {
				return err
			}
			if on := v.Energised(); !slices.Contains(on, rig.PumpDrip) || !slices.Contains(on, rig.PumpSpray) {
				t.Errorf("seed %d: energised %v before the loop hangs", seed, on)
			}
			hang(t, v, world.Deadman)
			if on := v.Energised(); len(on) > 0 {
				t.Errorf("seed %d: energised %v though the loop hung for %v", seed, on, world.Deadman)
			}
			hang(t, v, limits.PumpOn)
			return run.Wait(ctx, time.Second)
		})
		if err == nil || !strings.Contains(err.Error(), "ran for 10s") {
			t.Errorf("seed %d: the run ended with %v", seed, err)
		}
		h, evs := reread(t, &k)
		r, err := safety.Check(h, safety.Allowed(limits), each(evs))
		if err != nil || len(r.Findings) != 2 || r.Findings[0].Rule != safety.OnTime || r.Findings[1].Rule != safety.OnTime {
			t.Errorf("seed %d: %v, %v; want both pumps on for too long, as far as software knew", seed, r.Findings, err)
		}
	}
}

// hang lets the world go on without the run loop.
func hang(t *testing.T, v *virtual.Bench, d time.Duration) {
	t.Helper()
	for end := v.Now().Add(d); v.Now() < end; {
		if _, _, err := v.Await(t.Context(), end); err != nil {
			t.Fatal(err)
		}
	}
}

// TestNothingAfterTrip: a trip ends all that one command was to run.
func TestNothingAfterTrip(t *testing.T) {
	d, data := build(t), t.TempDir()
	f := d.run(t, "run", "drip", "spray", "--fault", "tray_full", "--seed", "1", "--data", data)
	refused(t, f, "scenarios not run after the trip: 1")
	if runs, err := openStore(t, data).Runs(t.Context(), store.Filter{}); err != nil || len(runs) != 1 {
		t.Errorf("%d runs, %v; want the first alone", len(runs), err)
	}
}
