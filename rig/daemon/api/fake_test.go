package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/daemon"
)

var evening = time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)

// fake is a daemon that keeps everything in memory and runs nothing.
type fake struct {
	store *store.Store
	mu    sync.Mutex
	jobs  []daemon.Job
	night map[string]daemon.Night
	ran   []daemon.NightRun
	files map[string]daemon.File
	did   []string // who did what
}

func newFake(s *store.Store) *fake {
	f := &fake{store: s, night: map[string]daemon.Night{}, files: map[string]daemon.File{}}
	f.files["drip.star"] = file1("drip.star", "about = \"\"\n", true)
	return f
}

func file1(name, text string, stock bool) daemon.File {
	sum := sha256.Sum256([]byte(text))
	return daemon.File{Name: name, Text: text, Stock: stock, Hash: hex.EncodeToString(sum[:])}
}

func (f *fake) note(by, format string, args ...any) {
	f.did = append(f.did, by+" "+fmt.Sprintf(format, args...))
}

func (f *fake) lock() func() { f.mu.Lock(); return f.mu.Unlock }

func (f *fake) Live() daemon.Live {
	return daemon.Live{Bench: "virtual", Virtual: true, Job: &daemon.Job{ID: 3, State: daemon.Running}, At: 5e9, Alive: evening, Trial: 2, Trials: 30, Kind: rig.Wet,
		Channels: []daemon.Reading{
			{Channel: rig.Channel{Name: rig.Detect}, Value: 1, Shown: "1", At: 4e9, Seen: true},
			{Channel: rig.Channel{Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt}, Value: 33e8, Shown: "3.3 V"},
			{Channel: rig.Channel{Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump}},
		}, Seq: 41}
}

func (f *fake) Follow(ctx context.Context) <-chan daemon.Update {
	updates := make(chan daemon.Update, 3)
	l := f.Live()
	updates <- daemon.Update{Seq: 41, Live: &l}
	updates <- daemon.Update{Seq: 42, Event: &rig.Event{At: 6e9, Kind: rig.Edge, Value: 1}, Shown: "detect rose"}
	updates <- daemon.Update{Seq: 43, Event: &rig.Event{At: 7e9, Kind: rig.TrialEnd, Value: 2}}
	close(updates)
	return updates
}

func (f *fake) Stop(_ context.Context, by string) error {
	defer f.lock()()
	f.note(by, "stop")
	return nil
}

func (f *fake) Pause(_ context.Context, by string) error {
	defer f.lock()()
	f.note(by, "pause")
	return nil
}

func (f *fake) Resume(_ context.Context, by string) error {
	defer f.lock()()
	f.note(by, "resume")
	return nil
}

func (f *fake) Enqueue(_ context.Context, by string, requests ...daemon.Request) ([]daemon.Job, error) {
	defer f.lock()()
	var added []daemon.Job
	for _, r := range requests {
		if _, ok := f.files[r.Scenario+".star"]; !ok {
			return nil, &daemon.BadRequest{Problems: []string{fmt.Sprintf("there is no scenario %q; expected drip", r.Scenario)}}
		}
		added = append(added, daemon.Job{ID: int64(len(f.jobs) + len(added) + 1), Request: r, State: daemon.Queued, Place: len(added) + 1, By: by, Added: evening})
	}
	f.jobs = append(f.jobs, added...)
	return added, nil
}

func (f *fake) Jobs(_ context.Context, q daemon.JobFilter) ([]daemon.Job, error) {
	defer f.lock()()
	var list []daemon.Job
	for _, j := range slices.Backward(f.jobs) {
		if (q.States == nil || slices.Contains(q.States, j.State)) && (q.Before == 0 || j.ID < q.Before) && (q.Limit == 0 || len(list) < q.Limit) {
			list = append(list, j)
		}
	}
	return list, nil
}

// job finds a job; the lock is held.
func (f *fake) job(id int64) (*daemon.Job, error) {
	if id > int64(len(f.jobs)) {
		return nil, fmt.Errorf("%w: there is no job %d", daemon.ErrNotFound, id)
	}
	return &f.jobs[id-1], nil
}

func (f *fake) Job(_ context.Context, id int64) (daemon.Job, error) {
	defer f.lock()()
	j, err := f.job(id)
	if err != nil {
		return daemon.Job{}, err
	}
	return *j, nil
}

func (f *fake) Cancel(_ context.Context, by string, id int64) error {
	defer f.lock()()
	j, err := f.job(id)
	switch {
	case err != nil:
		return err
	case j.State != daemon.Queued:
		return fmt.Errorf("%w: job %d is %s", daemon.ErrBusy, id, j.State)
	}
	j.State, j.Place = daemon.Cancelled, 0
	return nil
}

func (f *fake) Move(_ context.Context, by string, id int64, place int) error {
	defer f.lock()()
	j, err := f.job(id)
	if err == nil {
		j.Place = place
	}
	return err
}

