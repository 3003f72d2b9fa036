package store

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"drench/results/verdict"
)

// fill keeps ten runs, a day apart, of two scenarios in turn: 1, 3… are drip,
// 2, 4… spray. Run 1 is a baseline, run 2 that of a release, run 3 has an open
// trip.
func fill(t *testing.T) *Store {
	t.Helper()
	s := fresh(t)
	for i := range 10 {
		r := exampleRun()
		r.Started = morning.AddDate(0, 0, i)
		r.Scenario = []string{"drip", "spray"}[i%2]
		r.LimitsText = fmt.Sprintf("latency max <= %d s\n", i+1)
		r.Tags = [][]string{{"baseline=2"}, {"release"}, nil}[min(i, 2)]
		record(t, s, r, 20)
	}
	addTrip(t, s, Trip{At: morning, Bench: "virtual", Run: 3, Reason: "lid opened"})
	return s
}

func TestPrune(t *testing.T) {
	day := func(n int) time.Time { return morning.AddDate(0, 0, n-1) } // on which run n began
	for _, c := range []struct {
		name string
		keep Keep
		most int
		gone []int64
	}{
		{"nothing is said", Keep{}, 100, nil},
		{"six days", Keep{Since: day(6)}, 100, []int64{2, 4, 5}},
		{"and the release", Keep{Since: day(6), Baselines: []string{"release"}}, 100, []int64{4, 5}},
		{"two of each", Keep{Newest: 2}, 100, []int64{2, 4, 5, 6}},
		{"either keeps", Keep{Newest: 3, Since: day(10)}, 100, []int64{2, 4}},
		{"bounded", Keep{Newest: 1}, 3, []int64{2, 4, 5}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := fill(t)
			gone, err := s.Prune(t.Context(), c.keep, c.most)
			if err != nil || !reflect.DeepEqual(gone, c.gone) {
				t.Errorf("deleted %v, %v; want %v", gone, err, c.gone)
			}
			runs, err := s.Runs(t.Context(), Filter{})
			if err != nil || len(runs) != 10-len(c.gone) {
				t.Fatalf("%d runs left, %v", len(runs), err)
			}
			for _, r := range runs {
				if slices.Contains(c.gone, r.ID) {
					t.Errorf("run %d is there", r.ID)
				}
				if got, err := s.Get(t.Context(), r.ID); err != nil || got.LimitsText == "" || len(got.Sources) != 3 {
					t.Errorf("run %d: %v, %v", r.ID, got, err)
				}
			}
			wantTexts(t, s, 2+len(runs))
			wantSound(t, s)
			wantSums(t, s)
		})
	}
}

// TestPruneKeepsLots: a run that a lot was judged by stays, however old.
func TestPruneKeepsLots(t *testing.T) {
	s := fresh(t)
	for _, tag := range []string{"lot=A7", "lot", "lottery", "slot=3"} {
		record(t, s, Run{Started: morning, Scenario: "drip", Tags: []string{tag}}, 1)
	}
	record(t, s, Run{Started: morning, Scenario: "drip"}, 1) // the newest
	gone, err := s.Prune(t.Context(), Keep{Newest: 1}, 100)
	if err != nil || !reflect.DeepEqual(gone, []int64{3, 4}) {
		t.Errorf("deleted %v, %v", gone, err)
	}
}

// TestPruneShrinks: the disk gets back what deleted runs had taken. A file of
// an earlier version keeps it for further runs.
func TestPruneShrinks(t *testing.T) {
	for name, old := range map[string]bool{"new": false, "earlier": true} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "drench.db")
			if old {
				b, err := os.ReadFile(kept(1))
				if err == nil {
					err = os.WriteFile(path, b, 0o644)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			s := open(t, path)
			for range 6 {
				rec, err := s.Begin(t.Context(), Run{Started: morning, Scenario: "spray"})
				if err == nil {
					err = rec.WriteChunk(make([]byte, 1<<20))
				}
				if err == nil {
					err = rec.Finish(t.Context(), verdict.Pass, "", "", nil)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			if _, err := s.Prune(t.Context(), Keep{Newest: 1}, 100); err != nil {
				t.Fatal(err)
			}
			size, free, err := s.Size(t.Context())
			if err != nil || old != (free > 4<<20) || old != (size > 4<<20) {
				t.Errorf("size %d, free %d, %v", size, free, err)
			}
			wantSound(t, s)
		})
	}
}

// wantTexts counts the texts that are kept.
func wantTexts(t *testing.T, s *Store, want int) {
	t.Helper()
	var n, chunks int
	err := s.db.QueryRowContext(t.Context(), `SELECT (SELECT count(*) FROM texts), (SELECT count(*) FROM chunks WHERE run NOT IN (SELECT id FROM runs))`).Scan(&n, &chunks)
	if err != nil || n != want || chunks != 0 {
		t.Errorf("%d texts, %d chunks of no run, %v; want %d texts", n, chunks, err, want)
	}
	if size, free, err := s.Size(t.Context()); err != nil || size < 10_000 || free < 0 || free >= size {
		t.Errorf("size %d, %d of it free, %v", size, free, err)
	}
}
