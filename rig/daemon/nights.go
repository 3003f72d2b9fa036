package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"drench/results/store"
	"drench/results/verdict"
)

// Tags that a night gives its runs: which night, and which settings.
const (
	nightTag   = "night="
	settingTag = "setting="
)

// nameOfNight is what a night may be called: it is part of addresses and tags.
var nameOfNight = regexp.MustCompile(`^[a-z0-9][a-z0-9_.-]{0,62}$`)

// requests are the runs of a night: scenarios × profiles × settings, in that
// order of nesting.
func (n Night) requests() []Request {
	profiles, settings := n.Profiles, n.Settings
	if len(profiles) == 0 {
		profiles = []string{""}
	}
	if len(settings) == 0 {
		settings = []map[string]string{nil}
	}
	var list []Request
	for _, scenario := range n.Scenarios {
		for _, profile := range profiles {
			for _, set := range settings {
				tags := append(slices.Clone(n.Tags), nightTag+n.Name)
				for _, key := range slices.Sorted(maps.Keys(set)) {
					tags = append(tags, settingTag+key+"="+set[key])
				}
				list = append(list, Request{Scenario: scenario, DUT: n.DUT, Profile: profile, Settings: set,
					Trials: n.Trials, Limits: n.Limits[scenario], Tags: tags})
			}
		}
	}
	return list
}

// checkNight returns what is wrong with a night before its runs are looked at.
func (d *Daemon) checkNight(n Night) []string {
	var problems []string
	add := func(wrong bool, format string, args ...any) {
		if wrong {
			problems = append(problems, fmt.Sprintf(format, args...))
		}
	}
	add(!nameOfNight.MatchString(n.Name), "name %q; expected small letters, digits, _, . and -, beginning with a letter or digit, at most 63", n.Name)
	_, err := n.schedule()
	add(err != nil, "%v", err)
	add(len(n.Scenarios) == 0, "no scenarios; expected one or more")
	runs := len(n.Scenarios) * max(len(n.Profiles), 1) * max(len(n.Settings), 1)
	add(runs > mostQueued, "%d runs; expected at most %d", runs, mostQueued)
	for scenario := range n.Limits {
		add(!slices.Contains(n.Scenarios, scenario), "limits for %q, which is not among the scenarios; expected one of %s", scenario, strings.Join(n.Scenarios, ", "))
	}
	for _, h := range n.Hooks {
		if err := d.hooks.check(h); err != nil {
			problems = append(problems, err.Error())
		}
	}
	return problems
}

// PutNight keeps a night, in place of the one that has its name. Its runs are
// checked first; *BadRequest says what is wrong.
func (d *Daemon) PutNight(ctx context.Context, by string, n Night) error {
	if problems := d.checkNight(n); len(problems) > 0 {
		return &BadRequest{problems}
	}
	if _, err := d.prepare(ctx, by, n.requests()); err != nil {
		return err
	}
	spec, err := json.Marshal(n)
	if err != nil {
		return fmt.Errorf("describe night %s: %w", n.Name, err)
	}
	err = d.Ledger.PutNight(ctx, store.Night{Bench: d.Bench, Name: n.Name, Spec: spec, By: by, Changed: d.Now()})
	if err != nil {
		return err
	}
	d.Log.Info("night kept", "night", n.Name, "by", by, "cron", n.Cron, "zone", n.Zone, "off", n.Off) // addresses of hooks may hold secrets
	d.changed()
	return nil
}

// DeleteNight forgets a night; its runs stay.
func (d *Daemon) DeleteNight(ctx context.Context, by, name string) error {
	if err := kept(d.Ledger.DeleteNight(ctx, d.Bench, name)); err != nil {
		return err
	}
	d.Log.Info("night deleted", "night", name, "by", by)
	d.changed()
	return nil
}

// dated is a night and when it was kept.
type dated struct {
	Night
	changed time.Time
}

func (d *Daemon) nights(ctx context.Context) ([]dated, error) {
	kept, err := d.Ledger.Nights(ctx, d.Bench)
	if err != nil {
		return nil, err
	}
	list := make([]dated, 0, len(kept))
	for _, s := range kept {
		n := dated{changed: s.Changed}
		if err := json.Unmarshal(s.Spec, &n.Night); err != nil {
			return nil, fmt.Errorf("read night %s: %w", s.Name, err)
		}
		list = append(list, n)
	}
	return list, nil
}

// Nights lists the nights by name.
func (d *Daemon) Nights(ctx context.Context) ([]Night, error) {
	all, err := d.nights(ctx)
	if err != nil {
		return nil, err
	}
	list := make([]Night, len(all))
	for i, n := range all {
		list[i] = n.Night
	}
	return list, nil
}

// Night returns one night.
func (d *Daemon) Night(ctx context.Context, name string) (Night, error) {
	list, err := d.Nights(ctx)
	if err != nil {
		return Night{}, err
	}
	for _, n := range list {
		if n.Name == name {
			return n, nil
		}
	}
	return Night{}, notFound("no night is called %q", name)
}