func (f *fake) Nights(context.Context) ([]daemon.Night, error) {
	defer f.lock()()
	return slices.SortedFunc(maps.Values(f.night), func(a, b daemon.Night) int { return strings.Compare(a.Name, b.Name) }), nil
}

func (f *fake) Night(_ context.Context, name string) (daemon.Night, error) {
	defer f.lock()()
	n, ok := f.night[name]
	if !ok {
		return n, fmt.Errorf("%w: there is no night %q", daemon.ErrNotFound, name)
	}
	return n, nil
}

func (f *fake) PutNight(_ context.Context, by string, n daemon.Night) error {
	defer f.lock()()
	if len(n.Scenarios) == 0 {
		return &daemon.BadRequest{Problems: []string{"night " + n.Name + " has no scenario"}}
	}
	f.night[n.Name] = n
	return nil
}

func (f *fake) DeleteNight(_ context.Context, by, name string) error {
	defer f.lock()()
	delete(f.night, name)
	return nil
}

func (f *fake) NextStart(n daemon.Night) (time.Time, bool) { return evening, n.Cron != "" }

func (f *fake) StartNight(ctx context.Context, by, name string) (daemon.NightRun, error) {
	n, err := f.Night(ctx, name)
	if err != nil {
		return daemon.NightRun{}, err
	}
	defer f.lock()()
	r := daemon.NightRun{ID: int64(len(f.ran) + 1), Night: name, Spec: n, By: by, Started: evening, Jobs: []daemon.Job{
		{ID: 90, Request: daemon.Request{Scenario: "drip"}, State: daemon.Finished, Run: 1},
		{ID: 91, Request: daemon.Request{Scenario: "drip"}, State: daemon.Cancelled, Reason: "cancelled by ann"},
	}}
	f.ran = append(f.ran, r)
	return r, nil
}

func (f *fake) NightRuns(_ context.Context, name string, limit int) ([]daemon.NightRun, error) {
	defer f.lock()()
	return f.ran, nil
}

func (f *fake) NightRun(_ context.Context, id int64) (daemon.NightRun, error) {
	defer f.lock()()
	if id > int64(len(f.ran)) {
		return daemon.NightRun{}, daemon.ErrNotFound
	}
	return f.ran[id-1], nil
}

func (f *fake) Files(context.Context) ([]daemon.File, error) {
	defer f.lock()()
	return slices.SortedFunc(maps.Values(f.files), func(a, b daemon.File) int { return strings.Compare(a.Name, b.Name) }), nil
}

func (f *fake) File(_ context.Context, name string) (daemon.File, error) {
	defer f.lock()()
	got, ok := f.files[name]
	if !ok {
		return got, fmt.Errorf("%w: there is no file %q", daemon.ErrNotFound, name)
	}
	return got, nil
}

func (f *fake) PutFile(_ context.Context, by, name, text string) (daemon.File, error) {
	defer f.lock()()
	if f.files[name].Stock {
		return daemon.File{}, fmt.Errorf("%w: %s is a stock file", daemon.ErrBusy, name)
	}
	f.files[name] = file1(name, text, false)
	return f.files[name], nil
}

func (f *fake) DeleteFile(_ context.Context, by, name string) error {
	defer f.lock()()
	delete(f.files, name)
	return nil
}

func (f *fake) CheckFile(_ context.Context, name, text string) (daemon.File, error) {
	got := file1(name, text, false)
	got.Problems = []string{name + ":1:1: nothing; expected something"}
	return got, nil
}

func (f *fake) Preview(ctx context.Context, name string) (daemon.Preview, error) {
	_, err := f.File(ctx, name)
	return daemon.Preview{Name: name, Lines: []string{"detect __/‾"}}, err
}

func (f *fake) Trips(ctx context.Context, open bool) ([]store.Trip, error) {
	return f.store.Trips(ctx, "", open)
}

func (f *fake) ClearTrip(ctx context.Context, id int64, by, note string) error {
	return f.store.ClearTrip(ctx, id, by, note)
}

func (f *fake) Calibrations(context.Context) ([]daemon.Calibration, error) {
	return []daemon.Calibration{{What: rig.PumpDrip, File: "pump.yaml", By: "ann", At: evening, Expires: evening, State: rig.Expired}}, nil
}

func (f *fake) Tag(ctx context.Context, by string, run int64, tags ...string) error {
	return f.store.Tag(ctx, run, tags...)
}

func (f *fake) Rejudge(ctx context.Context, by string, run int64, limits string) (store.Judgement, error) {
	if limits != "drip.limits" {
		return store.Judgement{}, fmt.Errorf("%w: there are no limits %q", daemon.ErrNotFound, limits)
	}
	j := store.Judgement{Run: run, At: evening, LimitsName: limits, Verdict: verdict.Inconc, Reason: "too few trials"}
	id, err := f.store.AddJudgement(ctx, j)
	j.ID = id
	return j, err
}
