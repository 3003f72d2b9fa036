package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"drench/results/verdict"
)

// Night is a set of runs that a daemon knows by its name.
type Night struct {
	Bench   string
	Name    string
	Spec    json.RawMessage // the store does not look into it
	By      string
	Changed time.Time
}

// NightRun is one execution of a night.
type NightRun struct {
	ID      int64
	Bench   string
	Night   string
	Spec    json.RawMessage // as it was then
	By      string
	Due     time.Time // the start that its schedule asked for; zero: it was started by hand
	Started time.Time
	Ended   time.Time       // zero until all its jobs have ended
	Verdict verdict.Verdict // zero until then
}

// ErrNoNight is in the chain of errors about a night, or a run of one, that
// isn't in the store.
var ErrNoNight = errors.New("no such night")

// ErrDone is in the chain of errors about a start of a night that was run
// before.
var ErrDone = errors.New("this start of the night has been run")

// RunsError says that a run of the night has not ended.
type RunsError struct{ Run int64 }

func (e *RunsError) Error() string { return fmt.Sprintf("its run %d has not ended", e.Run) }

// PutNight keeps a night, in place of the one that has its name.
func (s *Store) PutNight(ctx context.Context, n Night) error {
	return s.inTx(ctx, "keep night "+n.Name, func(tx *sql.Tx) error {
		if n.Bench == "" || n.Name == "" {
			return errors.New("it lacks the bench or the name")
		}
		_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO nights (bench, name, spec, by, changed) VALUES (?, ?, ?, ?, ?)`,
			n.Bench, n.Name, string(n.Spec), n.By, n.Changed.UnixMicro())
		return err
	})
}

// DeleteNight forgets a night; its runs stay.
func (s *Store) DeleteNight(ctx context.Context, bench, name string) error {
	return s.inTx(ctx, "delete night "+name, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `DELETE FROM nights WHERE bench = ? AND name = ?`, bench, name)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, ErrNoNight)
		}
		return nil
	})
}

// Nights lists a bench's nights by name.
func (s *Store) Nights(ctx context.Context, bench string) ([]Night, error) {
	const doing = "list nights"
	rows, err := s.db.QueryContext(ctx, `SELECT bench, name, spec, by, changed FROM nights WHERE bench = ? ORDER BY name`, bench)
	if err != nil {
		return nil, s.fault(doing, err)
	}
	defer rows.Close()
	var list []Night
	for rows.Next() {
		var n Night
		var spec string
		var changed int64
		if err := rows.Scan(&n.Bench, &n.Name, &spec, &n.By, &changed); err != nil {
			return nil, s.fault(doing, err)
		}
		n.Spec, n.Changed = json.RawMessage(spec), instant(changed)
		list = append(list, n)
	}
	return list, s.fault(doing, rows.Err())
}

// StartNight keeps a run of a night and queues its jobs, all in one step. A
// start that was run before is ErrDone; while an earlier run of the night has
// not ended it is *RunsError. Of n, ID, Ended and Verdict are not used.
func (s *Store) StartNight(ctx context.Context, n NightRun, jobs ...Job) (NightRun, []Job, error) {
	var added []Job
	err := s.inTx(ctx, "start night "+n.Night, func(tx *sql.Tx) error {
		if err := mayStart(ctx, tx, n); err != nil {
			return err
		}
		var due any
		if !n.Due.IsZero() {
			due = n.Due.UnixMicro()
		}
		n.Ended, n.Verdict = time.Time{}, verdict.None
		res, err := tx.ExecContext(ctx, `INSERT INTO night_runs (bench, night, spec, by, due, started, verdict) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			n.Bench, n.Night, string(n.Spec), n.By, due, n.Started.UnixMicro(), n.Verdict.String())
		if err != nil {
			return err
		}
		if n.ID, err = res.LastInsertId(); err != nil {
			return err
		}
		for i := range jobs {
			jobs[i].Night = n.ID
		}
		return addJobs(ctx, tx, n.Bench, jobs, &added)
	})
	return n, added, err
}

func mayStart(ctx context.Context, tx *sql.Tx, n NightRun) error {
	var runs, done int64
	err := tx.QueryRowContext(ctx, `SELECT
		coalesce((SELECT max(id) FROM night_runs WHERE bench = ?1 AND night = ?2 AND ended IS NULL), 0),
		(SELECT count(*) FROM night_runs WHERE bench = ?1 AND night = ?2 AND due = ?3)`,
		n.Bench, n.Night, n.Due.UnixMicro()).Scan(&runs, &done)
	switch {
	case err != nil:
		return err
	case done > 0:
		return ErrDone
	case runs > 0:
		return &RunsError{runs}
	}
	return nil
}

