// Package api answers programs over HTTP, with JSON, what the pages answer
// people: what the bench does, its queue, nights, runs and files, and a stop.
//
// One table of operations is the source of the routes, of how a request is
// read, and of the OpenAPI document at /api/v1/openapi.json. A body is held
// against the very schema that the document shows. Every error is a problem
// after RFC 9457.
package api

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"drench/results/lot"
	"drench/results/store"
	"drench/rig/daemon"
)

// Daemon is what the API asks of the daemon; *daemon.Daemon has it. by is the
// name of whoever asks.
type Daemon interface {
	Live() daemon.Live
	Follow(ctx context.Context) <-chan daemon.Update
	Stop(ctx context.Context, by string) error
	Pause(ctx context.Context, by string) error
	Resume(ctx context.Context, by string) error
	Queue
	Nights
	Files
	Trips(ctx context.Context, openOnly bool) ([]store.Trip, error)
	ClearTrip(ctx context.Context, id int64, by, note string) error
	Calibrations(ctx context.Context) ([]daemon.Calibration, error)
	Tag(ctx context.Context, by string, run int64, tags ...string) error
	Rejudge(ctx context.Context, by string, run int64, limits string) (store.Judgement, error)
}

// Queue is what waits to be run.
type Queue interface {
	Enqueue(ctx context.Context, by string, requests ...daemon.Request) ([]daemon.Job, error)
	Jobs(ctx context.Context, f daemon.JobFilter) ([]daemon.Job, error)
	Job(ctx context.Context, id int64) (daemon.Job, error)
	Cancel(ctx context.Context, by string, id int64) error
	Move(ctx context.Context, by string, id int64, place int) error
}

// Nights are sets of runs with a schedule.
type Nights interface {
	Nights(ctx context.Context) ([]daemon.Night, error)
	Night(ctx context.Context, name string) (daemon.Night, error)
	PutNight(ctx context.Context, by string, n daemon.Night) error
	DeleteNight(ctx context.Context, by, name string) error
	NextStart(n daemon.Night) (time.Time, bool)
	StartNight(ctx context.Context, by, name string) (daemon.NightRun, error)
	NightRuns(ctx context.Context, name string, limit int) ([]daemon.NightRun, error)
	NightRun(ctx context.Context, id int64) (daemon.NightRun, error)
}

// Files are scripts, limits and profiles.
type Files interface {
	Files(ctx context.Context) ([]daemon.File, error)
	File(ctx context.Context, name string) (daemon.File, error)
	PutFile(ctx context.Context, by, name, text string) (daemon.File, error)
	DeleteFile(ctx context.Context, by, name string) error
	CheckFile(ctx context.Context, name, text string) (daemon.File, error)
	Preview(ctx context.Context, name string) (daemon.Preview, error)
}

// Runs are the stored runs; *store.Store has them.
type Runs interface {
	Runs(ctx context.Context, f store.Filter) ([]store.Run, error)
	Get(ctx context.Context, id int64) (store.Run, error)
	Judgements(ctx context.Context, run int64) ([]store.Judgement, error)
	Timeline(ctx context.Context, id int64) io.ReadCloser
	Tags(ctx context.Context) ([]store.TagCount, error)
	lot.Storage // ledgers of lots
	Entries(ctx context.Context, product string) (int, error)
	Products(ctx context.Context) ([]string, error)
}

type api struct {
	daemon Daemon
	runs   Runs
	log    *slog.Logger
	table  []operation
	// edit is held from the look at a version to the change of it, so that
	// of two changes of the same version one is refused.
	edit sync.Mutex
	// judging has room for those who read a whole timeline: it takes a core
	// and memory that the bench needs too.
	judging chan struct{}
}

const mostJudging = 2

// New returns the handler of all below Root. It needs the middleware of an
// access.Gate around it, which knows who asks.
func New(d Daemon, r Runs, log *slog.Logger) (http.Handler, error) {
	a := &api{daemon: d, runs: r, log: log, table: operations(), judging: make(chan struct{}, mostJudging)}
	return a.mux(a.table)
}

// operations is the table of all that the API does.
func operations() []operation {
	var table []operation
	for _, part := range []struct {
		of   group
		rows []operation
	}{
		{live, liveOperations()},
		{queue, queueOperations()},
		{nights, nightOperations()},
		{runs, runOperations()},
		{runs, artefactOperations()},
		{runs, compareOperations()},
		{lots, lotOperations()},
		{files, fileOperations()},
		{bench, benchOperations()},
		{about, aboutOperations()},
	} {
		for _, o := range part.rows {
			o.group = part.of
			table = append(table, o)
		}
	}
	return table
}

// page is how much of a list is wanted.
type page struct {
	Before int64 `query:"before" least:"1" about:"the next of the page before; none: from the newest"`
	Limit  int   `query:"limit" least:"1" most:"500" about:"at most so many, 1 to 500; 50 if not given"`
}

const usualPage = 50

func (p page) size() int {
	if p.Limit == 0 {
		return usualPage
	}
	return p.Limit
}

// cut takes off the one that was asked for beyond the page, if it came, and
// returns what the next page begins before: the last one's number.
func cut[T any](list []T, size int, number func(T) int64) ([]T, int64) {
	if len(list) <= size {
		return append([]T{}, list...), 0
	}
	list = list[:size:size]
	return list, number(list[size-1])
}

// filled makes a list that is never null in JSON.
func filled[T any](list []T) []T { return append([]T{}, list...) }
