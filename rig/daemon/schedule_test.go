package daemon

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"drench/results/store"

	"pgregory.net/rapid"
)

func at(t testing.TB, text string) time.Time {
	t.Helper()
	when, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return when
}

// TestNext walks over changes of the clocks. In Berlin they went from 02:00
// CET to 03:00 CEST on 2026-03-29 and from 03:00 CEST to 02:00 CET on
// 2026-10-25 (IANA time zone database, rule EU); on Lord Howe Island by half
// an hour on 2026-04-05 and 2026-10-04 (rule LH).
func TestNext(t *testing.T) {
	const berlin, howe = "Europe/Berlin", "Australia/Lord_Howe"
	for _, c := range []struct{ cron, zone, after, want string }{
		{"0 22 * * *", "", "2026-11-20T18:00:00Z", "2026-11-20T22:00:00Z"},
		{"0 22 * * *", "", "2026-11-20T22:00:00Z", "2026-11-21T22:00:00Z"},
		{"0 22 * * *", berlin, "2026-11-20T18:00:00Z", "2026-11-20T21:00:00Z"},
		{"@daily", berlin, "2026-07-01T12:00:00Z", "2026-07-01T22:00:00Z"},
		{"0 22 * * 1-5", "", "2026-11-20T22:30:00Z", "2026-11-23T22:00:00Z"}, // Friday, then Monday
		{"0 0 29 2 *", "", "2026-01-01T00:00:00Z", "2028-02-29T00:00:00Z"},
		// skipped: at the moment that the clocks jump, and the day after as ever
		{"30 2 * * *", berlin, "2026-03-28T12:00:00Z", "2026-03-29T01:00:00Z"},
		{"30 2 * * *", berlin, "2026-03-29T01:00:00Z", "2026-03-30T00:30:00Z"},
		{"0,15,30 2 * * *", berlin, "2026-03-29T01:00:00Z", "2026-03-30T00:00:00Z"}, // once, not three times
		{"0 3 * * *", berlin, "2026-03-28T12:00:00Z", "2026-03-29T01:00:00Z"},
		{"15 2 * * *", howe, "2026-10-03T12:00:00Z", "2026-10-03T15:30:00Z"},
		// twice: the first of the two, and not again
		{"30 2 * * *", berlin, "2026-10-24T12:00:00Z", "2026-10-25T00:30:00Z"},
		{"30 2 * * *", berlin, "2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"},
		{"30 2 * * *", berlin, "2026-10-25T01:15:00Z", "2026-10-26T01:30:00Z"},
		{"0 3 * * *", berlin, "2026-10-25T00:30:00Z", "2026-10-25T02:00:00Z"},
		{"45 1 * * *", howe, "2026-04-04T00:00:00Z", "2026-04-04T14:45:00Z"},
		{"45 1 * * *", howe, "2026-04-04T14:45:00Z", "2026-04-05T15:15:00Z"},
		// every so long, from a fixed instant
		{"@every 6h", "", "2026-11-20T18:00:01Z", "2026-11-21T00:00:00Z"},
		{"@every 6h", berlin, "2026-11-20T23:59:59Z", "2026-11-21T00:00:00Z"},
	} {
		s, err := Night{Cron: c.cron, Zone: c.zone}.schedule()
		if err != nil {
			t.Errorf("%s %s: %v", c.cron, c.zone, err)
			continue
		}
		if got := s.next(at(t, c.after)).UTC().Format(time.RFC3339); got != c.want {
			t.Errorf("%s %s after %s: %s, want %s", c.cron, c.zone, c.after, got, c.want)
		}
	}
}

