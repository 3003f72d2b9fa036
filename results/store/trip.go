package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Trip is an interlock's trip. It is open until a person has cleared it, and
// stays in the store for good.
type Trip struct {
	ID        int64
	At        time.Time // wall time in UTC, to the microsecond
	Bench     string
	Run       int64 // 0: none was being recorded
	Reason    string
	ClearedAt time.Time // zero while open
	ClearedBy string
	Note      string // of the person who cleared it
}

// Open tells whether nobody has cleared the trip.
func (t Trip) Open() bool { return t.ClearedAt.IsZero() }

// ErrNoTrip is in the chain of errors about a trip that isn't in the store.
var ErrNoTrip = errors.New("no such trip")

// ClearedError says that a trip had been cleared before.
type ClearedError struct{ Trip Trip }

func (e *ClearedError) Error() string {
	return fmt.Sprintf("%s cleared it at %s", e.Trip.ClearedBy, e.Trip.ClearedAt.Format("2006-01-02 15:04:05 UTC"))
}

// AddTrip keeps an open trip and returns its ID. Of t, ID and what is said of
// clearing are not used.
func (s *Store) AddTrip(ctx context.Context, t Trip) (int64, error) {
	var id int64
	err := s.inTx(ctx, "keep a trip of bench "+t.Bench, func(tx *sql.Tx) error {
		if t.Bench == "" || t.Reason == "" {
			return errors.New("it lacks the bench or the reason")
		}
		res, err := tx.ExecContext(ctx, `INSERT INTO trips (at, bench, run, reason, note) VALUES (?, ?, nullif(?, 0), ?, '')`,
			t.At.UnixMicro(), t.Bench, t.Run, t.Reason)
		if err != nil {
			return err
		}
		id, err = res.LastInsertId()
		return err
	})
	return id, err
}

const selectTrips = `SELECT id, at, bench, coalesce(run, 0), reason, coalesce(cleared_at, 0), coalesce(cleared_by, ''), note FROM trips`

// Trips lists the trips of a bench, of all benches if bench is "", the newest
// first.
func (s *Store) Trips(ctx context.Context, bench string, openOnly bool) ([]Trip, error) {
	const doing = "list trips"
	rows, err := s.db.QueryContext(ctx, selectTrips+` WHERE ?1 IN ('', bench) AND (cleared_at IS NULL OR NOT ?2) ORDER BY id DESC`, bench, openOnly)
	if err != nil {
		return nil, s.fault(doing, err)
	}
	defer rows.Close()
	var list []Trip
	for rows.Next() {
		t, err := scanTrip(rows)
		if err != nil {
			return nil, s.fault(doing, err)
		}
		list = append(list, t)
	}
	return list, s.fault(doing, rows.Err())
}

func scanTrip(row scanner) (Trip, error) {
	var t Trip
	var at, cleared int64
	err := row.Scan(&t.ID, &at, &t.Bench, &t.Run, &t.Reason, &cleared, &t.ClearedBy, &t.Note)
	if err != nil {
		return Trip{}, err
	}
	t.At = time.UnixMicro(at).UTC()
	if t.ClearedBy != "" {
		t.ClearedAt = time.UnixMicro(cleared).UTC()
	}
	return t, nil
}

// ClearTrip notes that a person has seen to a trip. One that was cleared
// before stays as it is and gives a *ClearedError.
func (s *Store) ClearTrip(ctx context.Context, id int64, by, note string) error {
	return s.inTx(ctx, fmt.Sprintf("clear trip %d", id), func(tx *sql.Tx) error {
		if strings.TrimSpace(by) == "" {
			return errors.New("nobody is named; expected who looked at the bench")
		}
		t, err := scanTrip(tx.QueryRowContext(ctx, selectTrips+` WHERE id = ?`, id))
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return ErrNoTrip
		case err != nil:
			return err
		case !t.Open():
			return &ClearedError{t}
		}
		_, err = tx.ExecContext(ctx, `UPDATE trips SET cleared_at = ?, cleared_by = ?, note = ? WHERE id = ?`,
			time.Now().UnixMicro(), strings.TrimSpace(by), note, id)
		return err
	})
}
