package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"drench/results/store"
)

// Most jobs in the queue, and most runs in a night: more than a bench gets
// done in months.
const (
	mostQueued = 1000
	mostTags   = 32
)

// specOf is a request as the ledger keeps it.
func specOf(r Request) (json.RawMessage, error) {
	b, err := json.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("describe a job: %w", err)
	}
	return b, nil
}

// jobOf reads a job from the ledger.
func jobOf(s store.Job) (Job, error) {
	j := Job{ID: s.ID, State: State(s.State), Place: s.Place, By: s.By, Night: s.Night, Added: s.Added, Started: s.Started,
		Ended: s.Ended, Run: s.Run, Verdict: s.Verdict, Reason: s.Reason}
	if err := json.Unmarshal(s.Spec, &j.Request); err != nil {
		return j, fmt.Errorf("read what job %d is to run: %w", s.ID, err)
	}
	return j, nil
}

func jobsOf(list []store.Job) ([]Job, error) {
	jobs := make([]Job, 0, len(list))
	for _, s := range list {
		j, err := jobOf(s)
		if err != nil {
			return nil, err
		}
		jobs = append(jobs, j)
	}
	return jobs, nil
}

// check returns what is wrong with a request, beginning with what needs no
// look into its files.
func (d *Daemon) check(ctx context.Context, r Request) []string {
	var problems []string
	if strings.TrimSpace(r.Scenario) == "" {
		problems = append(problems, "no scenario is named; expected a stock scenario, or a script kept here")
	}
	if r.Trials < 0 {
		problems = append(problems, fmt.Sprintf("trials is %d; expected a whole number from 1, or 0 for as many as the script says", r.Trials))
	}
	problems = append(problems, checkTags(r.Tags)...)
	if len(problems) > 0 {
		return problems
	}
	return d.Workshop.Check(ctx, r)
}

func checkTags(tags []string) (problems []string) {
	if len(tags) > mostTags {
		problems = append(problems, fmt.Sprintf("%d tags; expected at most %d", len(tags), mostTags))
	}
	for _, tag := range tags {
		if strings.TrimSpace(tag) == "" || strings.ContainsAny(tag, "\r\n") || len(tag) > 200 {
			problems = append(problems, fmt.Sprintf("tag %q; expected some text on one line, such as firmware=1.4", tag))
		}
	}
	return problems
}

// Enqueue puts requests at the end of the queue, all or none. Each is checked
// first; *BadRequest says what is wrong.
func (d *Daemon) Enqueue(ctx context.Context, by string, requests ...Request) ([]Job, error) {
	if len(requests) == 0 {
		return nil, bad("nothing is asked for; expected one run or more")
	}
	jobs, err := d.prepare(ctx, by, requests)
	if err != nil {
		return nil, err
	}
	if err := d.room(ctx, len(jobs)); err != nil {
		return nil, err
	}
	added, err := d.Ledger.AddJobs(ctx, d.Bench, jobs...)
	if err != nil {
		return nil, err
	}
	for _, j := range added {
		d.Log.Info("job queued", "job", j.ID, "by", by, "spec", string(j.Spec))
	}
	d.rouse()
	return jobsOf(added)
}