// TestNextAlways: starts come in order, each after the one before, once a day
// whatever the clocks do.
func TestNextAlways(t *testing.T) {
	zones := []string{"", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "America/Sao_Paulo", "Africa/Casablanca", "Pacific/Apia", "Asia/Kathmandu"}
	rapid.Check(t, func(t *rapid.T) {
		n := Night{Cron: fmt.Sprintf("%d %d * * *", rapid.IntRange(0, 59).Draw(t, "minute"), rapid.IntRange(0, 23).Draw(t, "hour")), Zone: rapid.SampledFrom(zones).Draw(t, "zone")}
		s, err := n.schedule()
		if err != nil {
			t.Fatal(err)
		}
		when := time.Unix(rapid.Int64Range(946684800, 1893456000).Draw(t, "from"), 0)
		for range 40 {
			next := s.next(when)
			if !next.After(when) || next.Sub(when) > 49*time.Hour { // Apia left out a day in 2011
				t.Fatalf("%s in %s after %v: %v", n.Cron, n.Zone, when.In(s.zone), next.In(s.zone))
			}
			if when.In(s.zone).Format(time.DateOnly) == next.In(s.zone).Format(time.DateOnly) && s.next(when.Add(-25*time.Hour)).Equal(when) {
				t.Fatalf("%s in %s: twice on one day, %v and %v", n.Cron, n.Zone, when.In(s.zone), next.In(s.zone))
			}
			when = next
		}
	})
}

func TestWrongSchedule(t *testing.T) {
	for cron, want := range map[string]string{
		"0 22 * *":               "expected minute, hour",
		"61 22 * * *":            "expected minute, hour",
		"@nightly":               "expected minute, hour",
		"0 0 31 2 *":             "never comes",
		"CRON_TZ=UTC 0 22 * * *": "has a zone",
		"TZ=":                    "has a zone",
		"0 0 22 * * *":           "expected minute, hour",
		"@every":                 "expected minute, hour",
		"@every 0s":              "at least a minute",
		"@every 500ms":           "at least a minute",
		"@every 1s":              "at least a minute",
	} {
		if _, err := (Night{Cron: cron}).schedule(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", cron, err, want)
		}
	}
	for _, zone := range []string{"Local", "CET+1", "Europe/Atlantis", "../etc"} {
		if _, err := (Night{Cron: "@daily", Zone: zone}).schedule(); err == nil || !strings.Contains(err.Error(), "IANA") {
			t.Errorf("zone %q: %v", zone, err)
		}
	}
}

// FuzzSchedule: any text is an error or a schedule with a next start.
func FuzzSchedule(f *testing.F) {
	for _, s := range []string{"0 22 * * 1-5", "@daily", "@every 1h", "TZ=", "*/0 * * * *", "0-59/7 1,2 L * ?"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, cron string) {
		s, err := Night{Cron: cron, Zone: "Europe/Berlin"}.schedule()
		if err != nil || s == nil {
			return
		}
		if next := s.next(evening); !next.After(evening) {
			t.Errorf("%q after %v: %v", cron, evening, next)
		}
	})
}

// nightly puts a night of two runs at 22:00.
func nightly(t testing.TB, tr *trial) Night {
	t.Helper()
	n := Night{Name: "doses", Cron: "0 22 * * *", Scenarios: []string{"drip", "bad"}}
	if err := tr.PutNight(t.Context(), "Ada", n); err != nil {
		t.Fatal(err)
	}
	return n
}

// due looks at schedules at some time of the 20th or later.
func (tr *trial) due(t testing.TB, day, hour, minute int) {
	t.Helper()
	now := time.Date(2026, 11, day, hour, minute, 0, 0, time.UTC)
	tr.clock.set(now)
	if err := tr.startDue(t.Context(), now); err != nil {
		t.Fatal(err)
	}
}

// wantRuns counts the runs of nights that there are.
func (tr *trial) wantRuns(t testing.TB, want int, when string) {
	t.Helper()
	runs, err := tr.NightRuns(t.Context(), "doses", 0)
	if err != nil || len(runs) != want {
		t.Errorf("%s: %d runs of the night, want %d; %v\n%s", when, len(runs), want, err, tr.log)
	}
}

// endNight runs all that is queued.
func (tr *trial) endNight(t testing.TB) {
	t.Helper()
	for {
		j, ok, err := tr.store.NextJob(t.Context(), "lab", tr.clock.now())
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			return
		}
		if err := tr.store.FinishJob(t.Context(), j.ID, store.JobEnd{At: tr.clock.now()}); err != nil {
			t.Fatal(err)
		}
	}
}

