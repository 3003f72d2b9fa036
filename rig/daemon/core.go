package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/interlock"
)

// Options are what a daemon is made of.
type Options struct {
	Bench      string // its name, for the ledger
	Virtual    bool
	Channels   []rig.Channel
	Interlocks []string // channels that trip the bench

	Runner   Runner
	Workshop Workshop
	Ledger   Ledger
	Lost     string // why the bench can't be reached at the start; "": it can
	Keep     Keep
	Commands string           // folder of the commands that hooks may name; "": none
	Now      func() time.Time // wall time; nil: time.Now
	Log      *slog.Logger     // nil: slog.Default
}

// Daemon keeps one bench. Its methods may be called from several goroutines.
type Daemon struct {
	Options
	hub     *hub
	hooks   *hooks
	metrics *metrics
	wake    chan struct{} // that something may be started

	mu      sync.Mutex
	stop    context.CancelCauseFunc // of the job that runs; nil: none does
	pending []store.Trip            // that could not be kept yet
	lost    string                  // why the bench is not there

	unbooked *booking  // of Run alone
	pruned   time.Time // when old runs were last deleted; of keepSchedule alone
}

// New makes a daemon that does nothing before Run.
func New(o Options) (*Daemon, error) {
	if o.Bench == "" || o.Runner == nil || o.Workshop == nil || o.Ledger == nil {
		return nil, errors.New("make a daemon: it lacks the bench's name, a runner, a workshop or a ledger")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	d := &Daemon{Options: o, hub: newHub(o), wake: make(chan struct{}, 1), lost: o.Lost}
	d.metrics = newMetrics(d)
	d.hooks = newHooks(o.Commands, o.Log, d.metrics.hook)
	return d, nil
}

// Run keeps the bench until ctx ends: then the run is stopped, the outputs are
// safe, and Run returns nil. It is for who holds the bench alone.
func (d *Daemon) Run(ctx context.Context) error {
	cut, err := d.Ledger.InterruptJobs(ctx, d.Bench, d.Now())
	if err != nil {
		return fmt.Errorf("close interrupted jobs: %w", err)
	}
	for _, j := range cut {
		d.Log.Warn("a job was interrupted; it is not run again by itself", "job", j.ID, "run", j.Run)
	}
	if err := d.look(ctx); err != nil {
		return err
	}
	var beside sync.WaitGroup
	beside.Go(func() { d.hooks.work(ctx) })
	beside.Go(func() { d.keepSchedule(ctx) })
	defer beside.Wait()
	for _, j := range cut {
		d.tell(ctx, j.ID)
	}
	for ctx.Err() == nil {
		d.keepTrips(ctx)
		d.book(ctx)
		j, ok, err := d.next(ctx)
		switch {
		case ok:
			d.run(ctx, j)
		case err != nil && ctx.Err() == nil:
			d.Log.Error("the next job can't be started", "err", err)
			d.idle(ctx)
		default:
			d.idle(ctx)
		}
	}
	return nil
}

// look shows what the ledger has of the bench.
func (d *Daemon) look(ctx context.Context) error {
	state, err := d.Ledger.BenchState(ctx, d.Bench)
	if err != nil {
		return err
	}
	trips, err := d.Ledger.Trips(ctx, d.Bench, true)
	if err != nil {
		return err
	}
	d.mu.Lock()
	trip := ""
	if len(d.pending) > 0 {
		trip = d.pending[0].Reason
	}
	d.mu.Unlock()
	if len(trips) > 0 {
		trip = trips[len(trips)-1].Reason // the first of them
	}
	if l := d.Live(); l.Paused != state.Paused || l.Trip != trip {
		d.hub.change(func(l *Live) { l.Paused, l.Trip = state.Paused, trip })
	}
	return nil
}

// next starts the next job if there is one and the bench is free for it.
func (d *Daemon) next(ctx context.Context) (Job, bool, error) {
	d.mu.Lock()
	held := len(d.pending) > 0 || d.lost != ""
	d.mu.Unlock()
	if held {
		return Job{}, false, nil
	}
	j, ok, err := d.Ledger.NextJob(ctx, d.Bench, d.Now())
	if errors.As(err, new(*store.HeldError)) {
		return Job{}, false, nil
	}
	if err != nil || !ok {
		return Job{}, false, err
	}
	job, err := jobOf(j)
	return job, err == nil, err
}

// run runs a job and books its end.
func (d *Daemon) run(ctx context.Context, j Job) {
	run, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	d.mu.Lock()
	d.stop = stop
	d.mu.Unlock()
	d.hub.change(func(l *Live) { l.Job = &j })
	d.Log.Info("job starts", "job", j.ID, "scenario", j.Scenario, "by", j.By)
	w := &watcher{hub: d.hub, d: d, job: j.ID}
	out, err := d.Runner.Run(run, j, w)
	w.beside.Wait()
	d.mu.Lock()
	d.stop = nil
	d.mu.Unlock()
	if err != nil {
		out.Verdict = verdict.Error
		out.Reason = cmp.Or(out.Reason, err.Error())
		d.Log.Error("job failed", "job", j.ID, "err", err)
	}
	after := context.WithoutCancel(ctx) // what happened is booked even if the daemon is being stopped
	if out.Trip != "" && !w.tripped {
		d.tripped(after, out.Run, out.Trip)
	}
	if out.Lost != "" {
		d.found(out.Lost)
	}
	end := store.JobEnd{At: d.Now(), Run: out.Run, Verdict: out.Verdict, Reason: out.Reason, Cut: ctx.Err() != nil}
	d.unbooked = &booking{j.ID, end}
	d.book(after)
	d.metrics.ran(j.Scenario, out, end.At)
	d.Log.Info("job ends", "job", j.ID, "run", out.Run, "verdict", out.Verdict.String(), "reason", out.Reason)
	d.hub.change(func(l *Live) { l.Job, l.Trial, l.Trials, l.Kind = nil, 0, 0, "" })
}

// booking is the end of a job.
type booking struct {
	job int64
	end store.JobEnd
}

// book keeps the end of the last job, unless that is done, and has hooks told.
// While it can't be kept (a full disk) no other job starts.
func (d *Daemon) book(ctx context.Context) {
	b := d.unbooked
	if b == nil {
		return
	}
	err := d.Ledger.FinishJob(ctx, b.job, b.end)
	if err == nil {
		d.unbooked = nil
		d.tell(ctx, b.job)
		return
	}
	d.Log.Error("the end of a job can't be kept; tried again", "job", b.job, "err", err)
}

// watcher passes on what a job shows, and books its run as soon as that has a
// number, and a trip as soon as it is seen.
type watcher struct {
	*hub
	d       *Daemon
	job     int64
	run     int64
	tripped bool
	beside  sync.WaitGroup
}

// Saw implements Observer. A trip is booked beside the bench, which does not
// wait.
func (w *watcher) Saw(ev rig.Event) {
	w.hub.Saw(ev)
	if ev.Kind == rig.Trip && !w.tripped {
		w.tripped = true
		w.beside.Go(func() { w.d.tripped(context.Background(), w.run, ev.Text) })
	}
}

// Began implements Observer. The ledger is a file on this machine: it answers
// in milliseconds, before the bench moves.
func (w *watcher) Began(run int64, channels []rig.Channel, trials int) {
	w.run = run
	w.hub.Began(run, channels, trials)
	if err := w.d.Ledger.JobRun(context.Background(), w.job, run); err != nil {
		w.d.Log.Error("the run of the job can't be kept", "job", w.job, "run", run, "err", err)
	}
}

// idler passes on what an idle bench shows. One that is watched is there.
type idler struct {
	*hub
	d *Daemon
}

// Passed implements Observer.
func (i idler) Passed(at rig.Instant) {
	i.hub.Passed(at)
	i.d.found("")
}

const (
	lookEvery  = 2 * time.Second // for what other processes changed in the ledger
	retryAfter = 5 * time.Second // when the bench is lost
)

// idle has the bench watched until a job may start. A bench that is lost is
// tried again from time to time.
func (d *Daemon) idle(ctx context.Context) {
	watch, done := context.WithCancel(ctx)
	defer done()
	var beside sync.WaitGroup
	beside.Go(func() {
		defer done()
		d.awaitWork(watch)
	})
	err := d.Runner.Watch(watch, idler{d.hub, d})
	var trip *interlock.TripError
	switch {
	case err == nil:
	case errors.As(err, &trip):
		d.found("")
		d.tripped(ctx, 0, trip.Reason)
		pause(watch, retryAfter)
	default:
		d.hub.Passed(0) // an attempt to reach the bench came to its end
		d.found(err.Error())
		pause(watch, retryAfter)
	}
	done()
	beside.Wait()
}

// awaitWork returns when a job may start, as far as can be told.
func (d *Daemon) awaitWork(ctx context.Context) {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-d.wake:
			return
		case <-look.C:
			if d.ready(ctx) {
				return
			}
		}
	}
}

