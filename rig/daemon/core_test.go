package daemon

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"

	"drench/results/store"
	"drench/results/verdict"
	"drench/rig/interlock"
)

// TestOrder: jobs run in the order of the queue, and their ends are booked.
func TestOrder(t *testing.T) {
	tr := newTrial(t)
	jobs := tr.enqueue(t, "drip", "bad", "broken", "spray")
	if err := tr.Move(t.Context(), "Ada", jobs[3].ID, 1); err != nil {
		t.Fatal(err)
	}
	tr.start(t)
	tr.over(t, jobs[2].ID)
	if want := []string{"spray", "drip", "bad", "broken"}; !reflect.DeepEqual(tr.lab.order(), want) {
		t.Errorf("ran %v, want %v", tr.lab.order(), want)
	}
	for i, want := range []struct {
		v      verdict.Verdict
		reason string
	}{{verdict.Pass, "as it should"}, {verdict.Fail, "as it should"}, {verdict.Error, "the disk is full"}, {verdict.Pass, "as it should"}} {
		j := tr.over(t, jobs[i].ID)
		if j.State != Finished || j.Verdict != want.v || j.Reason != want.reason || j.Run == 0 || j.Ended.IsZero() || j.By != "Ada" {
			t.Errorf("job %d ended as %+v", i, j)
		}
	}
	until(t, "the bench is idle", func() bool { return tr.Live().Job == nil })
}

func TestEnqueueChecks(t *testing.T) {
	tr := newTrial(t)
	var wrong *BadRequest
	_, err := tr.Enqueue(t.Context(), "Ada", Request{Scenario: "drip"}, Request{Scenario: "wrong"}, Request{Scenario: "wrong"})
	if !errors.As(err, &wrong) || !reflect.DeepEqual(wrong.Problems, []string{"wrong.star:1:1: it is wrong; expected another"}) {
		t.Errorf("got %v", err)
	}
	for _, r := range []Request{{}, {Scenario: "drip", Trials: -1}, {Scenario: "drip", Tags: []string{"a\nb"}}, {Scenario: "drip", Tags: make([]string, 100)}} {
		if _, err := tr.Enqueue(t.Context(), "Ada", r); !errors.As(err, &wrong) {
			t.Errorf("%+v: %v", r, err)
		}
	}
	if jobs, err := tr.Jobs(t.Context(), JobFilter{}); err != nil || len(jobs) != 0 {
		t.Errorf("queued %v, %v", jobs, err)
	}
	if _, err := tr.Enqueue(t.Context(), "Ada"); !errors.As(err, &wrong) {
		t.Errorf("nothing: %v", err)
	}
}

// TestTripLatches: after a trip nothing runs until a person has cleared it.
func TestTripLatches(t *testing.T) {
	tr := newTrial(t)
	jobs := tr.enqueue(t, "trip", "drip")
	tr.start(t)
	tr.over(t, jobs[0].ID)
	until(t, "the bench shows the trip", func() bool { return tr.Live().Trip == "lid opened" && tr.Live().Job == nil })
	trips, err := tr.Trips(t.Context(), true)
	if err != nil || len(trips) != 1 || trips[0].Run != 1 || trips[0].Reason != "lid opened" {
		t.Fatalf("trips %v, %v", trips, err)
	}
	if err := tr.ClearTrip(t.Context(), trips[0].ID, " ", ""); !errors.As(err, new(*BadRequest)) {
		t.Errorf("cleared by nobody: %v", err)
	}
	if err := tr.ClearTrip(t.Context(), 99, "Ada", ""); !errors.Is(err, ErrNotFound) {
		t.Errorf("cleared what is not there: %v", err)
	}
	if s := tr.job(t, jobs[1].ID).State; s != Queued {
		t.Errorf("the next job is %s", s)
	}
	if err := tr.ClearTrip(t.Context(), trips[0].ID, "Ada", "closed it"); err != nil {
		t.Fatal(err)
	}
	if j := tr.over(t, jobs[1].ID); j.Verdict != verdict.Pass {
		t.Errorf("then %+v", j)
	}
	if err := tr.ClearTrip(t.Context(), trips[0].ID, "Ada", ""); !errors.Is(err, ErrBusy) {
		t.Errorf("cleared twice: %v", err)
	}
	if got := tr.Live().Trip; got != "" {
		t.Errorf("shows %q", got)
	}
}

// forgetful fails to keep the first end of a job.
type forgetful struct {
	*store.Store
	failed *atomic.Bool
}

func (f forgetful) FinishJob(ctx context.Context, id int64, end store.JobEnd) error {
	if f.failed.CompareAndSwap(false, true) {
		return errors.New("disk full")
	}
	return f.Store.FinishJob(ctx, id, end)
}