// prepare checks requests and makes jobs of them.
func (d *Daemon) prepare(ctx context.Context, by string, requests []Request) ([]store.Job, error) {
	var jobs []store.Job
	var problems []string
	for _, r := range requests {
		for _, p := range d.check(ctx, r) {
			if !slices.Contains(problems, p) { // what several runs share is said once
				problems = append(problems, p)
			}
		}
		spec, err := specOf(r)
		if err != nil {
			return nil, err
		}
		jobs = append(jobs, store.Job{Spec: spec, By: by, Added: d.Now()})
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(problems) > 0 {
		return nil, &BadRequest{problems}
	}
	return jobs, nil
}

// room tells whether the queue takes more jobs.
func (d *Daemon) room(ctx context.Context, more int) error {
	queued, err := d.Ledger.Jobs(ctx, store.JobFilter{Bench: d.Bench, States: []store.JobState{store.JobQueued}})
	if err == nil && len(queued)+more > mostQueued {
		err = busy("%d jobs are queued, and %d more would make it more than %d; cancel some, or wait", len(queued), more, mostQueued)
	}
	return err
}

// Jobs lists jobs: the queue in its order, then the one that runs, then what
// is over, the newest first.
func (d *Daemon) Jobs(ctx context.Context, f JobFilter) ([]Job, error) {
	filter := store.JobFilter{Bench: d.Bench, Night: f.Night, Before: f.Before, Limit: f.Limit}
	for _, s := range f.States {
		filter.States = append(filter.States, store.JobState(s))
	}
	list, err := d.Ledger.Jobs(ctx, filter)
	if err != nil {
		return nil, err
	}
	return jobsOf(list)
}

// Job returns one job of this bench.
func (d *Daemon) Job(ctx context.Context, id int64) (Job, error) {
	s, err := d.Ledger.Job(ctx, id)
	switch {
	case err != nil:
		return Job{}, kept(err)
	case s.Bench != d.Bench:
		return Job{}, notFound("job %d is of bench %s", id, s.Bench)
	}
	return jobOf(s)
}

// Cancel takes a job out of the queue.
func (d *Daemon) Cancel(ctx context.Context, by string, id int64) error {
	if _, err := d.Job(ctx, id); err != nil {
		return err
	}
	if err := kept(d.Ledger.CancelJob(ctx, id, d.Now(), "cancelled by "+by)); err != nil {
		return err
	}
	d.Log.Info("job cancelled", "job", id, "by", by)
	d.changed()
	d.tell(ctx, id)
	return nil
}

// Move gives a queued job another place; one beyond the end is the end.
func (d *Daemon) Move(ctx context.Context, by string, id int64, place int) error {
	if place < 1 {
		return bad("place is %d; expected 1, which is next, or more", place)
	}
	if _, err := d.Job(ctx, id); err != nil {
		return err
	}
	if err := kept(d.Ledger.MoveJob(ctx, id, place)); err != nil {
		return err
	}
	d.Log.Info("job moved", "job", id, "place", place, "by", by)
	d.changed()
	return nil
}

// changed tells followers that there is something new to ask for.
func (d *Daemon) changed() { d.hub.change(func(*Live) {}) }

// stopped is why a run ends that somebody stopped.
type stopped struct{ by string }

func (s stopped) Error() string { return "stopped by " + s.by }

// Stop stops the run, if there is one: its outputs go safe, and it ends as
// error. It does not wait for that.
func (d *Daemon) Stop(_ context.Context, by string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stop != nil {
		d.Log.Warn("run stopped", "by", by)
		d.stop(stopped{by})
	}
	return nil
}

// Pause lets the run end and starts no other.
func (d *Daemon) Pause(ctx context.Context, by string) error { return d.setPaused(ctx, by, true) }

// Resume lets the queue go on.
func (d *Daemon) Resume(ctx context.Context, by string) error { return d.setPaused(ctx, by, false) }

func (d *Daemon) setPaused(ctx context.Context, by string, paused bool) error {
	if err := d.Ledger.SetPaused(ctx, d.Bench, paused); err != nil {
		return err
	}
	d.Log.Info("queue", "paused", paused, "by", by)
	d.hub.change(func(l *Live) { l.Paused = paused })
	d.rouse()
	return nil
}

// Trips lists the bench's trips, the newest first.
func (d *Daemon) Trips(ctx context.Context, openOnly bool) ([]store.Trip, error) {
	return d.Ledger.Trips(ctx, d.Bench, openOnly)
}

// ClearTrip notes that a person has looked at the bench. With the last open
// trip cleared the queue goes on.
func (d *Daemon) ClearTrip(ctx context.Context, id int64, by, note string) error {
	if strings.TrimSpace(by) == "" {
		return bad("nobody is named; expected who looked at the bench")
	}
	trips, err := d.Trips(ctx, false)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(trips, func(t store.Trip) bool { return t.ID == id }) {
		return notFound("no trip %d of bench %s", id, d.Bench)
	}
	if err := kept(d.Ledger.ClearTrip(ctx, id, by, note)); err != nil {
		return err
	}
	d.Log.Warn("trip cleared", "trip", id, "by", by, "note", note)
	if err := d.look(ctx); err != nil {
		return err
	}
	d.rouse()
	return nil
}

// Tag gives a run these tags besides those it has.
func (d *Daemon) Tag(ctx context.Context, by string, run int64, tags ...string) error {
	if problems := checkTags(tags); len(problems) > 0 {
		return &BadRequest{problems}
	}
	if err := kept(d.Ledger.Tag(ctx, run, tags...)); err != nil {
		return err
	}
	d.Log.Info("run tagged", "run", run, "tags", tags, "by", by)
	return nil
}

// Rejudge judges a stored run by limits that the daemon has. The judgement is
// added; the run's own verdict stays.
func (d *Daemon) Rejudge(ctx context.Context, by string, run int64, limits string) (store.Judgement, error) {
	id, err := d.Workshop.Rejudge(ctx, run, limits)
	if err != nil {
		return store.Judgement{}, kept(err)
	}
	list, err := d.Ledger.Judgements(ctx, run)
	if err != nil {
		return store.Judgement{}, err
	}
	i := slices.IndexFunc(list, func(j store.Judgement) bool { return j.ID == id })
	if i < 0 {
		return store.Judgement{}, notFound("judgement %d of run %d", id, run)
	}
	d.Log.Info("run judged again", "run", run, "limits", limits, "verdict", list[i].Verdict.String(), "by", by)
	return list[i], nil
}