// StartNight starts a night now. While an earlier run of it has not ended that
// is refused: ErrBusy.
func (d *Daemon) StartNight(ctx context.Context, by, name string) (NightRun, error) {
	n, err := d.Night(ctx, name)
	if err != nil {
		return NightRun{}, err
	}
	return d.startNight(ctx, by, n, time.Time{})
}

// startNight queues a night's runs. due is the start that its schedule asked
// for, zero if a person did.
func (d *Daemon) startNight(ctx context.Context, by string, n Night, due time.Time) (NightRun, error) {
	jobs, err := d.prepare(ctx, by, n.requests())
	if err != nil {
		return NightRun{}, fmt.Errorf("start night %s: %w", n.Name, err)
	}
	if err := d.room(ctx, len(jobs)); err != nil {
		return NightRun{}, fmt.Errorf("start night %s: %w", n.Name, err)
	}
	spec, err := json.Marshal(n)
	if err != nil {
		return NightRun{}, fmt.Errorf("describe night %s: %w", n.Name, err)
	}
	s, _, err := d.Ledger.StartNight(ctx, store.NightRun{Bench: d.Bench, Night: n.Name, Spec: spec, By: by, Due: due, Started: d.Now()}, jobs...)
	if err != nil {
		return NightRun{}, kept(err)
	}
	d.Log.Info("night starts", "night", n.Name, "night_run", s.ID, "runs", len(jobs), "by", by)
	d.changed()
	d.rouse()
	return d.NightRun(ctx, s.ID)
}

// nightRun reads a run of a night with its jobs.
func (d *Daemon) nightRun(ctx context.Context, s store.NightRun) (NightRun, error) {
	n := NightRun{ID: s.ID, Night: s.Night, By: s.By, Started: s.Started, Ended: s.Ended, Verdict: s.Verdict}
	if err := json.Unmarshal(s.Spec, &n.Spec); err != nil {
		return n, fmt.Errorf("read night run %d: %w", s.ID, err)
	}
	var err error
	if n.Jobs, err = d.Jobs(ctx, JobFilter{Night: s.ID}); err != nil {
		return n, err
	}
	slices.SortFunc(n.Jobs, func(a, b Job) int { return int(a.ID - b.ID) })
	if n.Ended.IsZero() {
		n.Verdict = worstSoFar(n.Jobs)
	}
	return n, nil
}

// worstSoFar is the verdict of the jobs that are over, by the overwriting rule
// (ETSI ES 201 873-1 clause 24); with jobs left it is never pass.
func worstSoFar(jobs []Job) verdict.Verdict {
	v := verdict.None
	for _, j := range jobs {
		if j.State == Cancelled {
			v = v.Overwrite(verdict.Inconc)
		}
		v = v.Overwrite(j.Verdict)
	}
	if v == verdict.Pass {
		return verdict.None
	}
	return v
}

// NightRuns lists the runs of a night, of all nights if name is "", the newest
// first; at most limit of them unless that is 0.
func (d *Daemon) NightRuns(ctx context.Context, name string, limit int) ([]NightRun, error) {
	kept, err := d.Ledger.NightRuns(ctx, d.Bench, name, limit)
	if err != nil {
		return nil, err
	}
	list := make([]NightRun, 0, len(kept))
	for _, s := range kept {
		n, err := d.nightRun(ctx, s)
		if err != nil {
			return nil, err
		}
		list = append(list, n)
	}
	return list, nil
}

// NightRun returns one run of a night of this bench.
func (d *Daemon) NightRun(ctx context.Context, id int64) (NightRun, error) {
	s, err := d.Ledger.NightRun(ctx, id)
	switch {
	case err != nil:
		return NightRun{}, kept(err)
	case s.Bench != d.Bench:
		return NightRun{}, notFound("night run %d is of bench %s", id, s.Bench)
	}
	return d.nightRun(ctx, s)
}

// tell hands the end of a job, and of its night run if that was the last, to
// the night's hooks.
func (d *Daemon) tell(ctx context.Context, id int64) {
	j, err := d.Job(ctx, id)
	if err != nil || j.Night == 0 {
		return
	}
	n, err := d.NightRun(ctx, j.Night)
	if err != nil {
		d.Log.Error("hooks are not told of a job", "job", id, "err", err)
		return
	}
	for _, h := range n.Spec.Hooks {
		if j.State != Cancelled {
			d.hooks.put(h, notice{Event: "run", Bench: d.Bench, Night: n.Night, Verdict: j.Verdict, Job: &j})
		}
		if !n.Ended.IsZero() {
			d.hooks.put(h, notice{Event: "night", Bench: d.Bench, Night: n.Night, Verdict: n.Verdict, Run: &n})
		}
	}
}
