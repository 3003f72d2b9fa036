package api

import (
	"bufio"
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"drench/results/store"
	"drench/rig"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// still is a bench on which nothing happens.
type still struct{}

func (still) Run(context.Context, daemon.Job, daemon.Observer) (daemon.Outcome, error) {
	return daemon.Outcome{}, nil
}
func (still) Watch(ctx context.Context, _ daemon.Observer) error { <-ctx.Done(); return nil }

// bare has one stock file, and finds a scenario called wrong wrong.
type bare struct{}

func (bare) Check(_ context.Context, r daemon.Request) []string {
	if r.Scenario == "wrong" {
		return []string{"wrong.star:1:1: it is wrong; expected another"}
	}
	return nil
}

func (bare) CheckFile(_ context.Context, name, text string) []string {
	if strings.Contains(text, "wrong") {
		return []string{name + ":1:1: it is wrong; expected another"}
	}
	return nil
}

func (bare) Stock() []daemon.File {
	return []daemon.File{{Name: "drip.star", Text: "about = \"drops\"\n", Stock: true}}
}

func (bare) Preview(_ context.Context, name string) (daemon.Preview, error) {
	return daemon.Preview{Name: name}, nil
}

func (bare) Calibrations(context.Context) ([]daemon.Calibration, error) { return nil, nil }

func (bare) Rejudge(context.Context, int64, string) (int64, error) { return 0, store.ErrNotFound }

// serveReal serves the real daemon with the real store. It is not running, so that
// what is queued stays so.
func serveReal(t *testing.T) *served {
	t.Helper()
	st, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = st.Close() })
	quiet := slog.New(slog.DiscardHandler)
	d, err := daemon.New(daemon.Options{Bench: "virtual", Virtual: true, Channels: []rig.Channel{{Name: rig.Detect}},
		Runner: still{}, Workshop: bare{}, Ledger: st, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	h, err := New(d, st, quiet)
	if err != nil {
		t.Fatal(err)
	}
	gate, err := access.New(access.Options{Refuse: Refuse, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	s := &served{Server: httptest.NewServer(gate.Middleware(h)), schema: map[string]*jsonschema.Schema{}}
	t.Cleanup(s.Close)
	if s.docs, err = compiled(document(operations())); err != nil {
		t.Fatal(err)
	}
	return s
}

// TestRealDaemon: the real daemon's answers and refusals are what the document
// says too.
func TestRealDaemon(t *testing.T) {
	const plain = "Content-Type: text/plain"
	s := serveReal(t)
	s.play(t, []request{
		{id: "getLive", path: "/live", status: 200, has: `"name":"detect"`},
		{id: "stop", path: "/stop", status: 204},
		{id: "pause", path: "/pause", status: 204},
		{id: "addJobs", path: "/jobs", status: 201, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip"},{"scenario":"drip","trials":3}]}`},
		{id: "addJobs", path: "/jobs", status: 422, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"wrong"}]}`, has: "expected another"},
		{id: "moveJob", path: "/jobs/2/move", status: 200, headers: []string{sendsJSON}, body: `{"place":1}`, has: `"place":1`},
		{id: "listJobs", path: "/jobs", status: 200, has: `{"jobs":[{"id":2,`},
		{id: "cancelJob", path: "/jobs/1/cancel", status: 200, has: "cancelled"},
		{id: "cancelJob", path: "/jobs/1/cancel", status: 409},
		{id: "getJob", path: "/jobs/77", status: 404},
		{id: "putNight", path: "/nights/week", status: 201, headers: []string{sendsJSON}, body: `{"name":"week","cron":"0 22 * * *","scenarios":["drip"],"limits":{"drip":"drip.limits"}}`},
		{id: "getNight", path: "/nights/week", status: 304, headers: []string{"If-None-Match: {version}"}},
		{id: "putNight", path: "/nights/week", status: 422, headers: []string{sendsJSON, "If-Match: {version}"}, body: `{"name":"week","cron":"whenever","scenarios":["drip"]}`},
		{id: "putNight", path: "/nights/week", status: 200, headers: []string{sendsJSON, "If-Match: {version}"}, body: `{"name":"week","cron":"@daily","scenarios":["drip"]}`},
		{id: "listNights", path: "/nights", status: 200, has: `"next":"`},
		{id: "startNight", path: "/nights/week/start", status: 201, has: `"jobs":[{`},
		{id: "listNightRuns", path: "/nights/week/runs", status: 200, has: `"id":1`},
		{id: "getNightRun", path: "/night-runs/1", status: 200},
		{id: "getNightRun", path: "/night-runs/5", status: 404},
		{id: "getNightJUnit", path: "/night-runs/1/junit.xml", status: 409, has: "ask again when the night is over"},
		{id: "deleteNight", path: "/nights/week", status: 204, headers: []string{"If-Match: *"}},
		{id: "getNight", path: "/nights/week", status: 404},
		{id: "listFiles", path: "/files", status: 200, has: `"stock":true`},
		{id: "putFile", path: "/files/a.star", status: 201, headers: []string{plain}, body: "x = 1\n"},
		{id: "getFile", path: "/files/a.star", status: 304, headers: []string{"If-None-Match: {version}"}},
		{id: "putFile", path: "/files/a.star", status: 422, headers: []string{plain, "If-Match: {version}"}, body: "wrong\n", has: "expected another"},
		{id: "putFile", path: "/files/a.star", status: 200, headers: []string{plain, "If-Match: *"}, body: "x = 2\n"},
		{id: "putFile", path: "/files/drip.star", status: 422, headers: []string{plain, "If-Match: *"}, body: "x = 1\n"},
		{id: "putFile", path: "/files/..%2Fa.star", status: 422, headers: []string{plain}, body: "x = 1\n"},
		{id: "checkFile", path: "/files/b.limits/check", status: 200, headers: []string{plain}, body: "wrong", has: "b.limits:1:1"},
		{id: "getFileText", path: "/files/drip.star/text", status: 200, has: "drops"},
		{id: "deleteFile", path: "/files/a.star", status: 204, headers: []string{"If-Match: *"}},
		{id: "previewFile", path: "/files/drip.star/preview", status: 200},
		{id: "listCalibrations", path: "/calibrations", status: 200, has: `{"calibrations":[]}`},
		{id: "listTrips", path: "/trips", status: 200, has: `{"trips":[]}`},
		{id: "clearTrip", path: "/trips/9/clear", status: 404, headers: []string{sendsJSON}, body: `{"note":"dried"}`},
		{id: "rejudge", path: "/runs/1/judgements", status: 404, headers: []string{sendsJSON}, body: `{"limits":"a.limits"}`},
		{id: "addTags", path: "/runs/1/tags", status: 404, headers: []string{sendsJSON}, body: `{"tags":["x"]}`},
		{id: "listTags", path: "/tags", status: 200, has: `{"tags":[]}`},
	})
}

// TestFollow: a follower of the real daemon gets the whole state first, and
// then what changes.
func TestFollow(t *testing.T) {
	s := serveReal(t)
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.URL+Root+"/live/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := s.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var o operation
	for _, o = range operations() {
		if o.id == "followLive" {
			break
		}
	}
	each := s.at(t, "paths", o.path, "get", "responses", "200", "content", o.media, "x-each")
	in, seen := bufio.NewScanner(resp.Body), 0
	for in.Scan() {
		data, ok := strings.CutPrefix(in.Text(), "data: ")
		if !ok {
			continue
		}
		hold(t, each, []byte(data))
		if seen++; seen == 1 {
			if !strings.Contains(data, `"live":{"bench":"virtual"`) || strings.Contains(data, `"paused":true`) {
				t.Errorf("first came %s", data)
			}
			if resp, _ := s.ask(t, http.MethodPost, Root+"/pause", ""); resp.StatusCode != http.StatusNoContent {
				t.Fatalf("pause: %d", resp.StatusCode)
			}
		} else if strings.Contains(data, `"paused":true`) {
			return
		}
	}
	t.Errorf("the pause was not told; %v", in.Err())
}