// TestEndKeptLater: an end that could not be kept is kept once it can be.
func TestEndKeptLater(t *testing.T) {
	tr := newTrial(t, func(o *Options) { o.Ledger = forgetful{o.Ledger.(*store.Store), &atomic.Bool{}} })
	jobs := tr.enqueue(t, "bad", "drip")
	tr.start(t)
	tr.over(t, jobs[1].ID)
	if j := tr.job(t, jobs[0].ID); j.State != Finished || j.Verdict != verdict.Fail {
		t.Errorf("the first: %+v", j)
	}
}

// TestTripIsBookedAtOnce: before the run has come to its end, and once.
func TestTripIsBookedAtOnce(t *testing.T) {
	tr := newTrial(t)
	jobs := tr.enqueue(t, "trips")
	tr.start(t)
	until(t, "the trip is booked", func() bool { list, err := tr.Trips(t.Context(), true); return err == nil && len(list) == 1 })
	if j := tr.job(t, jobs[0].ID); j.State != Running {
		t.Errorf("the job is %s", j.State)
	}
	close(tr.lab.hold)
	tr.over(t, jobs[0].ID)
	if list, err := tr.Trips(t.Context(), false); err != nil || len(list) != 1 || list[0].Run != 1 {
		t.Errorf("trips %v, %v", list, err)
	}
}

// TestClearedElsewhere: a trip that another process clears in the store counts.
func TestClearedElsewhere(t *testing.T) {
	t.Parallel()
	tr := newTrial(t)
	jobs := tr.enqueue(t, "trip", "drip")
	tr.start(t)
	tr.over(t, jobs[0].ID)
	trips, err := tr.store.Trips(t.Context(), "lab", true)
	if err != nil || len(trips) != 1 {
		t.Fatal(trips, err)
	}
	if err := openStore(t, tr.store.Path()).ClearTrip(t.Context(), trips[0].ID, "Ada", ""); err != nil {
		t.Fatal(err)
	}
	tr.over(t, jobs[1].ID)
}

// deaf can't keep trips.
type deaf struct{ *store.Store }

func (deaf) AddTrip(_ context.Context, _ store.Trip) (int64, error) {
	return 0, errors.New("disk full")
}

// TestTripThatCannotBeKept stops the queue all the same.
func TestTripThatCannotBeKept(t *testing.T) {
	tr := newTrial(t, func(o *Options) { o.Ledger = deaf{o.Ledger.(*store.Store)} })
	jobs := tr.enqueue(t, "trip", "drip")
	tr.start(t)
	tr.over(t, jobs[0].ID)
	until(t, "the bench shows the trip", func() bool { return tr.Live().Trip == "lid opened" })
	until(t, "the bench is watched", tr.lab.isWatched)
	if s := tr.job(t, jobs[1].ID).State; s != Queued {
		t.Errorf("the next job is %s", s)
	}
}

func TestStop(t *testing.T) {
	tr := newTrial(t)
	if err := tr.Stop(t.Context(), "Ada"); err != nil {
		t.Errorf("idle: %v", err)
	}
	jobs := tr.enqueue(t, "long", "drip")
	tr.start(t)
	<-tr.lab.began
	until(t, "it is shown", func() bool { l := tr.Live(); return l.Job != nil && l.Job.Run == 1 && l.Trials == 5 })
	if j := tr.job(t, jobs[0].ID); j.State != Running || j.Run != 1 {
		t.Errorf("while it runs: %+v", j)
	}
	if err := tr.Cancel(t.Context(), "Ada", jobs[0].ID); !errors.Is(err, ErrBusy) {
		t.Errorf("cancelled while it runs: %v", err)
	}
	if err := tr.Stop(t.Context(), "Ada"); err != nil {
		t.Fatal(err)
	}
	if j := tr.over(t, jobs[0].ID); j.State != Finished || j.Verdict != verdict.Error || j.Reason != "stopped by Ada" {
		t.Errorf("ended as %+v", j)
	}
	if j := tr.over(t, jobs[1].ID); j.Verdict != verdict.Pass {
		t.Errorf("the next: %+v", j)
	}
	if !strings.Contains(tr.log.String(), "run stopped\" by=Ada") {
		t.Errorf("log: %s", tr.log)
	}
}