// ready tells whether the queue can go on, and shows what other processes
// changed.
func (d *Daemon) ready(ctx context.Context) bool {
	before := d.Live()
	if err := d.look(ctx); err != nil {
		return false
	}
	d.mu.Lock()
	held := d.lost != ""
	d.mu.Unlock()
	now := d.Live()
	if held || now.Paused || now.Trip != "" {
		return false
	}
	queued, err := d.Ledger.Jobs(ctx, store.JobFilter{Bench: d.Bench, States: []store.JobState{store.JobQueued}, Limit: 1})
	return err == nil && (len(queued) > 0 || before.Trip != "")
}

// rouse has the queue looked at.
func (d *Daemon) rouse() {
	select {
	case d.wake <- struct{}{}:
	default: // it will be
	}
}

// found notes that the bench is lost, or "" that it is there.
func (d *Daemon) found(lost string) {
	d.mu.Lock()
	was := d.lost
	d.lost = lost
	d.mu.Unlock()
	switch {
	case (lost == "") == (was == ""):
	case lost != "":
		d.Log.Error("the bench is lost; it is tried again every "+retryAfter.String(), "err", lost)
	default:
		d.Log.Info("the bench is back")
	}
}

// Live is what the bench does now.
func (d *Daemon) Live() Live { return d.hub.Live() }

