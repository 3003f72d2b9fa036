package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"drench/results/store"
)

// Ledger keeps what must outlast the daemon. Each change is one step: it
// happens as a whole or not at all. *store.Store is one.
type Ledger interface {
	queueLedger
	nightLedger
	fileLedger
	tripLedger
	Tag(ctx context.Context, run int64, tags ...string) error
	Judgements(ctx context.Context, run int64) ([]store.Judgement, error)
	Prune(ctx context.Context, keep store.Keep, most int) ([]int64, error)
	Size(context.Context) (size, free int64, err error)
}

type queueLedger interface {
	AddJobs(ctx context.Context, bench string, jobs ...store.Job) ([]store.Job, error)
	NextJob(ctx context.Context, bench string, now time.Time) (store.Job, bool, error)
	JobRun(ctx context.Context, id, run int64) error
	FinishJob(ctx context.Context, id int64, end store.JobEnd) error
	CancelJob(ctx context.Context, id int64, at time.Time, reason string) error
	MoveJob(ctx context.Context, id int64, place int) error
	InterruptJobs(ctx context.Context, bench string, at time.Time) ([]store.Job, error)
	Jobs(context.Context, store.JobFilter) ([]store.Job, error)
	Job(ctx context.Context, id int64) (store.Job, error)
	BenchState(ctx context.Context, bench string) (store.BenchState, error)
	SetPaused(ctx context.Context, bench string, paused bool) error
}

type nightLedger interface {
	PutNight(context.Context, store.Night) error
	DeleteNight(ctx context.Context, bench, name string) error
	Nights(ctx context.Context, bench string) ([]store.Night, error)
	StartNight(ctx context.Context, n store.NightRun, jobs ...store.Job) (store.NightRun, []store.Job, error)
	NightRuns(ctx context.Context, bench, night string, limit int) ([]store.NightRun, error)
	NightRun(ctx context.Context, id int64) (store.NightRun, error)
	SetSeen(ctx context.Context, bench string, seen time.Time) error
}

type fileLedger interface {
	PutFile(context.Context, store.File) (store.File, error)
	DeleteFile(ctx context.Context, name string) error
	Files(context.Context) ([]store.File, error)
	File(ctx context.Context, name string) (store.File, error)
}

type tripLedger interface {
	AddTrip(context.Context, store.Trip) (int64, error)
	Trips(ctx context.Context, bench string, openOnly bool) ([]store.Trip, error)
	ClearTrip(ctx context.Context, id int64, by, note string) error
}

// kept turns the ledger's errors about what is not there, or not in the state
// for it, into the daemon's.
func kept(err error) error {
	var state *store.JobStateError
	var runs *store.RunsError
	var cleared *store.ClearedError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, store.ErrNoJob), errors.Is(err, store.ErrNoNight), errors.Is(err, store.ErrNoFile),
		errors.Is(err, store.ErrNoTrip), errors.Is(err, store.ErrNotFound):
		return fmt.Errorf("%w: %w", ErrNotFound, err)
	case errors.As(err, &state), errors.As(err, &runs), errors.As(err, &cleared):
		return fmt.Errorf("%w: %w", ErrBusy, err)
	}
	return err
}
