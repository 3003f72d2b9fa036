package store

import (
	"encoding/json"
	"errors"
	"testing"
	"time"

	"drench/results/verdict"
)

func TestNights(t *testing.T) {
	s, ctx := fresh(t), t.Context()
	for _, spec := range []string{`{"cron":"@daily"}`, `{"cron":"0 3 * * *"}`} {
		n := Night{Bench: "lab", Name: "doses", Spec: json.RawMessage(spec), By: "Ada", Changed: morning}
		if err := s.PutNight(ctx, n); err != nil {
			t.Fatal(err)
		}
	}
	list, err := s.Nights(ctx, "lab")
	if err != nil || len(list) != 1 || string(list[0].Spec) != `{"cron":"0 3 * * *"}` || !list[0].Changed.Equal(morning) {
		t.Errorf("%v, %v", list, err)
	}
	if list, err := s.Nights(ctx, "shed"); err != nil || len(list) != 0 {
		t.Errorf("another bench: %v, %v", list, err)
	}
	if err := s.DeleteNight(ctx, "lab", "doses"); err != nil {
		t.Error(err)
	}
	if err := s.DeleteNight(ctx, "lab", "doses"); !errors.Is(err, ErrNoNight) {
		t.Errorf("deleted twice: %v", err)
	}
}

// TestNightRun: a start is run once, a night not twice at a time, and it ends
// with its last job, with the verdict by the overwriting rule.
func TestNightRun(t *testing.T) {
	for _, c := range []struct {
		name     string
		verdicts []verdict.Verdict // None: cancelled
		want     verdict.Verdict
	}{
		{"all pass", []verdict.Verdict{verdict.Pass, verdict.Pass}, verdict.Pass},
		{"one fails", []verdict.Verdict{verdict.Fail, verdict.Pass}, verdict.Fail},
		{"inconc, then fail", []verdict.Verdict{verdict.Inconc, verdict.Fail}, verdict.Fail},
		{"error stays", []verdict.Verdict{verdict.Error, verdict.Fail}, verdict.Error},
		{"one cancelled", []verdict.Verdict{verdict.Pass, verdict.None}, verdict.Inconc},
		{"all cancelled", []verdict.Verdict{verdict.None, verdict.None}, verdict.Inconc},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, ctx := fresh(t), t.Context()
			n := NightRun{Bench: "lab", Night: "doses", Spec: json.RawMessage(`{}`), By: "schedule", Due: morning, Started: morning}
			run, jobs, err := s.StartNight(ctx, n, oneJob(), oneJob())
			if err != nil || len(jobs) != 2 || jobs[1].Night != run.ID {
				t.Fatal(run, jobs, err)
			}
			later := n
			later.Due = morning.Add(24 * time.Hour)
			var runs *RunsError
			if _, _, err := s.StartNight(ctx, later, oneJob()); !errors.As(err, &runs) || runs.Run != run.ID {
				t.Errorf("beside an earlier one: %v", err)
			}
			for i, v := range c.verdicts {
				if got, err := s.NightRun(ctx, run.ID); err != nil || !got.Ended.IsZero() {
					t.Fatalf("ended before job %d: %v, %v", i, got, err)
				}
				endOne(t, s, jobs[i].ID, v)
			}
			got, err := s.NightRun(ctx, run.ID)
			if err != nil || got.Verdict != c.want || !got.Ended.Equal(morning.Add(time.Hour)) {
				t.Errorf("got %v, %v; want %v", got, err, c.want)
			}
			if _, _, err := s.StartNight(ctx, n, oneJob()); !errors.Is(err, ErrDone) {
				t.Errorf("the same start again: %v", err)
			}
			if _, _, err := s.StartNight(ctx, later, oneJob()); err != nil {
				t.Errorf("the next start: %v", err)
			}
			if list, err := s.NightRuns(ctx, "lab", "", 1); err != nil || len(list) != 1 || list[0].ID == run.ID {
				t.Errorf("the newest: %v, %v", list, err)
			}
		})
	}
}

// endOne runs a job to a verdict, or cancels it.
func endOne(t *testing.T, s *Store, id int64, v verdict.Verdict) {
	t.Helper()
	end := morning.Add(time.Hour)
	if v == verdict.None {
		if err := s.CancelJob(t.Context(), id, end, ""); err != nil {
			t.Fatal(err)
		}
		return
	}
	if j, ok, err := s.NextJob(t.Context(), "lab", morning); !ok || err != nil || j.ID != id {
		t.Fatal(j, ok, err)
	}
	if err := s.FinishJob(t.Context(), id, JobEnd{At: end, Verdict: v}); err != nil {
		t.Fatal(err)
	}
}

func TestBenchState(t *testing.T) {
	s, ctx := fresh(t), t.Context()
	if b, err := s.BenchState(ctx, "lab"); err != nil || b != (BenchState{}) {
		t.Errorf("a new bench: %v, %v", b, err)
	}
	if err := errors.Join(s.SetSeen(ctx, "lab", morning), s.SetPaused(ctx, "lab", true)); err != nil {
		t.Fatal(err)
	}
	if b, err := open(t, s.path).BenchState(ctx, "lab"); err != nil || !b.Paused || !b.Seen.Equal(morning) {
		t.Errorf("got %v, %v", b, err)
	}
}

func TestFiles(t *testing.T) {
	s, ctx := fresh(t), t.Context()
	for _, text := range []string{"old", "new"} {
		if _, err := s.PutFile(ctx, File{Name: "splash.star", Text: text, By: "Ada", At: morning}); err != nil {
			t.Fatal(err)
		}
	}
	f, err := s.File(ctx, "splash.star")
	if err != nil || f.Text != "new" || f.By != "Ada" || !f.At.Equal(morning) || len(f.Hash) != 64 {
		t.Errorf("got %v, %v", f, err)
	}
	if list, err := s.Files(ctx); err != nil || len(list) != 1 || list[0].Hash != f.Hash {
		t.Errorf("list %v, %v", list, err)
	}
	if err := s.DeleteFile(ctx, "splash.star"); err != nil {
		t.Error(err)
	}
	if err := s.DeleteFile(ctx, "splash.star"); !errors.Is(err, ErrNoFile) {
		t.Errorf("deleted twice: %v", err)
	}
	if _, err := s.File(ctx, "splash.star"); !errors.Is(err, ErrNoFile) {
		t.Errorf("read after: %v", err)
	}
}
