package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"drench/results/verdict"
)

// JobState is how far a job of a daemon's queue is.
type JobState string

// States of a job.
const (
	JobQueued      JobState = "queued"
	JobRunning     JobState = "running"
	JobFinished    JobState = "finished"
	JobCancelled   JobState = "cancelled"
	JobInterrupted JobState = "interrupted"
)

// Job is a run that a daemon was asked for.
type Job struct {
	ID      int64
	Bench   string
	Spec    json.RawMessage // what to run; the store does not look into it
	State   JobState
	Place   int // in the bench's queue, 1 is next; 0 when not queued
	By      string
	Night   int64 // number of the night run that it is part of, or 0
	Added   time.Time
	Started time.Time // zero before
	Ended   time.Time // zero before
	Run     int64     // 0 before it is known
	Verdict verdict.Verdict
	Reason  string
}

// ErrNoJob is in the chain of errors about a job that isn't in the store.
var ErrNoJob = errors.New("no such job")

// JobStateError says that a job is not in the state that a change needs.
type JobStateError struct{ Job Job }

func (e *JobStateError) Error() string { return fmt.Sprintf("job %d is %s", e.Job.ID, e.Job.State) }

// HeldError says why a bench starts no job.
type HeldError struct {
	Paused bool
	Trips  int // open ones
}

func (e *HeldError) Error() string {
	if e.Trips > 0 {
		return fmt.Sprintf("trips that nobody has cleared: %d", e.Trips)
	}
	return "the queue is paused"
}

// AddJobs puts jobs at the end of a bench's queue, all or none, and returns
// them with their numbers and places. Of a job Spec, By, Night and Added are
// used.
func (s *Store) AddJobs(ctx context.Context, bench string, jobs ...Job) ([]Job, error) {
	added := make([]Job, 0, len(jobs))
	err := s.inTx(ctx, "queue jobs", func(tx *sql.Tx) error {
		return addJobs(ctx, tx, bench, jobs, &added)
	})
	if err != nil {
		return nil, err
	}
	return added, nil
}

func addJobs(ctx context.Context, tx *sql.Tx, bench string, jobs []Job, added *[]Job) error {
	if bench == "" {
		return errors.New("no bench is named")
	}
	last, err := queueLength(ctx, tx, bench)
	if err != nil {
		return err
	}
	for _, j := range jobs {
		last++
		j.Bench, j.State, j.Place = bench, JobQueued, last
		j.Started, j.Ended, j.Run, j.Verdict, j.Reason = time.Time{}, time.Time{}, 0, verdict.None, ""
		res, err := tx.ExecContext(ctx, `INSERT INTO jobs (bench, spec, state, place, by, night, added, verdict, reason)
			VALUES (?, ?, ?, ?, ?, nullif(?, 0), ?, ?, '')`,
			bench, string(j.Spec), j.State, j.Place, j.By, j.Night, j.Added.UnixMicro(), j.Verdict.String())
		if err != nil {
			return err
		}
		if j.ID, err = res.LastInsertId(); err != nil {
			return err
		}
		*added = append(*added, j)
	}
	return nil
}

func queueLength(ctx context.Context, tx *sql.Tx, bench string) (n int, err error) {
	err = tx.QueryRowContext(ctx, `SELECT count(*) FROM jobs WHERE bench = ? AND state = 'queued'`, bench).Scan(&n)
	return n, err
}

// NextJob starts the first job of a bench's queue and tells whether there was
// one. A bench that is paused or has an open trip starts none: *HeldError. So
// does one whose job still runs: *JobStateError.
func (s *Store) NextJob(ctx context.Context, bench string, now time.Time) (j Job, ok bool, err error) {
	err = s.inTx(ctx, "start the next job of bench "+bench, func(tx *sql.Tx) error {
		var held HeldError
		err := tx.QueryRowContext(ctx, `SELECT coalesce((SELECT paused FROM benches WHERE name = ?1), 0),
			(SELECT count(*) FROM trips WHERE bench = ?1 AND cleared_at IS NULL)`, bench).Scan(&held.Paused, &held.Trips)
		if err != nil {
			return err
		}
		if held.Paused || held.Trips > 0 {
			return &held
		}
		if busy, err := scanJob(tx.QueryRowContext(ctx, selectJobs+` WHERE bench = ? AND state = 'running'`, bench)); err == nil {
			return &JobStateError{busy}
		} else if !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		j, err = scanJob(tx.QueryRowContext(ctx, selectJobs+` WHERE bench = ? AND state = 'queued' AND place = 1`, bench))
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		} else if err != nil {
			return err
		}
		ok = true
		j.Started = time.UnixMicro(now.UnixMicro()).UTC()
		return leaveQueue(ctx, tx, &j, `state = 'running', started = ?`, now.UnixMicro())
	})
	if err != nil {
		return Job{}, false, err
	}
	if ok {
		j.State = JobRunning
	}
	return j, ok, nil
}

