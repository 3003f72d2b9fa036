package daemon

import (
	"context"
	"errors"
	"time"

	"drench/results/store"
)

// Daemon keeps one bench. Its methods may be called from several goroutines.
type Daemon struct{}

var errSoon = errors.New("not yet")

func (d *Daemon) Live() Live                                                     { return Live{} }
func (d *Daemon) Follow(ctx context.Context) <-chan Update                       { return nil }
func (d *Daemon) Stop(ctx context.Context, by string) error                      { return errSoon }
func (d *Daemon) Pause(ctx context.Context, by string) error                     { return errSoon }
func (d *Daemon) Resume(ctx context.Context, by string) error                    { return errSoon }
func (d *Daemon) Trips(ctx context.Context, openOnly bool) ([]store.Trip, error) { return nil, errSoon }
func (d *Daemon) ClearTrip(ctx context.Context, id int64, by, note string) error { return errSoon }
func (d *Daemon) Enqueue(ctx context.Context, by string, requests ...Request) ([]Job, error) {
	return nil, errSoon
}
func (d *Daemon) Jobs(ctx context.Context, f JobFilter) ([]Job, error)           { return nil, errSoon }
func (d *Daemon) Job(ctx context.Context, id int64) (Job, error)                 { return Job{}, errSoon }
func (d *Daemon) Cancel(ctx context.Context, by string, id int64) error          { return errSoon }
func (d *Daemon) Move(ctx context.Context, by string, id int64, place int) error { return errSoon }
func (d *Daemon) Nights(ctx context.Context) ([]Night, error)                    { return nil, errSoon }
func (d *Daemon) Night(ctx context.Context, name string) (Night, error)          { return Night{}, errSoon }
func (d *Daemon) PutNight(ctx context.Context, by string, n Night) error         { return errSoon }
func (d *Daemon) DeleteNight(ctx context.Context, by, name string) error         { return errSoon }
func (d *Daemon) NextStart(n Night) (time.Time, bool)                            { return time.Time{}, false }
func (d *Daemon) StartNight(ctx context.Context, by, name string) (NightRun, error) {
	return NightRun{}, errSoon
}
func (d *Daemon) NightRuns(ctx context.Context, name string, limit int) ([]NightRun, error) {
	return nil, errSoon
}
func (d *Daemon) NightRun(ctx context.Context, id int64) (NightRun, error) {
	return NightRun{}, errSoon
}
func (d *Daemon) Files(ctx context.Context) ([]File, error)           { return nil, errSoon }
func (d *Daemon) File(ctx context.Context, name string) (File, error) { return File{}, errSoon }
func (d *Daemon) PutFile(ctx context.Context, by, name, text string) (File, error) {
	return File{}, errSoon
}
func (d *Daemon) DeleteFile(ctx context.Context, by, name string) error { return errSoon }
func (d *Daemon) CheckFile(ctx context.Context, name, text string) (File, error) {
	return File{}, errSoon
}
func (d *Daemon) Preview(ctx context.Context, name string) (Preview, error) {
	return Preview{}, errSoon
}
func (d *Daemon) Calibrations(ctx context.Context) ([]Calibration, error)             { return nil, errSoon }
func (d *Daemon) Tag(ctx context.Context, by string, run int64, tags ...string) error { return errSoon }
func (d *Daemon) Rejudge(ctx context.Context, by string, run int64, limits string) (store.Judgement, error) {
	return store.Judgement{}, errSoon
}
