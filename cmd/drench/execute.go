package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"drench/results/limits"
	"drench/results/report"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/daemon"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/timeline"
	"drench/scenarios"
)

// job is one scenario with all that it needs, read and checked.
type job struct {
	bench      *bench
	script     *scenarios.Script
	limits     *limits.File
	limitsText []byte
	counts     map[rig.TrialKind]int
	dut        string
	seed       uint64
	tags       []string
	claim      *claim              // on the bench, while it runs
	observer   daemon.Observer     // sees what happens; nil: nobody does
	began      func(run int64)     // is told the run's number before the bench moves; may be nil
	closed     func()              // is called when the bench is closed again, before judging; may be nil
	openings   []interlock.Opening // of interlock inputs, seen in the run
}

// header opens the job's timeline.
func (j *job) header(table []rig.Channel) (timeline.Header, error) {
	cal, err := j.bench.calibration()
	if err != nil {
		return timeline.Header{}, fmt.Errorf("describe the calibration: %w", err)
	}
	world, err := json.Marshal(j.bench.setup())
	if err != nil {
		return timeline.Header{}, fmt.Errorf("describe the bench: %w", err)
	}
	hashes := map[string]string{
		"script": j.script.Hash(), "rig": j.bench.rig.Source.SHA256, "profile": j.bench.profile.SHA256,
		"calibration": hash(cal), "world": hash(string(world)),
	}
	for i, r := range j.bench.records {
		hashes[recordRole(i)] = r.Source.SHA256
	}
	return timeline.Header{
		Tool: version, Scenario: j.script.Name, Seed: j.seed, DUT: j.dut, Bench: j.bench.rig.Name, Hashes: hashes,
		Channels: table, Device: j.bench.device, Calibration: j.bench.rig.Calibration,
		Records:   calibration.Standings(time.Now(), j.bench.records...),
		Interlock: j.bench.rig.Interlock, Planned: j.counts,
	}, nil
}

// recordRole names the i-th calibration record among a run's sources.
func recordRole(i int) string { return fmt.Sprintf("calibration record %d", i+1) }

func hash(s string) string {
	h := sha256.Sum256([]byte(s))
	return hex.EncodeToString(h[:])
}

// record describes the job to the store.
func (j *job) record(now time.Time) (store.Run, error) {
	cal, err := j.bench.calibration()
	sources := map[string]store.Source{
		"script":      {Name: j.script.File, Text: string(j.script.Text)},
		"rig":         {Name: j.bench.rig.Source.Name, Text: string(j.bench.rig.Source.Text)},
		"profile":     {Name: j.bench.profile.Name, Text: string(j.bench.profile.Text)},
		"calibration": {Name: "calibration", Text: cal},
	}
	for i, r := range j.bench.records {
		sources[recordRole(i)] = store.Source{Name: r.Source.Name, Text: string(r.Source.Text)}
	}
	return store.Run{
		Started: now, Scenario: j.script.Name, DUT: j.dut, Bench: j.bench.rig.Name, Tool: version, Seed: j.seed,
		LimitsName: j.limits.Name, LimitsText: string(j.limitsText), Tags: j.tags,
		Sources: sources,
	}, err
}

// run executes the job into a sink and returns the timeline's sum. cut is what
// cut the script short, which the timeline says too; err is that there is no
// whole timeline.
func (j *job) run(ctx context.Context, sink timeline.Sink, onTrial func(int, rig.Trial)) (sum string, cut, err error) {
	world, err := j.bench.connect(ctx, j.seed)
	if err != nil {
		return "", nil, err
	}
	sum, cut, err = j.runOn(ctx, world, sink, onTrial)
	return sum, errors.Join(cut, world.Close()), err
}

// rehearse is run on the virtual bench, whatever the bench.
func (j *job) rehearse(ctx context.Context, sink timeline.Sink, onTrial func(int, rig.Trial)) (sum string, cut, err error) {
	world, err := j.bench.open(j.seed)
	if err != nil {
		return "", nil, err
	}
	defer world.Close()
	return j.runOn(ctx, world, sink, onTrial)
}

