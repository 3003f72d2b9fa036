package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"drench/results/limits"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/daemon"
	"drench/rig/mistake"
	"drench/scenarios"
)

// memory is a daemon in memory: queue, nights and files are real, the bench is
// what a test makes of it.
type memory struct {
	st  *store.Store
	now func() time.Time

	mu       sync.Mutex
	live     daemon.Live
	queue    []daemon.Job
	over     []daemon.Job
	nights   []daemon.Night
	past     []daemon.NightRun
	shelf    map[string]daemon.File
	records  []daemon.Calibration
	watchers []chan daemon.Update
	log      []string // who did what
}

func newMemory(st *store.Store, now func() time.Time) *memory {
	m := &memory{st: st, now: now, shelf: map[string]daemon.File{}}
	for _, n := range scenarios.Stock() {
		s, err := scenarios.Load(n)
		if err != nil {
			panic(err) // they come with the program
		}
		m.shelf[n+".star"] = daemon.File{Name: n + ".star", Text: string(s.Text), Stock: true, Hash: sum(string(s.Text))}
	}
	m.shelf["loose.limits"] = daemon.File{Name: "loose.limits", Text: "missed <= 90 %\n", By: "ada", Hash: sum("missed <= 90 %\n")}
	m.live = daemon.Live{Bench: "virtual", Virtual: true, Alive: now(), Channels: []daemon.Reading{
		{Channel: rig.Channel{Name: rig.Detect}, Shown: "0", Seen: true},
		{Channel: rig.Channel{Name: rig.Heartbeat}, Value: 1, Shown: "1", Seen: true},
		{Channel: rig.Channel{Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate}, Shown: "0 ml/min", Seen: true},
		{Channel: rig.Channel{Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt}, Value: 33e8, Shown: "3.3 V", Seen: true},
		{Channel: rig.Channel{Name: rig.EStop}, Value: 1, Shown: "1", Seen: true, Interlock: true},
		{Channel: rig.Channel{Name: rig.Lid}, Interlock: true},
	}}
	return m
}

func sum(s string) string {
	h := sha256.Sum256([]byte(s))
	return hex.EncodeToString(h[:])
}

func bad(format string, args ...any) error {
	return &daemon.BadRequest{Problems: []string{fmt.Sprintf(format, args...)}}
}

func missing(what string) error { return fmt.Errorf("%w: %s", daemon.ErrNotFound, what) }

func (m *memory) note(by, what string) {
	m.log = append(m.log, by+": "+what)
	m.live.Seq++
	for _, w := range m.watchers {
		l := m.live
		select {
		case w <- daemon.Update{Seq: l.Seq, Live: &l}:
		default: // a slow follower loses it
		}
	}
}

// change lets a test change what the bench does.
func (m *memory) change(f func(*daemon.Live)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f(&m.live)
	m.note("bench", "changed")
}

func (m *memory) did() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.log)
}

func (m *memory) Live() daemon.Live {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.live
}

func (m *memory) Follow(ctx context.Context) <-chan daemon.Update {
	m.mu.Lock()
	defer m.mu.Unlock()
	c := make(chan daemon.Update, 8)
	l := m.live
	c <- daemon.Update{Seq: l.Seq, Live: &l}
	m.watchers = append(m.watchers, c)
	context.AfterFunc(ctx, func() {
		m.mu.Lock()
		defer m.mu.Unlock()
		if i := slices.Index(m.watchers, c); i >= 0 { // it was not cut off before
			m.watchers = slices.Delete(m.watchers, i, i+1)
			close(c)
		}
	})
	return c
}

// tell tells those who follow of an event.
func (m *memory) tell(e rig.Event, shown string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, w := range m.watchers {
		w <- daemon.Update{Event: &e, Shown: shown}
	}
}

// cutOff ends what follows the bench, as a restart would.
func (m *memory) cutOff() {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, w := range m.watchers {
		close(w)
	}
	m.watchers = nil
}

func (m *memory) Stop(_ context.Context, by string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.live.Job != nil {
		j := *m.live.Job
		j.State, j.Verdict, j.Reason, j.Ended = daemon.Finished, verdict.Error, "stopped by "+by, m.now()
		m.over = append([]daemon.Job{j}, m.over...)
		m.live.Job = nil
	}
	m.note(by, "stop")
	return nil
}

func (m *memory) pause(by string, to bool, what string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.live.Paused = to
	m.note(by, what)
	return nil
}

