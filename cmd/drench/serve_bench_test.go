package main

import (
	"context"
	"errors"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/daemon"
	"drench/rig/interlock"
	"drench/rig/timeline"
)

// onlooker notes what a bench shows.
type onlooker struct {
	run      int64
	channels []rig.Channel
	trials   int
	events   []rig.Event
	passes   int
	onEvent  func()
}

func (o *onlooker) Began(run int64, channels []rig.Channel, trials int) {
	o.run, o.channels, o.trials = run, channels, trials
}
func (o *onlooker) Passed(rig.Instant) { o.passes++ }
func (o *onlooker) Saw(ev rig.Event) {
	o.events = append(o.events, ev)
	if o.onEvent != nil {
		o.onEvent()
	}
}

func stockServed(t *testing.T) *served {
	t.Helper()
	b, err := readBench("")
	if err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = st.Close() })
	s, err := newServed(b, st)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func eventsOf(t *testing.T, st *store.Store, run int64) (list []rig.Event) {
	t.Helper()
	r, err := timeline.NewReader(st.Timeline(t.Context(), run))
	if err != nil {
		t.Fatal(err)
	}
	for ev, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, ev)
	}
	return list
}

// TestServedRun: who looks on sees every event that is recorded once the run
// has begun, and the outcome is that of the store.
func TestServedRun(t *testing.T) {
	s := stockServed(t)
	seed, o := uint64(7), &onlooker{}
	out, err := s.Run(t.Context(), daemon.Job{ID: 1, Request: daemon.Request{Scenario: "drip", Seed: &seed, DUT: "unit 3", Tags: []string{"night=n"}}}, o)
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.st.Get(t.Context(), out.Run)
	if err != nil || out.Verdict != verdict.Pass || r.Verdict != out.Verdict || r.Reason != out.Reason || r.DUT != "unit 3" || r.Seed != 7 || !reflect.DeepEqual(r.Tags, []string{"night=n"}) {
		t.Errorf("outcome %+v, stored %+v, %v", out, r, err)
	}
	kept := eventsOf(t, s.st, out.Run)
	before := len(kept) - len(o.events) // the levels at the start, before anybody looks
	if before < 0 || before > len(s.table) || !reflect.DeepEqual(kept[before:], o.events) {
		t.Errorf("%d events were seen, %d kept", len(o.events), len(kept))
	}
	if o.run != out.Run || len(o.channels) != len(s.table) || o.trials < 64 || o.passes < 1000 {
		t.Errorf("seen: run %d, %d channels, %d trials, %d passes", o.run, len(o.channels), o.trials, o.passes)
	}
	if len(out.Latency) < 64 || out.Gap < time.Second || out.Trip != "" || out.Lost != "" {
		t.Errorf("outcome %+v", out)
	}
}

// TestServedEnds: the daemon's end stops a run with its timeline whole, and
// leaves judging it to others.
func TestServedEnds(t *testing.T) {
	s := stockServed(t)
	ctx, end := context.WithCancelCause(t.Context())
	o := &onlooker{}
	o.onEvent = func() {
		if len(o.events) == 500 {
			end(errEnding)
		}
	}
	out, _ := s.Run(ctx, daemon.Job{ID: 1, Request: daemon.Request{Scenario: "drip"}}, o)
	r, err := s.st.Get(t.Context(), out.Run)
	if err != nil || r.State != store.Done || r.Verdict != verdict.Error || r.Reason != "The run was cut short: stopped: the daemon was told to end." {
		t.Errorf("%+v, %v", r, err)
	}
	kept := eventsOf(t, s.st, out.Run)
	if last := kept[len(kept)-1]; last.Kind != rig.End || last.Text != errEnding.Error() {
		t.Errorf("the last event: %+v", last)
	}
	if id, err := s.Rejudge(t.Context(), out.Run, ""); err != nil || id == 0 {
		t.Errorf("judged later: %d, %v", id, err)
	}
}