// Follow tells what changes until ctx ends; then the channel is closed. The
// first update is a whole Live. Who is slow loses events, and holds up nobody.
func (d *Daemon) Follow(ctx context.Context) <-chan Update { return d.hub.Follow(ctx) }

// Lost says why the bench can't be reached, "" if it can.
func (d *Daemon) Lost() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.lost
}

// Alive is when the supervisor last finished a pass, or an attempt to reach a
// lost bench ended; zero before the first.
func (d *Daemon) Alive() time.Time { return d.hub.alive() }

// tripped keeps a trip; one of the idle bench only if none is open, since an
// input that stays open trips each time that the bench is looked at. The queue
// stops even if the trip can't be kept.
func (d *Daemon) tripped(ctx context.Context, run int64, reason string) {
	if run == 0 && d.Live().Trip != "" {
		return
	}
	d.Log.Error("interlock tripped; the queue waits until a person clears it", "run", run, "reason", reason)
	d.mu.Lock()
	d.pending = append(d.pending, store.Trip{At: d.Now(), Bench: d.Bench, Run: run, Reason: reason})
	d.mu.Unlock()
	d.keepTrips(ctx)
}

// keepTrips keeps the trips that are not kept yet.
func (d *Daemon) keepTrips(ctx context.Context) {
	d.mu.Lock()
	for len(d.pending) > 0 {
		if _, err := d.Ledger.AddTrip(ctx, d.pending[0]); err != nil {
			d.Log.Error("a trip can't be kept; the queue waits all the same", "err", err)
			break
		}
		d.pending = d.pending[1:]
	}
	d.mu.Unlock()
	if err := d.look(ctx); err != nil {
		d.Log.Error("the bench's state can't be read", "err", err)
	}
}

// pause waits, but not beyond the end of ctx.
func pause(ctx context.Context, wait time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(wait):
	}
}