func (m *memory) Pause(_ context.Context, by string) error  { return m.pause(by, true, "pause") }
func (m *memory) Resume(_ context.Context, by string) error { return m.pause(by, false, "resume") }

func (m *memory) Trips(ctx context.Context, open bool) ([]store.Trip, error) {
	return m.st.Trips(ctx, "virtual", open)
}

func (m *memory) ClearTrip(ctx context.Context, id int64, by, note string) error {
	if err := m.st.ClearTrip(ctx, id, by, note); err != nil {
		return err
	}
	m.change(func(l *daemon.Live) { l.Trip = "" })
	return nil
}

func (m *memory) Enqueue(_ context.Context, by string, list ...daemon.Request) ([]daemon.Job, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var jobs []daemon.Job
	for _, q := range list {
		if _, ok := m.shelf[strings.TrimSuffix(q.Scenario, ".star")+".star"]; !ok {
			return nil, bad("scenario: %q; expected drip or another that is kept", q.Scenario)
		}
		jobs = append(jobs, daemon.Job{ID: int64(len(m.queue) + len(m.over) + len(jobs) + 1), Request: q, State: daemon.Queued, By: by, Added: m.now()})
	}
	m.queue = append(m.queue, jobs...)
	m.number()
	m.note(by, "enqueue")
	return jobs, nil
}

func (m *memory) number() {
	for i := range m.queue {
		m.queue[i].Place = i + 1
	}
}

func (m *memory) Jobs(_ context.Context, f daemon.JobFilter) ([]daemon.Job, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []daemon.Job
	for _, j := range slices.Concat(m.queue, m.over) {
		if slices.Contains(f.States, j.State) && (f.Limit == 0 || len(list) < f.Limit) {
			list = append(list, j)
		}
	}
	return list, nil
}

func (m *memory) take(id int64) (daemon.Job, error) {
	i := slices.IndexFunc(m.queue, func(j daemon.Job) bool { return j.ID == id })
	if i < 0 {
		return daemon.Job{}, missing(fmt.Sprintf("job %d does not wait", id))
	}
	j := m.queue[i]
	m.queue = slices.Delete(m.queue, i, i+1)
	return j, nil
}

func (m *memory) Cancel(_ context.Context, by string, id int64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	j, err := m.take(id)
	if err != nil {
		return err
	}
	j.State, j.Place, j.Reason = daemon.Cancelled, 0, "cancelled by "+by
	m.over = append([]daemon.Job{j}, m.over...)
	m.number()
	m.note(by, "cancel")
	return nil
}

func (m *memory) Move(_ context.Context, by string, id int64, place int) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	j, err := m.take(id)
	if err != nil {
		return err
	}
	m.queue = slices.Insert(m.queue, min(place-1, len(m.queue)), j)
	m.number()
	m.note(by, "move")
	return nil
}

func (m *memory) Nights(context.Context) ([]daemon.Night, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.nights), nil
}

func (m *memory) Night(_ context.Context, name string) (daemon.Night, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := slices.IndexFunc(m.nights, func(n daemon.Night) bool { return n.Name == name })
	if i < 0 {
		return daemon.Night{}, missing("no night " + name)
	}
	return m.nights[i], nil
}