// leaveQueue takes a queued job out of its place and moves up those behind.
func leaveQueue(ctx context.Context, tx *sql.Tx, j *Job, set string, args ...any) error {
	if _, err := tx.ExecContext(ctx, `UPDATE jobs SET place = NULL, `+set+` WHERE id = ?`, append(args, j.ID)...); err != nil {
		return err
	}
	err := shift(ctx, tx, j.Bench, j.Place+1, maxPlace, -1)
	j.Place = 0
	return err
}

const maxPlace = 1<<31 - 1 // also on a 32-bit machine

// shift moves the queued jobs from one place to another by so many places. It
// goes by way of negative places, as no two jobs may share one even for a
// moment.
func shift(ctx context.Context, tx *sql.Tx, bench string, from, to, by int) error {
	_, err := tx.ExecContext(ctx, `UPDATE jobs SET place = -(place + ?) WHERE bench = ? AND state = 'queued' AND place BETWEEN ? AND ?`, by, bench, from, to)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE jobs SET place = -place WHERE bench = ? AND state = 'queued' AND place < 0`, bench)
	return err
}

// JobRun notes which run a job has become.
func (s *Store) JobRun(ctx context.Context, id, run int64) error {
	return s.changeJob(ctx, id, fmt.Sprintf("note the run of job %d", id), JobRunning, func(tx *sql.Tx, j *Job) error {
		_, err := tx.ExecContext(ctx, `UPDATE jobs SET run = nullif(?, 0) WHERE id = ?`, run, id)
		return err
	})
}

// JobEnd is how a job ended.
type JobEnd struct {
	At      time.Time
	Run     int64 // 0: as it is known
	Verdict verdict.Verdict
	Reason  string
	Cut     bool // by the daemon's end: it counts as interrupted
}

// FinishJob ends the job that runs, and with the last of them its night run.
func (s *Store) FinishJob(ctx context.Context, id int64, end JobEnd) error {
	return s.changeJob(ctx, id, fmt.Sprintf("finish job %d", id), JobRunning, func(tx *sql.Tx, j *Job) error {
		state := JobFinished
		if end.Cut {
			state = JobInterrupted
		}
		return endJob(ctx, tx, j, state, end)
	})
}

func endJob(ctx context.Context, tx *sql.Tx, j *Job, state JobState, end JobEnd) error {
	_, err := tx.ExecContext(ctx, `UPDATE jobs SET state = ?, ended = ?, run = coalesce(nullif(?, 0), run), verdict = ?, reason = ? WHERE id = ?`,
		state, end.At.UnixMicro(), end.Run, end.Verdict.String(), end.Reason, j.ID)
	if err != nil {
		return err
	}
	return endNightRun(ctx, tx, j.Night, end.At)
}

// CancelJob takes a job out of the queue.
func (s *Store) CancelJob(ctx context.Context, id int64, at time.Time, reason string) error {
	return s.changeJob(ctx, id, fmt.Sprintf("cancel job %d", id), JobQueued, func(tx *sql.Tx, j *Job) error {
		if err := leaveQueue(ctx, tx, j, `state = 'cancelled'`); err != nil {
			return err
		}
		return endJob(ctx, tx, j, JobCancelled, JobEnd{At: at, Reason: reason})
	})
}

// MoveJob gives a queued job another place; one beyond the end is the end.
func (s *Store) MoveJob(ctx context.Context, id int64, place int) error {
	return s.changeJob(ctx, id, fmt.Sprintf("move job %d", id), JobQueued, func(tx *sql.Tx, j *Job) error {
		n, err := queueLength(ctx, tx, j.Bench)
		if err != nil {
			return err
		}
		place := min(max(place, 1), n)
		from, to, by := place, j.Place-1, 1 // forward: those between move back
		if place > j.Place {
			from, to, by = j.Place+1, place, -1
		}
		if _, err := tx.ExecContext(ctx, `UPDATE jobs SET place = 0 WHERE id = ?`, id); err != nil {
			return err
		}
		if err := shift(ctx, tx, j.Bench, from, to, by); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE jobs SET place = ? WHERE id = ?`, place, id)
		return err
	})
}