func TestPause(t *testing.T) {
	tr := newTrial(t)
	if err := tr.Pause(t.Context(), "Ada"); err != nil {
		t.Fatal(err)
	}
	jobs := tr.enqueue(t, "drip", "spray")
	tr.start(t)
	until(t, "the bench is watched", func() bool { return !tr.Alive().IsZero() })
	if j := tr.job(t, jobs[0].ID); j.State != Queued || !tr.Live().Paused {
		t.Errorf("paused, yet %+v", j)
	}
	if err := tr.Cancel(t.Context(), "Bob", jobs[0].ID); err != nil {
		t.Fatal(err)
	}
	if err := tr.Resume(t.Context(), "Ada"); err != nil {
		t.Fatal(err)
	}
	tr.over(t, jobs[1].ID)
	if j := tr.job(t, jobs[0].ID); j.State != Cancelled || j.Reason != "cancelled by Bob" {
		t.Errorf("cancelled: %+v", j)
	}
}

// TestEndAndStart: the daemon's end interrupts the run and nothing else; the
// next one goes on with the rest.
func TestEndAndStart(t *testing.T) {
	tr := newTrial(t)
	jobs := tr.enqueue(t, "long", "drip")
	stop := tr.start(t)
	<-tr.lab.began
	stop()
	if j := tr.job(t, jobs[0].ID); j.State != Interrupted || j.Verdict != verdict.Error || j.Run != 1 {
		t.Errorf("after the end: %+v", j)
	}
	again := newTrial(t, func(o *Options) { o.Ledger = tr.store })
	again.start(t)
	if j := again.over(t, jobs[1].ID); j.Verdict != verdict.Pass {
		t.Errorf("the rest: %+v", j)
	}
	if want := []string{"drip"}; !reflect.DeepEqual(again.lab.order(), want) {
		t.Errorf("ran %v", again.lab.order())
	}
}

// TestKilled: what a kill leaves running is interrupted at the next start, and
// the rest goes on.
func TestKilled(t *testing.T) {
	tr := newTrial(t)
	jobs := tr.enqueue(t, "long", "drip")
	if _, ok, err := tr.store.NextJob(t.Context(), "lab", evening); !ok || err != nil {
		t.Fatal(ok, err)
	}
	tr.start(t)
	tr.over(t, jobs[1].ID)
	if j := tr.job(t, jobs[0].ID); j.State != Interrupted || j.Verdict != verdict.Error {
		t.Errorf("it is %+v", j)
	}
}

// TestLost: a bench that can't be reached runs nothing, and the queue goes on
// when it is back.
func TestLost(t *testing.T) {
	t.Parallel()
	tr := newTrial(t)
	tr.lab.find(errors.New("no such line"))
	jobs := tr.enqueue(t, "gone", "drip")
	tr.start(t)
	tr.over(t, jobs[0].ID)
	until(t, "it is lost", func() bool { return tr.Lost() == "no such line" })
	if s := tr.job(t, jobs[1].ID).State; s != Queued {
		t.Errorf("the next job is %s", s)
	}
	tr.lab.find(nil)
	if j := tr.over(t, jobs[1].ID); j.Verdict != verdict.Pass || tr.Lost() != "" {
		t.Errorf("then %+v, lost %q", j, tr.Lost())
	}
}

// TestLostAtStart: no job is spent on a bench that is not there.
func TestLostAtStart(t *testing.T) {
	t.Parallel()
	tr := newTrial(t, func(o *Options) { o.Lost = "no such line" })
	tr.lab.find(errors.New("no such line"))
	jobs := tr.enqueue(t, "drip")
	tr.start(t)
	until(t, "the bench is tried", tr.lab.isWatched)
	if s := tr.job(t, jobs[0].ID).State; s != Queued {
		t.Errorf("the job is %s", s)
	}
	tr.lab.find(nil)
	if j := tr.over(t, jobs[0].ID); j.Verdict != verdict.Pass {
		t.Errorf("then %+v", j)
	}
}

// TestIdleTrip: an interlock that trips the idle bench stops the queue, and is
// booked once however often it is seen.
func TestIdleTrip(t *testing.T) {
	tr := newTrial(t)
	n := 0
	tr.lab.find(fmt.Errorf("watch: %w", &interlock.TripError{Reason: "current 1.23 A"}))
	ctx := t.Context()
	for n = range 3 {
		tr.tripped(ctx, 0, fmt.Sprintf("current 1.2%d A", n))
	}
	trips, err := tr.Trips(ctx, true)
	if err != nil || len(trips) != 1 || trips[0].Run != 0 || trips[0].Reason != "current 1.20 A" {
		t.Fatalf("trips %v, %v", trips, err)
	}
	jobs := tr.enqueue(t, "drip")
	tr.start(t)
	until(t, "the bench is looked at", tr.lab.isWatched)
	if s := tr.job(t, jobs[0].ID).State; s != Queued || tr.Lost() != "" {
		t.Errorf("the job is %s, lost %q", s, tr.Lost())
	}
}