// TestServedChecks: what a request names must be there, and be in order.
func TestServedChecks(t *testing.T) {
	s := stockServed(t)
	for name, text := range map[string]string{
		"splash.star": endless, "alone.star": endless, "splash.limits": "false alarms <= 0\n",
		"slow.yaml": strings.Replace(string(mustProfile(t, "conductive-2s")), "period: 2 s", "period: 3 s", 1),
	} {
		if problems := s.CheckFile(t.Context(), name, text); len(problems) > 0 {
			t.Fatalf("%s: %v", name, problems)
		}
		if _, err := s.st.PutFile(t.Context(), store.File{Name: name, Text: text, At: time.Now()}); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		r    daemon.Request
		want string // "": it is good
	}{
		{daemon.Request{Scenario: "drip"}, ""},
		{daemon.Request{Scenario: "drip.star", Limits: "spray", Profile: "latching-2s.yaml", Fault: "dead_heartbeat"}, ""},
		{daemon.Request{Scenario: "splash", Profile: "slow"}, ""},
		{daemon.Request{Scenario: "alone"}, "alone.star has no limits: expected a file alone.limits kept here"},
		{daemon.Request{Scenario: "alone", Limits: "splash.limits"}, ""},
		{daemon.Request{Scenario: "drop"}, `no scenario is called "drop"; expected one of `},
		{daemon.Request{Scenario: "../drip"}, "no scenario is called"},
		{daemon.Request{Scenario: "drip", Limits: "none"}, `no limits are called "none"`},
		{daemon.Request{Scenario: "drip", Profile: "none"}, `no profile is called "none"`},
		{daemon.Request{Scenario: "drip", Fault: "none"}, `there is no fault "none"`},
		{daemon.Request{Scenario: "drip", Settings: map[string]string{"sampling.perod": "1 s"}}, "setting sampling.perod=1 s: unknown key perod"},
	} {
		got := strings.Join(s.Check(t.Context(), c.r), "\n")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%+v: %s\nwant %s", c.r, got, c.want)
		}
	}
	for name, want := range map[string]string{"x.star": "x.star:1:5: ", "x.limits": "x.limits:1:", "x.yaml": "x.yaml:1:1: this is no DUT profile", "x.txt": "nothing is known of such files"} {
		if got := strings.Join(s.CheckFile(t.Context(), name, "name!"), "\n"); !strings.Contains(got, want) {
			t.Errorf("%s: %s\nwant %s", name, got, want)
		}
	}
	p, err := s.Preview(t.Context(), "drip")
	if err != nil || len(p.Problems) > 0 || len(p.Lines) < 20 || p.About == "" {
		t.Errorf("preview %+v, %v", p, err)
	}
}

func mustProfile(t *testing.T, name string) []byte {
	t.Helper()
	for _, f := range stockServed(t).Stock() {
		if f.Name == name+profileFile {
			return []byte(f.Text)
		}
	}
	t.Fatalf("there is no profile %s", name)
	return nil
}

// TestWatchOn: an idle bench's levels are shown, nothing is driven, and an
// interlock that opens ends it.
func TestWatchOn(t *testing.T) {
	for fault, wantTrip := range map[string]string{"": "", "estop_pressed": "emergency stop"} {
		s := stockServed(t)
		b := *s.bench
		if fault != "" {
			if err := b.world.SetFault(fault); err != nil {
				t.Fatal(err)
			}
		}
		world, err := b.open(1)
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		o := &onlooker{}
		o.onEvent = func() {
			if fault == "" && len(o.events) > 200 {
				stop()
			}
		}
		c := &claim{st: s.st, bench: "lab", trips: true}
		err = b.watchOn(ctx, world, c, o)
		var trip *interlock.TripError
		switch {
		case wantTrip == "" && err != nil, wantTrip != "" && (!errors.As(err, &trip) || !strings.Contains(trip.Reason, wantTrip)):
			t.Errorf("%q: %v", fault, err)
		case o.run != 0 || len(o.channels) != len(s.table) || o.passes == 0 && fault == "":
			t.Errorf("%q: run %d, %d channels, %d passes", fault, o.run, len(o.channels), o.passes)
		}
		seen := map[string]bool{}
		for _, ev := range o.events {
			c := o.channels[ev.Channel]
			if ev.Kind == rig.Command && ev.Value != 0 && c.Name != rig.Deadman {
				t.Errorf("%q: %s was set to %d", fault, c.Name, ev.Value)
			}
			seen[c.Name] = true
		}
		proofs, perr := s.st.Proofs(t.Context(), "lab")
		if perr != nil || (len(proofs) > 0) != (fault != "") || len(proofs) > 0 && (proofs[0].Input != rig.EStop || proofs[0].How != "while no run went on") {
			t.Errorf("%q: proofs %v, %v", fault, proofs, perr)
		}
		if kept := c.keepTrip(t.Context(), 0, err); kept != nil {
			t.Error(kept)
		}
		if trips, terr := s.st.Trips(t.Context(), "", false); terr != nil || len(trips) != 0 {
			t.Errorf("%q: trips %v, %v: they are the daemon's to keep", fault, trips, terr)
		}
		if fault == "" && (!seen[rig.EStop] || !seen[rig.Rail] || !seen[rig.AirTemp]) {
			t.Errorf("seen: %v", seen)
		}
		if err := world.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestWatchedWhileJudged: between the end of a run and its verdict somebody
// watches the bench.
func TestWatchedWhileJudged(t *testing.T) {
	s := stockServed(t)
	o := &onlooker{}
	b := s.watchBeside(t.Context(), o)
	b.begin()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		if b.end(); o.passes > 0 || time.Now().After(end) {
			break
		}
		b = s.watchBeside(t.Context(), o)
		b.begin()
	}
	if o.passes == 0 || o.channels != nil {
		t.Errorf("%d passes, channels %v", o.passes, o.channels)
	}
}
