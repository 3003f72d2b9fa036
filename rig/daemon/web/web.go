// Package web serves the pages of a daemon: what the bench does now, the runs
// that are stored, nights, scripts, calibrations and comparisons. Pages are
// written whole on the server and work without scripts; scripts only keep
// them up to date. Nothing is loaded from anywhere else.
package web

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"time"

	"drench/results/inspection"
	"drench/results/store"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// Bench is what the pages need of the daemon.
type Bench interface {
	watched
	queued
	nightly
	shelved
	Calibrations(ctx context.Context) ([]daemon.Calibration, error)
	Tag(ctx context.Context, by string, run int64, tags ...string) error
	Rejudge(ctx context.Context, by string, run int64, limits string) (store.Judgement, error)
}

// watched is a bench that is looked at and stopped.
type watched interface {
	Live() daemon.Live
	Follow(ctx context.Context) <-chan daemon.Update
	Stop(ctx context.Context, by string) error
	Pause(ctx context.Context, by string) error
	Resume(ctx context.Context, by string) error
	Trips(ctx context.Context, openOnly bool) ([]store.Trip, error)
	ClearTrip(ctx context.Context, id int64, by, note string) error
}

// queued is a bench's queue.
type queued interface {
	Enqueue(ctx context.Context, by string, requests ...daemon.Request) ([]daemon.Job, error)
	Jobs(ctx context.Context, f daemon.JobFilter) ([]daemon.Job, error)
	Cancel(ctx context.Context, by string, id int64) error
	Move(ctx context.Context, by string, id int64, place int) error
}

// nightly are a bench's nights.
type nightly interface {
	Nights(ctx context.Context) ([]daemon.Night, error)
	Night(ctx context.Context, name string) (daemon.Night, error)
	PutNight(ctx context.Context, by string, n daemon.Night) error
	DeleteNight(ctx context.Context, by, name string) error
	StartNight(ctx context.Context, by, name string) (daemon.NightRun, error)
	NightRuns(ctx context.Context, name string, limit int) ([]daemon.NightRun, error)
	NightRun(ctx context.Context, id int64) (daemon.NightRun, error)
}

// shelved are scripts, limits and profiles.
type shelved interface {
	Files(ctx context.Context) ([]daemon.File, error)
	File(ctx context.Context, name string) (daemon.File, error)
	PutFile(ctx context.Context, by, name, text string) (daemon.File, error)
	DeleteFile(ctx context.Context, by, name string) error
	CheckFile(ctx context.Context, name, text string) (daemon.File, error)
	Preview(ctx context.Context, name string) (daemon.Preview, error)
}

// Runs are the runs that are stored.
type Runs interface {
	Runs(ctx context.Context, f store.Filter) ([]store.Run, error)
	Get(ctx context.Context, id int64) (store.Run, error)
	Judgements(ctx context.Context, run int64) ([]store.Judgement, error)
	Timeline(ctx context.Context, id int64) io.ReadCloser
	Proofs(ctx context.Context, bench string) ([]store.Proof, error)
}

// Door lets people in by their token; *access.Gate is one.
type Door interface {
	Enter(w http.ResponseWriter, r *http.Request, token string) error
	Leave(w http.ResponseWriter, r *http.Request)
}

// Options are what pages are made of.
type Options struct {
	Bench Bench
	Runs  Runs
	Door  Door             // nil: nobody logs in
	Lots  inspection.Store // ledgers of lots; nil: there are none
	Now   func() time.Time // nil: time.Now
	Log   *slog.Logger     // nil: slog.Default
}

// LoginPath is where a token is asked for.
const LoginPath = "/login"

// Open are the paths that need no token, for access.Options.
func Open() []string { return []string{LoginPath, "/static/"} }

// site is the pages of one daemon.
type site struct {
	Options
	pages    map[string]page
	kept     *judged
	verified inspection.Cache
	scanning sync.Mutex // one device of a lot is taken in at a time
	began    string     // when the program started: another may write reports otherwise
}

// New returns the pages. They stand behind an access.Gate's middleware, which
// says who asks.
func New(o Options) (http.Handler, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	pages, err := readPages()
	if err != nil {
		return nil, err
	}
	s := &site{Options: o, pages: pages, kept: newJudged(o.Runs), began: o.Now().String()}
	mux := http.NewServeMux()
	for _, r := range s.routes() {
		mux.Handle(r.pattern, access.Require(access.ToLook, s.handle(r.byRole)))
	}
	mux.Handle("GET /static/", static())
	mux.HandleFunc("GET "+LoginPath, s.loginPage)
	mux.HandleFunc("POST "+LoginPath, s.login)
	mux.HandleFunc("POST /logout", s.logout)
	mux.Handle("/", access.Require(access.ToLook, s.handle(func(http.ResponseWriter, *http.Request) error { return errNoPage })))
	return mux, nil
}

// route is a page or an action, and the role that it needs.
type route struct {
	pattern string
	needs   access.Role
	do      func(http.ResponseWriter, *http.Request) error
}

// byRole does it for whoever has the role.
func (rt route) byRole(w http.ResponseWriter, r *http.Request) error {
	if p := access.Who(r.Context()); !p.May(rt.needs) {
		return &roleError{p, rt.needs}
	}
	return rt.do(w, r)
}

func (s *site) routes() []route {
	return slices.Concat(s.lotRoutes(), []route{
		{"GET /{$}", access.ToLook, s.now},
		{"GET /live.json", access.ToLook, s.live},
		{"GET /follow", access.ToLook, s.follow},
		{"POST /stop", access.ToStop, s.stop},
		{"POST /pause", access.ToRun, s.pause},
		{"POST /resume", access.ToRun, s.resume},
		{"POST /trips/{id}/clear", access.ToClear, s.clearTrip},
		{"POST /queue", access.ToRun, s.enqueue},
		{"POST /queue/{id}/cancel", access.ToRun, s.cancel},
		{"POST /queue/{id}/move", access.ToRun, s.move},

		{"GET /runs", access.ToLook, s.runs},
		{"GET /runs/{id}", access.ToLook, s.run},
		{"GET /runs/{id}/report", access.ToLook, s.report},
		{"GET /runs/{id}/{file}", access.ToLook, s.download},
		{"POST /runs/{id}/tags", access.ToRun, s.tag},
		{"POST /runs/{id}/rejudge", access.ToRun, s.rejudge},

		{"GET /nights", access.ToLook, s.nights},
		{"GET /nights/new", access.ToArrange, s.newNight},
		{"GET /nights/starts", access.ToLook, s.starts},
		{"POST /nights", access.ToArrange, s.putNight},
		{"GET /nights/of/{name}", access.ToLook, s.night},
		{"GET /nights/of/{name}/edit", access.ToArrange, s.editNight},
		{"GET /nights/of/{name}/trends", access.ToLook, s.trends},
		{"POST /nights/of/{name}/start", access.ToRun, s.startNight},
		{"POST /nights/of/{name}/delete", access.ToArrange, s.deleteNight},
		{"GET /nights/run/{id}", access.ToLook, s.nightRun},

		{"GET /files", access.ToLook, s.files},
		{"GET /files/new", access.ToEdit, s.newFile},
		{"POST /files", access.ToEdit, s.putFile},
		{"POST /files/check", access.ToLook, s.checkFile},
		{"GET /files/of/{name}", access.ToLook, s.file},
		{"GET /files/of/{name}/preview", access.ToLook, s.preview},
		{"POST /files/of/{name}/delete", access.ToEdit, s.deleteFile},

		{"GET /calibrations", access.ToLook, s.calibrations},
		{"GET /compare", access.ToLook, s.compare},
	})
}
