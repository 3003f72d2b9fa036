package daemon

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"sync"
	"testing"

	"drench/results/verdict"
)

// TestExpand: scenarios × profiles × settings, in that order of nesting, each
// run tagged by its night and settings.
func TestExpand(t *testing.T) {
	n := Night{Name: "n1", Scenarios: []string{"drip", "spray"}, Profiles: []string{"a", "b"},
		Settings: []map[string]string{nil, {"sampling.period": "1 s", "heartbeat": "1 s"}},
		DUT:      "unit 3", Trials: 9, Limits: map[string]string{"spray": "hard"}, Tags: []string{"firmware=1.4"}}
	list := n.requests()
	if len(list) != 8 {
		t.Fatalf("%d runs", len(list))
	}
	for i, want := range []struct{ scenario, profile, limits string }{
		{"drip", "a", ""}, {"drip", "a", ""}, {"drip", "b", ""}, {"drip", "b", ""}, {"spray", "a", "hard"}, {"spray", "a", "hard"}, {"spray", "b", "hard"}, {"spray", "b", "hard"},
	} {
		r := list[i]
		tags, set := []string{"firmware=1.4", "night=n1"}, map[string]string(nil)
		if i%2 == 1 {
			tags, set = append(tags, "setting=heartbeat=1 s", "setting=sampling.period=1 s"), n.Settings[1]
		}
		if r.Scenario != want.scenario || r.Profile != want.profile || r.Limits != want.limits || r.DUT != "unit 3" || r.Trials != 9 ||
			!reflect.DeepEqual(r.Tags, tags) || !reflect.DeepEqual(r.Settings, set) {
			t.Errorf("run %d: %+v", i, r)
		}
	}
	if one := (Night{Name: "n", Scenarios: []string{"drip"}}).requests(); len(one) != 1 || one[0].Profile != "" || one[0].Settings != nil {
		t.Errorf("the least: %+v", one)
	}
}

func TestPutNight(t *testing.T) {
	tr := newTrial(t)
	good := Night{Name: "n1", Cron: "@daily", Zone: "Europe/Berlin", Scenarios: []string{"drip"}}
	if err := tr.PutNight(t.Context(), "Ada", good); err != nil {
		t.Fatal(err)
	}
	if n, err := tr.Night(t.Context(), "n1"); err != nil || !reflect.DeepEqual(n, good) {
		t.Errorf("kept %+v, %v", n, err)
	}
	for want, change := range map[string]func(*Night){
		"name":               func(n *Night) { n.Name = "a b" },
		"cron":               func(n *Night) { n.Cron = "daily" },
		"zone":               func(n *Night) { n.Zone = "Mars" },
		"no scenarios":       func(n *Night) { n.Scenarios = nil },
		"it is wrong":        func(n *Night) { n.Scenarios = []string{"drip", "wrong"} },
		"at most 1000":       func(n *Night) { n.Scenarios = make([]string, 1001) },
		"limits for \"x\"":   func(n *Night) { n.Limits = map[string]string{"x": "y"} },
		"a command or a url": func(n *Night) { n.Hooks = []Hook{{}} },
		"runs no commands":   func(n *Night) { n.Hooks = []Hook{{Command: "mail"}} },
	} {
		n := good
		change(&n)
		var wrong *BadRequest
		if err := tr.PutNight(t.Context(), "Ada", n); !errors.As(err, &wrong) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	if err := tr.DeleteNight(t.Context(), "Ada", "n1"); err != nil {
		t.Error(err)
	}
	if err := tr.DeleteNight(t.Context(), "Ada", "n1"); !errors.Is(err, ErrNotFound) {
		t.Errorf("deleted twice: %v", err)
	}
	if list, err := tr.Nights(t.Context()); err != nil || len(list) != 0 {
		t.Errorf("left %v, %v", list, err)
	}
}

// TestNightRuns: a night runs its jobs, has their verdict, and tells its hooks
// of each that they want to know and of the whole.
func TestNightRuns(t *testing.T) {
	var mu sync.Mutex
	var told []notice
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		var n notice
		if err := json.Unmarshal(b, &n); err != nil || r.Method != "POST" || r.Header.Get("Content-Type") != "application/json" {
			t.Errorf("%s %v: %v", r.Method, r.Header, err)
		}
		mu.Lock()
		defer mu.Unlock()
		told = append(told, n)
	}))
	defer srv.Close()
	tr := newTrial(t)
	n := Night{Name: "n1", Scenarios: []string{"drip", "bad", "spray"}, Hooks: []Hook{{URL: srv.URL + "/v?key=secret", On: []verdict.Verdict{verdict.Fail}}}}
	if err := tr.PutNight(t.Context(), "Ada", n); err != nil {
		t.Fatal(err)
	}
	started, err := tr.StartNight(t.Context(), "Ada", "n1")
	if err != nil || started.Verdict != verdict.None || len(started.Jobs) != 3 || started.Jobs[0].Scenario != "drip" {
		t.Fatalf("%+v, %v", started, err)
	}
	tr.start(t)
	tr.over(t, started.Jobs[2].ID)
	run, err := tr.NightRun(t.Context(), started.ID)
	if err != nil || run.Verdict != verdict.Fail || run.Ended.IsZero() || run.By != "Ada" || !reflect.DeepEqual(run.Spec, n) {
		t.Errorf("%+v, %v", run, err)
	}
	until(t, "hooks are told twice", func() bool { mu.Lock(); defer mu.Unlock(); return len(told) == 2 })
	first, second := told[0], told[1]
	if first.Event != "run" || first.Job.Scenario != "bad" || first.Verdict != verdict.Fail || first.Bench != "lab" {
		t.Errorf("first %+v", first)
	}
	if second.Event != "night" || second.Run.ID != run.ID || second.Verdict != verdict.Fail || len(second.Run.Jobs) != 3 {
		t.Errorf("second %+v", second)
	}
	if strings.Contains(tr.log.String(), "secret") {
		t.Errorf("the log has the address's query: %s", tr.log)
	}
}

// TestCancelledNight ends with what is left of it.
func TestCancelledNight(t *testing.T) {
	tr := newTrial(t)
	if err := tr.PutNight(t.Context(), "Ada", Night{Name: "n1", Scenarios: []string{"drip", "spray"}}); err != nil {
		t.Fatal(err)
	}
	run, err := tr.StartNight(t.Context(), "Ada", "n1")
	if err != nil {
		t.Fatal(err)
	}
	for _, j := range run.Jobs {
		if err := tr.Cancel(t.Context(), "Ada", j.ID); err != nil {
			t.Fatal(err)
		}
	}
	if run, err = tr.NightRun(t.Context(), run.ID); err != nil || run.Ended.IsZero() || run.Verdict != verdict.Inconc {
		t.Errorf("%+v, %v", run, err)
	}
}

func TestQueueIsBounded(t *testing.T) {
	tr := newTrial(t)
	many := make([]Request, mostQueued-1)
	for i := range many {
		many[i].Scenario = "drip"
	}
	if _, err := tr.Enqueue(t.Context(), "Ada", many...); err != nil {
		t.Fatal(err)
	}
	if _, err := tr.Enqueue(t.Context(), "Ada", many[:2]...); !errors.Is(err, ErrBusy) {
		t.Errorf("two too many: %v", err)
	}
	if _, err := tr.Enqueue(t.Context(), "Ada", many[:1]...); err != nil {
		t.Errorf("the last: %v", err)
	}
}
