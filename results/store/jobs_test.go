package store

import (
	"encoding/json"
	"errors"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"drench/results/verdict"
)

// lane is what a bench's queue should be, kept beside the store.
type lane struct {
	t       *rapid.T
	s       *Store
	all     map[int64]JobState
	queue   []int64
	running int64
}

func (m *lane) must(err error) {
	if err != nil {
		m.t.Fatal(err)
	}
}

// pick draws a job, mostly one that there is.
func (m *lane) pick() int64 { return rapid.Int64Range(1, int64(len(m.all)+1)).Draw(m.t, "job") }

func (m *lane) add(*rapid.T) {
	n := rapid.IntRange(1, 4).Draw(m.t, "n")
	jobs := make([]Job, n)
	for i := range jobs {
		jobs[i] = Job{Spec: json.RawMessage(`{}`), By: "Ada", Added: morning}
	}
	added, err := m.s.AddJobs(m.t.Context(), "lab", jobs...)
	m.must(err)
	for _, j := range added {
		m.all[j.ID] = JobQueued
		m.queue = append(m.queue, j.ID)
	}
}

func (m *lane) next(*rapid.T) {
	j, ok, err := m.s.NextJob(m.t.Context(), "lab", morning)
	var busy *JobStateError
	switch {
	case m.running != 0:
		if !errors.As(err, &busy) || busy.Job.ID != m.running {
			m.t.Fatalf("a second job was started: %v, %v", j, err)
		}
	case len(m.queue) == 0:
		if ok || err != nil {
			m.t.Fatalf("got %v, %v of an empty queue", j, err)
		}
	default:
		if !ok || err != nil || j.ID != m.queue[0] || j.State != JobRunning {
			m.t.Fatalf("started %v, %v; want job %d", j, err, m.queue[0])
		}
		m.running, m.queue = j.ID, m.queue[1:]
		m.all[j.ID] = JobRunning
	}
}

// held checks an operation on a job that is not in the state for it.
func (m *lane) held(id int64, err error) {
	var state *JobStateError
	if _, is := m.all[id]; !is && !errors.Is(err, ErrNoJob) || is && !errors.As(err, &state) {
		m.t.Fatalf("job %d (%s): %v", id, m.all[id], err)
	}
}

func (m *lane) finish(*rapid.T) {
	id := m.pick()
	err := m.s.FinishJob(m.t.Context(), id, JobEnd{At: morning, Run: 3, Verdict: verdict.Pass})
	if id != m.running {
		m.held(id, err)
		return
	}
	m.must(err)
	m.all[id], m.running = JobFinished, 0
}

func (m *lane) cancel(*rapid.T) {
	id := m.pick()
	err := m.s.CancelJob(m.t.Context(), id, morning, "not needed")
	if m.all[id] != JobQueued {
		m.held(id, err)
		return
	}
	m.must(err)
	m.all[id] = JobCancelled
	m.queue = slices.DeleteFunc(m.queue, func(q int64) bool { return q == id })
}

func (m *lane) move(*rapid.T) {
	id, place := m.pick(), rapid.IntRange(-1, 9).Draw(m.t, "place")
	err := m.s.MoveJob(m.t.Context(), id, place)
	if m.all[id] != JobQueued {
		m.held(id, err)
		return
	}
	m.must(err)
	m.queue = slices.DeleteFunc(m.queue, func(q int64) bool { return q == id })
	m.queue = slices.Insert(m.queue, min(max(place-1, 0), len(m.queue)), id)
}

// restart is what a daemon does when it finds what another left.
func (m *lane) restart(*rapid.T) {
	cut, err := m.s.InterruptJobs(m.t.Context(), "lab", morning)
	m.must(err)
	if (m.running != 0) != (len(cut) == 1) {
		m.t.Fatalf("interrupted %v; job %d was running", cut, m.running)
	}
	if m.running != 0 {
		m.all[m.running], m.running = JobInterrupted, 0
	}
}

