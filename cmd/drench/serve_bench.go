package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"drench/results/measure"
	"drench/results/report"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/daemon"
	"drench/rig/interlock"
)

// served is the bench that a daemon keeps, as its rig file said at the start.
type served struct {
	bench *bench
	claim *claim // nil of a virtual bench
	st    *store.Store
	table []rig.Channel

	mu      sync.Mutex
	checked map[string]error // what rehearsals found, by all that they depend on

	rehearsing chan struct{} // has room for one: a rehearsal takes a core, which the bench may need
}

func newServed(b *bench, st *store.Store) (*served, error) {
	table, err := b.channels(1)
	var c *claim
	if b.isReal() {
		c = &claim{st: st, bench: b.rig.Name, trips: true}
	}
	return &served{bench: b, claim: c, st: st, table: table, checked: map[string]error{}, rehearsing: make(chan struct{}, 1)}, err
}

// Run implements daemon.Runner, by the way of `drench run`.
func (s *served) Run(ctx context.Context, job daemon.Job, o daemon.Observer) (daemon.Outcome, error) {
	j, err := s.prepare(ctx, job.Request)
	if err != nil {
		return daemon.Outcome{}, err
	}
	j.seed = anySeed()
	if job.Seed != nil {
		j.seed = *job.Seed
	}
	seen := &sighted{Observer: o}
	j.observer, j.claim = seen, s.claim
	var out daemon.Outcome
	j.began = func(run int64) {
		out.Run = run
		o.Began(run, s.table, planned(j.counts))
	}
	between := s.watchBeside(ctx, o)
	j.closed = between.begin
	in, err := j.execute(ctx, s.st, nil)
	after := between.end()
	if err != nil && ctx.Err() != nil && out.Run == 0 {
		err = fmt.Errorf("ended before its run began: %w", context.Cause(ctx))
	}
	if err != nil {
		out.Verdict, out.Reason, out.Trip = verdict.Error, err.Error(), cmp.Or(seen.trip, after)
		if !seen.passed && ctx.Err() == nil {
			out.Lost = err.Error()
		}
		return out, err
	}
	out.Verdict, out.Reason = in.Judgement.Verdict, in.Judgement.Reason
	out.Trip = cmp.Or(strings.Join(in.Set.Trips, "; "), after)
	tellMetrics(&out, in)
	return out, nil
}

// tellMetrics fills in what a daemon's metrics tell of a run.
func tellMetrics(out *daemon.Outcome, in report.Input) {
	for _, t := range in.Set.Trials {
		if t.Spec.Kind == rig.Wet && t.Detected && t.Latency > 0 {
			out.Latency = append(out.Latency, t.Latency)
		}
	}
	if m := in.Set.Find(measure.BeatGap); m != nil && m.Summary != nil {
		out.Gap = time.Duration(m.Summary.Max)
	}
}

func planned(counts map[rig.TrialKind]int) (total int) {
	for _, n := range counts {
		total += n
	}
	return total
}

// sighted notes what a run has shown before it ends.
type sighted struct {
	daemon.Observer
	passed bool
	trip   string
}

func (s *sighted) Passed(at rig.Instant) {
	s.passed = true
	s.Observer.Passed(at)
}

func (s *sighted) Saw(ev rig.Event) {
	if ev.Kind == rig.Trip && s.trip == "" {
		s.trip = ev.Text
	}
	s.Observer.Saw(ev)
}

// between watches the bench while its last run is judged, which may take
// long: it is never left alone.
type between struct {
	s    *served
	ctx  context.Context
	o    daemon.Observer
	stop context.CancelFunc
	done sync.WaitGroup
	err  error
}

func (s *served) watchBeside(ctx context.Context, o daemon.Observer) *between {
	b := &between{s: s, o: passing{o}}
	b.ctx, b.stop = context.WithCancel(context.WithoutCancel(ctx)) // a run that was stopped is judged, too
	return b
}

func (b *between) begin() { b.done.Go(func() { b.err = b.s.Watch(b.ctx, b.o) }) }

// end returns why an interlock has tripped meanwhile, "" if none has.
func (b *between) end() (trip string) {
	b.stop()
	b.done.Wait()
	var t *interlock.TripError
	if errors.As(b.err, &t) {
		return t.Reason
	}
	return "" // what else is wrong shows when the bench is opened next
}

// passing tells nothing of a bench's beginning: a run is still on show.
type passing struct{ daemon.Observer }

func (passing) Began(int64, []rig.Channel, int) {}

// tickEvery is how often an idle virtual bench, which nothing can happen to,
// says that it is there.
const tickEvery = 500 * time.Millisecond

// Watch implements daemon.Runner.
func (s *served) Watch(ctx context.Context, o daemon.Observer) error {
	if s.bench.isReal() {
		return s.bench.watch(ctx, s.claim, o)
	}
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		o.Passed(0)
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// watch holds the bench safe and tells what it sees, until ctx ends.
func (b *bench) watch(ctx context.Context, c *claim, o daemon.Observer) error {
	world, err := b.connect(ctx, 0)
	if err != nil {
		return err
	}
	return errors.Join(b.watchOn(ctx, world, c, o), world.Close())
}

// watchOn is watch on an open bench.
func (b *bench) watchOn(ctx context.Context, world rig.Bench, c *claim, o daemon.Observer) error {
	guard, err := interlock.New(ctx, world, b.rig.Interlock)
	if err != nil {
		return err
	}
	o.Began(0, world.Channels(), 0)
	l := &levels{guard: guard, o: o}
	guard.OnPass = func(now rig.Instant) {
		o.Passed(now)
		l.look(ctx, now)
	}
	l.look(ctx, guard.Now())
	if err = guard.Watch(ctx, o.Saw); err != nil {
		err = fmt.Errorf("watch the bench: %w", err)
	}
	return errors.Join(err, c.keepOpenings(ctx, 0, guard.Openings()))
}

// lookEvery is how often the levels of an idle bench are read, on its clock.
const lookEvery = time.Second

// levels reads lines and gauges of an idle bench for whoever looks on. What
// can't be read is not shown; what must not be missed, the guard watches.
type levels struct {
	guard *interlock.Guard
	o     daemon.Observer
	next  rig.Instant
}

func (l *levels) look(ctx context.Context, now rig.Instant) {
	if now < l.next {
		return
	}
	l.next = now.Add(lookEvery)
	for id, c := range l.guard.Channels() {
		kind := rig.Reading
		switch c.Dir {
		case rig.Input:
			kind = rig.Edge
		case rig.Gauge:
		default:
			continue
		}
		if v, err := l.guard.Ask(ctx, rig.ID(id)); err == nil {
			l.o.Saw(rig.Event{At: now, Kind: kind, Channel: rig.ID(id), Value: v})
		}
	}
}

// makeSafe opens the bench, which makes its outputs safe, and closes it. A
// virtual bench is safe.
func (b *bench) makeSafe(ctx context.Context) (err error) {
	if !b.isReal() {
		return nil
	}
	world, err := b.connect(ctx, 0)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, world.Close()) }()
	_, err = interlock.New(ctx, world, b.rig.Interlock)
	return err
}