// endNightRun closes a night run if none of its jobs is left. Its verdict is
// that of its jobs by the overwriting rule (ETSI ES 201 873-1 clause 24); a
// job that was cancelled says nothing, hence inconc.
func endNightRun(ctx context.Context, tx *sql.Tx, id int64, at time.Time) error {
	if id == 0 {
		return nil
	}
	rows, err := tx.QueryContext(ctx, `SELECT state, verdict FROM jobs WHERE night = ?`, id)
	if err != nil {
		return err
	}
	defer rows.Close()
	total := verdict.None
	for rows.Next() {
		var state JobState
		var word string
		if err := rows.Scan(&state, &word); err != nil {
			return err
		}
		v, err := verdict.Parse(word)
		switch {
		case err != nil:
			return err
		case state == JobQueued, state == JobRunning:
			return nil
		case state == JobCancelled:
			v = verdict.Inconc
		}
		total = total.Overwrite(v)
	}
	if err := rows.Err(); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE night_runs SET ended = ?, verdict = ? WHERE id = ?`, at.UnixMicro(), total.String(), id)
	return err
}

const selectNightRuns = `SELECT id, bench, night, spec, by, coalesce(due, 0), started, coalesce(ended, 0), verdict FROM night_runs`

// NightRuns lists the runs of a bench's night, of all its nights if night is
// "", the newest first; at most limit of them unless that is 0.
func (s *Store) NightRuns(ctx context.Context, bench, night string, limit int) ([]NightRun, error) {
	const doing = "list runs of nights"
	if limit <= 0 {
		limit = -1 // SQLite's word for all
	}
	rows, err := s.db.QueryContext(ctx, selectNightRuns+` WHERE bench = ?1 AND ?2 IN ('', night) ORDER BY id DESC LIMIT ?3`, bench, night, limit)
	if err != nil {
		return nil, s.fault(doing, err)
	}
	defer rows.Close()
	var list []NightRun
	for rows.Next() {
		n, err := scanNightRun(rows)
		if err != nil {
			return nil, s.fault(doing, err)
		}
		list = append(list, n)
	}
	return list, s.fault(doing, rows.Err())
}

// NightRun returns one run of a night.
func (s *Store) NightRun(ctx context.Context, id int64) (NightRun, error) {
	n, err := scanNightRun(s.db.QueryRowContext(ctx, selectNightRuns+` WHERE id = ?`, id))
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoNight
	}
	return n, s.fault(fmt.Sprintf("read night run %d", id), err)
}

func scanNightRun(row scanner) (NightRun, error) {
	var n NightRun
	var spec, word string
	var due, started, ended int64
	if err := row.Scan(&n.ID, &n.Bench, &n.Night, &spec, &n.By, &due, &started, &ended, &word); err != nil {
		return NightRun{}, err
	}
	n.Spec, n.Due, n.Started, n.Ended = json.RawMessage(spec), instant(due), instant(started), instant(ended)
	var err error
	if n.Verdict, err = verdict.Parse(word); err != nil {
		return NightRun{}, fmt.Errorf("verdict of night run %d: %w", n.ID, err)
	}
	return n, nil
}

// BenchState is what a daemon remembers of its bench.
type BenchState struct {
	Paused bool
	Seen   time.Time // until when schedules have been looked at; zero: never
}

// BenchState returns what is kept of a bench.
func (s *Store) BenchState(ctx context.Context, bench string) (BenchState, error) {
	var b BenchState
	var seen int64
	err := s.db.QueryRowContext(ctx, `SELECT paused, seen FROM benches WHERE name = ?`, bench).Scan(&b.Paused, &seen)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	b.Seen = instant(seen)
	return b, s.fault("read the state of bench "+bench, err)
}

// SetPaused pauses a bench's queue or lets it go on.
func (s *Store) SetPaused(ctx context.Context, bench string, paused bool) error {
	return s.inTx(ctx, "pause bench "+bench, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO benches (name, paused) VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET paused = ?2`, bench, paused)
		return err
	})
}

// SetSeen notes until when a bench's schedules have been looked at.
func (s *Store) SetSeen(ctx context.Context, bench string, seen time.Time) error {
	return s.inTx(ctx, "note the time of bench "+bench, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO benches (name, seen) VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET seen = ?2`, bench, seen.UnixMicro())
		return err
	})
}