// check holds the store against the model: places 1..n in order, one running
// at the most, nothing lost and nothing else.
func (m *lane) check(*rapid.T) {
	list, err := m.s.Jobs(m.t.Context(), JobFilter{Bench: "lab"})
	m.must(err)
	if len(list) != len(m.all) {
		m.t.Fatalf("%d jobs, want %d", len(list), len(m.all))
	}
	for i, j := range list {
		if j.State != m.all[j.ID] {
			m.t.Fatalf("job %d is %s, want %s", j.ID, j.State, m.all[j.ID])
		}
		queued := i < len(m.queue)
		if queued && (j.ID != m.queue[i] || j.Place != i+1) || !queued && j.Place != 0 {
			m.t.Fatalf("job %d has place %d at %d; the queue is %v", j.ID, j.Place, i, m.queue)
		}
	}
}

// TestQueue holds any sequence of operations against a plain list.
func TestQueue(t *testing.T) {
	s := fresh(t)
	rapid.Check(t, func(t *rapid.T) {
		for _, table := range []string{"jobs", "sqlite_sequence"} {
			if _, err := s.db.ExecContext(t.Context(), `DELETE FROM `+table); err != nil {
				t.Fatal(err)
			}
		}
		m := &lane{t: t, s: s, all: map[int64]JobState{}}
		t.Repeat(map[string]func(*rapid.T){
			"": m.check, "add": m.add, "next": m.next, "finish": m.finish, "cancel": m.cancel, "move": m.move, "restart": m.restart,
		})
	})
}

func oneJob() Job {
	return Job{Spec: json.RawMessage(`{"scenario":"drip"}`), By: "Ada", Added: morning}
}

// TestHeld: a paused bench starts nothing, nor does one with an open trip; a
// queue is its bench's alone.
func TestHeld(t *testing.T) {
	s := fresh(t)
	ctx := t.Context()
	for _, bench := range []string{"lab", "shed"} {
		if _, err := s.AddJobs(ctx, bench, oneJob()); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.SetPaused(ctx, "lab", true); err != nil {
		t.Fatal(err)
	}
	var held *HeldError
	if _, _, err := s.NextJob(ctx, "lab", morning); !errors.As(err, &held) || !held.Paused {
		t.Errorf("paused: %v", err)
	}
	if err := s.SetPaused(ctx, "lab", false); err != nil {
		t.Fatal(err)
	}
	trip := addTrip(t, s, Trip{At: morning, Bench: "lab", Reason: "lid opened"})
	if _, _, err := s.NextJob(ctx, "lab", morning); !errors.As(err, &held) || held.Trips != 1 {
		t.Errorf("tripped: %v", err)
	}
	if _, ok, err := s.NextJob(ctx, "shed", morning); !ok || err != nil {
		t.Errorf("the other bench: %v, %v", ok, err)
	}
	if err := s.ClearTrip(ctx, trip, "Ada", ""); err != nil {
		t.Fatal(err)
	}
	j, ok, err := s.NextJob(ctx, "lab", morning)
	if !ok || err != nil {
		t.Fatal(ok, err)
	}
	if err := s.JobRun(ctx, j.ID, 12); err != nil {
		t.Fatal(err)
	}
	if err := s.FinishJob(ctx, j.ID, JobEnd{At: morning.Add(time.Minute), Verdict: verdict.Fail, Reason: "slow"}); err != nil {
		t.Fatal(err)
	}
	got, err := open(t, s.path).Job(ctx, j.ID)
	want := Job{ID: j.ID, Bench: "lab", Spec: oneJob().Spec, State: JobFinished, By: "Ada", Added: morning, Started: morning,
		Ended: morning.Add(time.Minute), Run: 12, Verdict: verdict.Fail, Reason: "slow"}
	if err != nil || string(got.Spec) != string(want.Spec) {
		t.Fatal(got, err)
	}
	got.Spec, want.Spec = nil, nil
	if a, b := mustJSON(t, got), mustJSON(t, want); a != b {
		t.Errorf("got %s\nwant %s", a, b)
	}
}

func mustJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
