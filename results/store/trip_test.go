package store

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"
)

func addTrip(t *testing.T, s *Store, trip Trip) int64 {
	t.Helper()
	id, err := s.AddTrip(t.Context(), trip)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func tripIDs(t *testing.T, s *Store, bench string, openOnly bool) []int64 {
	t.Helper()
	list, err := s.Trips(t.Context(), bench, openOnly)
	if err != nil {
		t.Fatal(err)
	}
	var ids []int64
	for _, trip := range list {
		ids = append(ids, trip.ID)
	}
	return ids
}

func TestTrips(t *testing.T) {
	s := fresh(t)
	first := Trip{At: morning, Bench: "lab", Run: 7, Reason: "lid open"}
	first.ID = addTrip(t, s, first)
	second := addTrip(t, s, Trip{At: morning.Add(time.Hour), Bench: "shed", Reason: "water in the tray"})
	third := addTrip(t, s, Trip{At: morning.Add(2 * time.Hour), Bench: "lab", Reason: "lid open"})

	before := time.Now()
	if err := s.ClearTrip(t.Context(), first.ID, " Ada ", "closed the lid"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		bench string
		open  bool
		want  []int64
	}{
		{"", false, []int64{third, second, first.ID}},
		{"", true, []int64{third, second}},
		{"lab", false, []int64{third, first.ID}},
		{"lab", true, []int64{third}},
		{"shed", true, []int64{second}},
		{"attic", false, nil},
	} {
		if got := tripIDs(t, s, c.bench, c.open); !reflect.DeepEqual(got, c.want) {
			t.Errorf("bench %q, open %v: %v, want %v", c.bench, c.open, got, c.want)
		}
	}
	list, err := open(t, s.path).Trips(t.Context(), "lab", false) // another process would see the same
	if err != nil {
		t.Fatal(err)
	}
	got := list[1]
	if got.Open() || got.ClearedAt.Before(before.Truncate(time.Microsecond)) || got.ClearedAt.After(time.Now()) {
		t.Errorf("cleared at %v", got.ClearedAt)
	}
	first.ClearedAt, first.ClearedBy, first.Note = got.ClearedAt, "Ada", "closed the lid"
	if got != first {
		t.Errorf("got %+v\nwant %+v", got, first)
	}
}

// TestTripsStay: nothing can be taken back, neither through the API nor past it.
func TestTripsStay(t *testing.T) {
	s := fresh(t)
	id := addTrip(t, s, Trip{At: morning, Bench: "lab", Reason: "lid open"})
	for _, by := range []string{"", " \t"} {
		if err := s.ClearTrip(t.Context(), id, by, ""); err == nil || !strings.Contains(err.Error(), "nobody is named") {
			t.Errorf("cleared by %q: %v", by, err)
		}
	}
	if err := s.ClearTrip(t.Context(), id+1, "Ada", ""); !errors.Is(err, ErrNoTrip) {
		t.Errorf("a trip that isn't there: %v", err)
	}
	if err := s.ClearTrip(t.Context(), id, "Ada", ""); err != nil {
		t.Fatal(err)
	}
	var cleared *ClearedError
	if err := s.ClearTrip(t.Context(), id, "Bob", "me too"); !errors.As(err, &cleared) || cleared.Trip.ClearedBy != "Ada" || !strings.Contains(err.Error(), "Ada cleared it at 20") {
		t.Errorf("cleared twice: %v", err)
	}
	for _, bad := range []string{
		`UPDATE trips SET cleared_by = 'Eve'`, `UPDATE trips SET cleared_at = NULL, cleared_by = NULL`, `DELETE FROM trips`,
		`INSERT INTO trips (at, bench, reason, note, cleared_at) VALUES (0, '', '', '', 0)`,
	} {
		if _, err := s.db.Exec(bad); err == nil {
			t.Errorf("%s: done", bad)
		}
	}
	open := addTrip(t, s, Trip{At: morning, Bench: "lab", Reason: "lid open"})
	if _, err := s.db.Exec(`UPDATE trips SET reason = 'nothing' WHERE id = ?`, open); err == nil {
		t.Error("an open trip's reason was rewritten")
	}
	for _, bad := range []Trip{{At: morning, Bench: "lab"}, {At: morning, Reason: "lid open"}} {
		if _, err := s.AddTrip(t.Context(), bad); err == nil {
			t.Errorf("added %+v", bad)
		}
	}
	if got := tripIDs(t, s, "lab", true); !reflect.DeepEqual(got, []int64{open}) {
		t.Errorf("open: %v", got)
	}
}

func TestProofs(t *testing.T) {
	s := fresh(t)
	lid := Proof{Bench: "lab", Input: "lid", LastOpened: morning.Add(time.Hour), How: "run 3"}
	stop := Proof{Bench: "lab", Input: "estop", LastOpened: morning, How: "pressed by hand", By: "Ada"}
	older := Proof{Bench: "lab", Input: "lid", LastOpened: morning, How: "opened by hand", By: "Bob"}
	other := Proof{Bench: "shed", Input: "lid", LastOpened: morning.Add(2 * time.Hour), How: "run 4"}
	for _, p := range []Proof{lid, stop, older, other} {
		if err := s.AddProof(t.Context(), p); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.Proofs(t.Context(), "lab")
	if want := []Proof{stop, lid}; err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, %v\nwant %+v", got, err, want)
	}
	if err := s.AddProof(t.Context(), Proof{Bench: "lab", LastOpened: morning}); err == nil {
		t.Error("added a proof of no input")
	}
}