// TestStartDue: a night is started at its time, once, and not while it runs.
func TestStartDue(t *testing.T) {
	tr := newTrial(t)
	nightly(t, tr)
	tr.due(t, 20, 18, 0)
	tr.wantRuns(t, 0, "before its time")
	tr.due(t, 20, 22, 0)
	tr.wantRuns(t, 1, "at its time")
	tr.due(t, 20, 22, 1)
	tr.due(t, 20, 21, 59) // the clock was set back
	tr.due(t, 20, 22, 0)
	tr.wantRuns(t, 1, "at its time again")
	tr.due(t, 21, 21, 59)
	tr.due(t, 21, 22, 0)
	tr.wantRuns(t, 1, "while the first runs")
	if !strings.Contains(tr.log.String(), "a night was not started\" night=doses") {
		t.Errorf("log %s", tr.log)
	}
	tr.endNight(t)
	tr.due(t, 21, 22, 1)
	tr.wantRuns(t, 1, "a refused start is not made up for")
	tr.due(t, 22, 22, 0)
	tr.wantRuns(t, 2, "the night after")
	runs, err := tr.NightRuns(t.Context(), "", 1)
	if err != nil || runs[0].By != bySchedule || len(runs[0].Jobs) != 2 {
		t.Errorf("%+v, %v", runs, err)
	}
}

// TestMissed: what was to start while the daemon was off is told and not run;
// a little late is soon enough.
func TestMissed(t *testing.T) {
	tr := newTrial(t)
	nightly(t, tr)
	tr.due(t, 20, 18, 0)
	tr.due(t, 23, 8, 0)
	tr.wantRuns(t, 0, "in the morning, three starts late")
	if got := tr.log.String(); !strings.Contains(got, "starts=3") {
		t.Errorf("log %s", got)
	}
	tr.due(t, 23, 22, 4)
	tr.wantRuns(t, 1, "four minutes late")
	tr.endNight(t)
	tr.due(t, 24, 22, 0)
	tr.due(t, 24, 22, 0)
	tr.wantRuns(t, 2, "the night after")
}

// TestOff: a night that is off, or was kept after its time, is not started.
func TestOff(t *testing.T) {
	tr := newTrial(t)
	tr.due(t, 20, 21, 0)
	tr.clock.set(time.Date(2026, 11, 20, 22, 0, 30, 0, time.UTC))
	n := nightly(t, tr)
	tr.due(t, 20, 22, 1)
	tr.wantRuns(t, 0, "kept after its time")
	if next, ok := tr.NextStart(n); !ok || !next.Equal(at(t, "2026-11-21T22:00:00Z")) {
		t.Errorf("next %v, %v", next, ok)
	}
	n.Off = true
	if err := tr.PutNight(t.Context(), "Ada", n); err != nil {
		t.Fatal(err)
	}
	tr.due(t, 21, 22, 0)
	tr.wantRuns(t, 0, "off")
	if _, ok := tr.NextStart(n); ok {
		t.Error("a night that is off has a next start")
	}
	if _, ok := tr.NextStart(Night{Name: "x"}); ok {
		t.Error("a night without a schedule has a next start")
	}
	if _, err := tr.StartNight(t.Context(), "Ada", "doses"); err != nil {
		t.Errorf("by hand: %v", err)
	}
	if _, err := tr.StartNight(t.Context(), "Ada", "doses"); !errors.Is(err, ErrBusy) {
		t.Errorf("by hand, twice: %v", err)
	}
	if _, err := tr.StartNight(t.Context(), "Ada", "dozes"); !errors.Is(err, ErrNotFound) {
		t.Errorf("an unknown one: %v", err)
	}
}

// TestClockFarAhead: a clock that was years ahead once does not keep nights
// from starting for years.
func TestClockFarAhead(t *testing.T) {
	tr := newTrial(t)
	nightly(t, tr)
	if err := tr.store.SetSeen(t.Context(), "lab", time.Date(2038, 1, 1, 0, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	tr.due(t, 20, 21, 59)
	tr.due(t, 20, 22, 0)
	tr.wantRuns(t, 1, "after the clock was right again")
}