func (m *memory) PutNight(_ context.Context, by string, n daemon.Night) error {
	if _, err := n.Starts(m.now(), 1); err != nil {
		return bad("%v", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.nights = append(slices.DeleteFunc(m.nights, func(o daemon.Night) bool { return o.Name == n.Name }), n)
	m.note(by, "put night "+n.Name)
	return nil
}

func (m *memory) DeleteNight(_ context.Context, by, name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.nights = slices.DeleteFunc(m.nights, func(o daemon.Night) bool { return o.Name == name })
	m.note(by, "delete night "+name)
	return nil
}

func (m *memory) StartNight(ctx context.Context, by, name string) (daemon.NightRun, error) {
	n, err := m.Night(ctx, name)
	if err != nil {
		return daemon.NightRun{}, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	r := daemon.NightRun{ID: int64(len(m.past) + 1), Night: name, Spec: n, By: by, Started: m.now()}
	for _, s := range n.Scenarios {
		r.Jobs = append(r.Jobs, daemon.Job{ID: int64(100*r.ID) + int64(len(r.Jobs)), Request: daemon.Request{Scenario: s}, State: daemon.Queued, By: by, Night: r.ID})
	}
	m.past = append([]daemon.NightRun{r}, m.past...)
	m.note(by, "start night "+name)
	return r, nil
}

// ran keeps a night that is over, with runs of the store.
func (m *memory) ran(name string, runs ...store.Run) {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := slices.IndexFunc(m.nights, func(n daemon.Night) bool { return n.Name == name })
	r := daemon.NightRun{ID: int64(len(m.past) + 1), Night: name, Spec: m.nights[i], By: "schedule", Started: m.now(), Ended: m.now()}
	for _, s := range runs {
		r.Jobs = append(r.Jobs, daemon.Job{ID: s.ID, Request: daemon.Request{Scenario: s.Scenario}, State: daemon.Finished, Run: s.ID, Verdict: s.Verdict})
		r.Verdict = r.Verdict.Overwrite(s.Verdict)
	}
	m.past = append([]daemon.NightRun{r}, m.past...)
}

func (m *memory) NightRuns(_ context.Context, name string, limit int) ([]daemon.NightRun, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []daemon.NightRun
	for _, r := range m.past {
		if r.Night == name && len(list) < limit {
			list = append(list, r)
		}
	}
	return list, nil
}

func (m *memory) NightRun(_ context.Context, id int64) (daemon.NightRun, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, r := range m.past {
		if r.ID == id {
			return r, nil
		}
	}
	return daemon.NightRun{}, missing("no such night")
}

func (m *memory) Files(context.Context) ([]daemon.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []daemon.File
	for _, f := range m.shelf {
		f.Text = ""
		list = append(list, f)
	}
	slices.SortFunc(list, func(a, b daemon.File) int { return strings.Compare(a.Name, b.Name) })
	return list, nil
}

func (m *memory) File(_ context.Context, name string) (daemon.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f, ok := m.shelf[name]
	if !ok {
		return f, missing("no file " + name)
	}
	return f, nil
}

func (m *memory) CheckFile(_ context.Context, name, text string) (daemon.File, error) {
	f := daemon.File{Name: name, Text: text, Hash: sum(text)}
	var err error
	switch path.Ext(name) {
	case ".star":
		_, err = scenarios.Parse(strings.TrimSuffix(name, ".star"), name, []byte(text))
	case ".limits":
		_, err = limits.Parse(name, []byte(text))
	default:
		return f, bad("name: %q; expected one that ends in .star, .limits or .yaml", name)
	}
	var list mistake.Errors
	switch {
	case errors.As(err, &list):
		for _, e := range list {
			f.Problems = append(f.Problems, e.Error())
		}
	case err != nil:
		f.Problems = []string{err.Error()}
	}
	return f, nil
}

func (m *memory) PutFile(ctx context.Context, by, name, text string) (daemon.File, error) {
	f, err := m.CheckFile(ctx, name, text)
	if err != nil {
		return f, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	f.By, f.At = by, m.now()
	m.shelf[name] = f
	m.note(by, "put file "+name)
	return f, nil
}

func (m *memory) DeleteFile(_ context.Context, by, name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.shelf, name)
	m.note(by, "delete file "+name)
	return nil
}

func (m *memory) Preview(ctx context.Context, name string) (daemon.Preview, error) {
	f, err := m.File(ctx, name)
	return daemon.Preview{Name: strings.TrimSuffix(f.Name, ".star"), About: "A preview", Lines: []string{"detect    ___/---\\___", "pump_drip _/-\\______"}}, err
}

func (m *memory) Calibrations(context.Context) ([]daemon.Calibration, error) { return m.records, nil }

func (m *memory) Tag(ctx context.Context, by string, run int64, tags ...string) error {
	m.change(func(*daemon.Live) { m.log = append(m.log, by+": tag") })
	return m.st.Tag(ctx, run, tags...)
}

func (m *memory) Rejudge(ctx context.Context, by string, run int64, name string) (store.Judgement, error) {
	f, err := m.File(ctx, name)
	if err != nil {
		return store.Judgement{}, bad("limits: %q; expected one that is kept", name)
	}
	j := store.Judgement{Run: run, At: m.now(), LimitsName: name, LimitsText: f.Text, Verdict: verdict.Pass, Reason: "All limits are met.", Body: []byte(`{"results":[]}`)}
	j.ID, err = m.st.AddJudgement(ctx, j)
	return j, err
}
