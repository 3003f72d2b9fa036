package daemon

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
)

// lab is a bench that a test plays: a scenario's name says how its run ends.
type lab struct {
	mu      sync.Mutex
	ran     []string
	runs    int64
	watched int

	watching atomic.Bool   // now, and has passed
	lost     error         // from Watch; nil: the bench is there
	began    chan string   // each run's scenario
	hold     chan struct{} // a run called "long" ends when this is closed
}

var table = []rig.Channel{{Name: rig.Detect, Dir: rig.Input}, {Name: rig.EStop, Dir: rig.Input}, {Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt}}

// Run implements Runner.
func (l *lab) Run(ctx context.Context, j Job, o Observer) (Outcome, error) {
	l.mu.Lock()
	l.ran = append(l.ran, j.Scenario)
	l.runs++
	out := Outcome{Run: l.runs, Verdict: verdict.Pass, Reason: "as it should"}
	l.mu.Unlock()
	o.Began(out.Run, table, 5)
	o.Passed(0)
	select {
	case l.began <- j.Scenario:
	default:
	}
	switch j.Scenario {
	case "long":
		select {
		case <-l.hold:
		case <-ctx.Done():
			out.Verdict, out.Reason = verdict.Error, context.Cause(ctx).Error()
		}
	case "bad":
		out.Verdict = verdict.Fail
	case "trip":
		out.Verdict, out.Reason, out.Trip = verdict.Error, "an interlock tripped", "lid opened"
	case "trips":
		o.Saw(rig.Event{Kind: rig.Trip, Text: "lid opened"})
		<-l.hold
		out.Verdict, out.Trip = verdict.Error, "lid opened"
	case "broken":
		return Outcome{Run: out.Run}, errors.New("the disk is full")
	case "gone":
		return Outcome{Lost: "no such line"}, errors.New("no such line")
	}
	out.Latency, out.Gap = []time.Duration{1500 * time.Millisecond}, 2*time.Second
	return out, nil
}

// Watch implements Runner.
func (l *lab) Watch(ctx context.Context, o Observer) error {
	l.mu.Lock()
	l.watched++
	err := l.lost
	l.mu.Unlock()
	if err != nil {
		return err
	}
	o.Passed(0)
	l.watching.Store(true)
	defer l.watching.Store(false)
	<-ctx.Done()
	return nil
}

func (l *lab) order() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.ran)
}

func (l *lab) isWatched() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.watched > 0
}

func (l *lab) find(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lost = err
}

// shop has no files of its own; a scenario called "wrong" is.
type shop struct{ checks int }

func (s *shop) Check(_ context.Context, r Request) []string {
	s.checks++
	if r.Scenario == "wrong" {
		return []string{"wrong.star:1:1: it is wrong; expected another"}
	}
	return nil
}

func (*shop) CheckFile(_ context.Context, name, text string) []string {
	if strings.Contains(text, "wrong") {
		return []string{name + ":1:1: it is wrong; expected another"}
	}
	return nil
}

func (*shop) Stock() []File {
	return []File{{Name: "drip.star", Text: "about = \"drops\"", Stock: true}}
}
func (*shop) Preview(_ context.Context, name string) (Preview, error) {
	return Preview{Name: name}, nil
}
func (*shop) Calibrations(context.Context) ([]Calibration, error)   { return nil, nil }
func (*shop) Rejudge(context.Context, int64, string) (int64, error) { return 0, store.ErrNotFound }

// clock is wall time that a test sets.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

func (c *clock) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = t
}

var evening = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

// trial is a daemon on a bench that the test plays.
type trial struct {
	*Daemon
	lab   *lab
	shop  *shop
	clock *clock
	store *store.Store
	log   *logged
}

// logged is a log that may be read meanwhile.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func openStore(t testing.TB, path string) *store.Store {
	t.Helper()
	st, err := store.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = st.Close() })
	return st
}

// newTrial makes a daemon that does not run yet.
func newTrial(t testing.TB, change ...func(*Options)) *trial {
	t.Helper()
	tr := &trial{lab: &lab{began: make(chan string, 100), hold: make(chan struct{})}, shop: &shop{}, clock: &clock{t: evening},
		store: openStore(t, filepath.Join(t.TempDir(), "drench.db")), log: &logged{}}
	o := Options{Bench: "lab", Channels: table, Interlocks: []string{rig.EStop}, Runner: tr.lab, Workshop: tr.shop, Ledger: tr.store,
		Now: tr.clock.now, Log: slog.New(slog.NewTextHandler(tr.log, nil))}
	for _, f := range change {
		f(&o)
	}
	d, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	tr.Daemon = d
	return tr
}

// start runs the daemon until stop is called, or the test ends.
func (tr *trial) start(t testing.TB) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- tr.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-ended; err != nil {
				t.Errorf("the daemon ended with %v", err)
			}
		})
	}
	t.Cleanup(stop)
	return stop
}

// until waits for what the daemon does beside the test.
func until(t testing.TB, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !done(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("it never came that %s", what)
		}
	}
}

// enqueue queues scenarios by name.
func (tr *trial) enqueue(t testing.TB, names ...string) []Job {
	t.Helper()
	var list []Request
	for _, name := range names {
		list = append(list, Request{Scenario: name})
	}
	jobs, err := tr.Enqueue(t.Context(), "Ada", list...)
	if err != nil {
		t.Fatal(err)
	}
	return jobs
}

// job reads a job.
func (tr *trial) job(t testing.TB, id int64) Job {
	t.Helper()
	j, err := tr.Job(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// over waits for a job to end.
func (tr *trial) over(t testing.TB, id int64) Job {
	t.Helper()
	until(t, "the job ends", func() bool { s := tr.job(t, id).State; return s != Queued && s != Running })
	return tr.job(t, id)
}