// runOn is run on an open bench.
func (j *job) runOn(ctx context.Context, world rig.Bench, sink timeline.Sink, onTrial func(int, rig.Trial)) (sum string, cut, err error) {
	h, err := j.header(world.Channels())
	if err != nil {
		return "", nil, err
	}
	w, err := timeline.NewWriter(sink, h, j.bench.pace())
	if err != nil {
		return "", nil, err
	}
	guard, err := interlock.New(ctx, world, j.bench.rig.Interlock)
	if err != nil {
		return "", nil, err
	}
	if guard.LastOpened, err = j.claim.lastOpened(ctx); err != nil {
		return "", nil, err
	}
	run, err := engine.New(ctx, guard, w)
	if err != nil {
		return "", nil, err
	}
	run.OnTrial = onTrial
	if j.observer != nil {
		run.OnEvent, guard.OnPass = j.observer.Saw, j.observer.Passed
	}
	cut = run.Do(ctx, func(ctx context.Context) error {
		return j.script.Run(ctx, run, scenarios.Setup{Device: j.bench.device, Calibration: j.bench.rig.Calibration, Seed: j.seed, Counts: j.counts})
	})
	j.openings = guard.Openings()
	if trip := guard.Tripped(); trip != nil && !errors.As(cut, new(*interlock.TripError)) {
		cut = errors.Join(cut, trip) // whatever the script made of it
	}
	return w.Sum(), cut, w.Err()
}

// waiting is how many chunks of a real bench may wait for the disk before the
// run is ended: a minute of events, or six seconds of 10 000 a second.
const waiting = 60

// runInto is run into the store. A real bench does not wait for the disk: its
// supervisor would miss its turns. A virtual one does: it would outrun the disk.
func (j *job) runInto(ctx context.Context, rec *store.Recorder, onTrial func(int, rig.Trial)) (sum string, cut, err error) {
	if !j.bench.isReal() {
		return j.run(ctx, rec, onTrial)
	}
	q := timeline.Behind(rec, waiting)
	sum, cut, err = j.run(ctx, q, onTrial)
	if late := q.Close(); err == nil {
		err = late // else it is what ended the run, or came of that
	}
	return sum, cut, err
}

// execute begins a run, and keeps and judges what comes of the job. A run that
// could not be kept or judged is closed as an error.
func (j *job) execute(ctx context.Context, st *store.Store, onTrial func(int, rig.Trial)) (report.Input, error) {
	r, err := j.record(time.Now().UTC())
	if err != nil {
		return report.Input{}, err
	}
	rec, err := st.Begin(ctx, r)
	if err != nil {
		return report.Input{}, err
	}
	if j.began != nil {
		j.began(rec.ID())
	}
	return j.keep(ctx, st, rec, onTrial)
}

// keep runs the job into the store and judges it.
func (j *job) keep(ctx context.Context, st *store.Store, rec *store.Recorder, onTrial func(int, rig.Trial)) (report.Input, error) {
	sum, cut, err := j.runInto(ctx, rec, onTrial)
	if j.closed != nil {
		j.closed()
	}
	err = errors.Join(err, j.claim.keepTrip(ctx, rec.ID(), errors.Join(cut, err)), j.claim.keepOpenings(ctx, rec.ID(), j.openings))
	interrupted := ctx.Err() != nil && errors.Is(err, context.Canceled)
	if cause := context.Cause(ctx); errors.Is(cause, errEnding) && cut != nil && err == nil {
		// A long timeline takes long to judge; whoever wants that does it later.
		return report.Input{}, errors.Join(cause, rec.Finish(context.WithoutCancel(ctx), verdict.Error, "The run was cut short: "+cause.Error()+".", sum, nil))
	}
	ctx = context.WithoutCancel(ctx) // a run that was stopped still has its end to keep
	var in report.Input
	var body []byte
	if err == nil {
		in, err = judge(ctx, st, rec.ID(), j.limits)
	}
	if err == nil {
		body, err = json.Marshal(in.Judgement)
	}
	if err != nil {
		reason := "the run could not be kept or judged: " + err.Error()
		if interrupted {
			reason = "interrupted: stopped while the bench was being opened"
		}
		return in, errors.Join(fmt.Errorf("run %d: %w", rec.ID(), err), rec.Finish(ctx, verdict.Error, reason, "", nil))
	}
	if err := rec.Finish(ctx, in.Judgement.Verdict, in.Judgement.Reason, sum, body); err != nil {
		return in, err
	}
	return stored(ctx, st, rec.ID(), in)
}

// judge reads a run's timeline, measures it and judges it by limits.
func judge(ctx context.Context, st *store.Store, id int64, f *limits.File) (report.Input, error) {
	return report.Judge(report.Run{ID: id}, f, func() (*timeline.Reader, error) { return timeline.NewReader(st.Timeline(ctx, id)) })
}

// stored fills in what the store knows of a run.
func stored(ctx context.Context, st *store.Store, id int64, in report.Input) (report.Input, error) {
	r, err := st.Get(ctx, id)
	if err != nil {
		return in, err
	}
	in.Run = report.Run{ID: r.ID, Started: r.Started, Ended: r.Ended, DUT: r.DUT, LimitsName: r.LimitsName, LimitsText: r.LimitsText, Sum: r.Sum}
	return in, nil
}