// changeJob changes a job that is in a state, or gives *JobStateError.
func (s *Store) changeJob(ctx context.Context, id int64, doing string, want JobState, change func(*sql.Tx, *Job) error) error {
	return s.inTx(ctx, doing, func(tx *sql.Tx) error {
		j, err := scanJob(tx.QueryRowContext(ctx, selectJobs+` WHERE id = ?`, id))
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return ErrNoJob
		case err != nil:
			return err
		case j.State != want:
			return &JobStateError{j}
		}
		return change(tx, &j)
	})
}

// InterruptJobs ends the job of a bench that was running when its daemon
// ended, as interrupted, with the reason of its run if that has one. It is for
// who holds the bench.
func (s *Store) InterruptJobs(ctx context.Context, bench string, at time.Time) ([]Job, error) {
	var cut []Job
	err := s.inTx(ctx, "close interrupted jobs of bench "+bench, func(tx *sql.Tx) error {
		j, err := scanJob(tx.QueryRowContext(ctx, selectJobs+` WHERE bench = ? AND state = 'running'`, bench))
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		} else if err != nil {
			return err
		}
		j.State, j.Verdict, j.Reason, j.Ended = JobInterrupted, verdict.Error, "interrupted: the daemon ended while it ran", at
		cut = append(cut, j)
		return endJob(ctx, tx, &j, JobInterrupted, JobEnd{At: at, Verdict: j.Verdict, Reason: j.Reason})
	})
	return cut, err
}

// JobFilter says which jobs to list. A zero field lets all pass.
type JobFilter struct {
	Bench  string
	States []JobState
	Night  int64
	Before int64 // ID below this one: the next page of a list
	Limit  int
}

func (f JobFilter) where() (string, []any) {
	conds := []string{"1"}
	var args []any
	add := func(use bool, cond string, arg ...any) {
		if use {
			conds = append(conds, cond)
			args = append(args, arg...)
		}
	}
	add(f.Bench != "", "bench = ?", f.Bench)
	add(f.Night > 0, "night = ?", f.Night)
	add(f.Before > 0, "id < ?", f.Before)
	var states []any
	for _, state := range f.States {
		states = append(states, string(state))
	}
	add(len(states) > 0, "state IN (?"+strings.Repeat(", ?", max(len(states)-1, 0))+")", states...)
	text := " WHERE " + strings.Join(conds, " AND ") + " ORDER BY place IS NULL, place, state <> 'running', id DESC"
	if f.Limit > 0 {
		text += " LIMIT ?"
		args = append(args, f.Limit)
	}
	return text, args
}

const selectJobs = `SELECT id, bench, spec, state, coalesce(place, 0), by, coalesce(night, 0), added,
	coalesce(started, 0), coalesce(ended, 0), coalesce(run, 0), verdict, reason FROM jobs`

// Jobs lists jobs: the queue in its order, then the one that runs, then the
// others, the newest first.
func (s *Store) Jobs(ctx context.Context, f JobFilter) ([]Job, error) {
	where, args := f.where()
	rows, err := s.db.QueryContext(ctx, selectJobs+where, args...)
	if err != nil {
		return nil, s.fault("list jobs", err)
	}
	defer rows.Close()
	var list []Job
	for rows.Next() {
		j, err := scanJob(rows)
		if err != nil {
			return nil, s.fault("list jobs", err)
		}
		list = append(list, j)
	}
	return list, s.fault("list jobs", rows.Err())
}

// Job returns one job.
func (s *Store) Job(ctx context.Context, id int64) (Job, error) {
	j, err := scanJob(s.db.QueryRowContext(ctx, selectJobs+` WHERE id = ?`, id))
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoJob
	}
	return j, s.fault(fmt.Sprintf("read job %d", id), err)
}

func scanJob(row scanner) (Job, error) {
	var j Job
	var added, started, ended int64
	var spec, word string
	err := row.Scan(&j.ID, &j.Bench, &spec, &j.State, &j.Place, &j.By, &j.Night, &added, &started, &ended, &j.Run, &word, &j.Reason)
	if err != nil {
		return Job{}, err
	}
	j.Spec, j.Added, j.Started, j.Ended = json.RawMessage(spec), instant(added), instant(started), instant(ended)
	if j.Verdict, err = verdict.Parse(word); err != nil {
		return Job{}, fmt.Errorf("verdict of job %d: %w", j.ID, err)
	}
	return j, nil
}

// instant reads a time of the file; 0 is none.
func instant(micro int64) time.Time {
	if micro == 0 {
		return time.Time{}
	}
	return time.UnixMicro(micro).UTC()
}
