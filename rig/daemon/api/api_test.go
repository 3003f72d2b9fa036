package api

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// served is a running API, asked by somebody with a role.
type served struct {
	*httptest.Server
	daemon *fake
	schema map[string]*jsonschema.Schema // compiled, by pointer into the document
	docs   *jsonschema.Compiler
}

func serve(t testing.TB, p access.Policy, tokens access.Tokens) *served {
	t.Helper()
	st := stored(t)
	d := newFake(st)
	h, err := New(d, st, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	gate, err := access.New(access.Options{Policy: p, Tokens: tokens, Refuse: Refuse, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	s := &served{Server: httptest.NewServer(gate.Middleware(h)), daemon: d, schema: map[string]*jsonschema.Schema{}}
	t.Cleanup(s.Close)
	if s.docs, err = compiled(document(operations())); err != nil {
		t.Fatal(err)
	}
	return s
}

func local(t testing.TB) *served { return serve(t, access.Policy{}, nil) }

// ask sends a request; headers are "Name: value".
func (s *served) ask(t testing.TB, method, path, body string, headers ...string) (*http.Response, []byte) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, s.URL+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		req.Header.Set(name, value)
	}
	resp, err := s.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, b
}

// at compiles the schema at a pointer into the document.
func (s *served) at(t testing.TB, steps ...string) *jsonschema.Schema {
	t.Helper()
	path := "#"
	for _, step := range steps {
		path += "/" + strings.NewReplacer("~", "~0", "/", "~1", "{", "%7B", "}", "%7D", ";", "%3B", " ", "%20", "+", "%2B").Replace(step)
	}
	if s.schema[path] == nil {
		c, err := s.docs.Compile(documentURL + path)
		if err != nil {
			t.Fatal(err)
		}
		s.schema[path] = c
	}
	return s.schema[path]
}

// hold holds JSON against the schema at a place of the document.
func hold(t testing.TB, c *jsonschema.Schema, b []byte) {
	t.Helper()
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		t.Fatalf("%v: %.300s", err, b)
	}
	if err := c.Validate(value); err != nil {
		t.Errorf("%#v\n%.600s", err, b)
	}
}

// check holds an answer of an operation against what the document says.
func (s *served) check(t testing.TB, o operation, resp *http.Response, b []byte) {
	t.Helper()
	if resp.StatusCode >= 400 {
		if got := resp.Header.Get("Content-Type"); got != "application/problem+json" {
			t.Errorf("content type %q of %d", got, resp.StatusCode)
		}
		hold(t, s.at(t, "components", "schemas", "Problem"), b)
		return
	}
	if resp.StatusCode != o.status && !(o.creates && resp.StatusCode == http.StatusCreated) && resp.StatusCode != http.StatusNotModified {
		t.Errorf("status %d is not in the document", resp.StatusCode)
	}
	if resp.Header.Get("Content-Type") != o.media && resp.StatusCode != http.StatusNotModified {
		t.Errorf("content type %q; the document says %q", resp.Header.Get("Content-Type"), o.media)
	}
	place := []string{"paths", o.path, strings.ToLower(o.method), "responses", strconv.Itoa(o.status), "content", o.media}
	switch {
	case o.media == "" || resp.StatusCode == http.StatusNotModified:
		if len(b) > 0 {
			t.Errorf("a body where there is none: %q", b)
		}
	case o.media == jsonType:
		hold(t, s.at(t, append(place, "schema")...), b)
	case o.lines:
		each := s.at(t, append(place, "x-each")...)
		for _, line := range objects(o, b) {
			hold(t, each, []byte(line))
		}
	default:
		if len(b) == 0 {
			t.Error("empty answer")
		}
	}
}

// objects are the JSON objects of a stream.
func objects(o operation, b []byte) []string {
	var list []string
	for line := range strings.Lines(string(b)) {
		data, isData := strings.CutPrefix(line, "data: ")
		if o.media == linesType || isData {
			list = append(list, data)
		}
	}
	return list
}

const sendsJSON = "Content-Type: application/json"

// request is one request, and what its answer must be. {version} in a header
// stands for the ETag that was answered last.
type request struct {
	id, path string
	status   int
	body     string
	headers  []string
	has      string // in the answer
}

// asked are requests in order.
var asked = []request{
	{id: "getLive", path: "/live", status: 200, has: `"unit":"nV"`},
	{id: "followLive", path: "/live/events", status: 200, has: `"event":{"at":6000000000,"kind":"edge","channel":"detect","value":1}`},
	{id: "stop", path: "/stop", status: 204},
	{id: "stop", path: "/stop", status: 400, body: "now", has: "expected no body"},
	{id: "stop", path: "/stop?hard=1", status: 400, has: "there is no such parameter"},
	{id: "pause", path: "/pause", status: 204},
	{id: "resume", path: "/resume", status: 204},

	{id: "addJobs", path: "/jobs", status: 201, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip","seed":18446744073709551615},{"scenario":"drip","tags":["x"],"settings":{"sampling.period":"1 s"}}]}`, has: `"by":"local"`},
	{id: "addJobs", path: "/jobs", status: 422, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drop"}]}`, has: `"problems":["there is no scenario`},
	{id: "addJobs", path: "/jobs", status: 422, headers: []string{sendsJSON}, body: `{"requests":[]}`, has: "expected what to run"},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip","trails":3}]}`, has: `"where":"body /requests/0"`},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":[{"Scenario":"drip"}]}`, has: `Scenario`},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":[{}]}`, has: `missing property 'scenario'`},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip","scenario":"spray"}]}`, has: "stands there twice"},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip"}]}{}`, has: "more follows"},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip","trials":1.5}]}`, has: "/requests/0/trials"},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip","trials":1e30}]}`},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip","seed":-1}]}`},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `{"requests":`, has: "ends too soon"},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: "\"\xff\"", has: "UTF-8"},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: `null`},
	{id: "addJobs", path: "/jobs", status: 400, headers: []string{sendsJSON}, body: ``, has: "ends too soon"},
	{id: "addJobs", path: "/jobs", status: 415, headers: []string{"Content-Type: text/plain"}, body: `{}`, has: "expected application/json"},
	{id: "addJobs", path: "/jobs", status: 415, body: `{}`},
	{id: "addJobs", path: "/jobs", status: 415, headers: []string{sendsJSON + "; charset=latin1"}, body: `{}`, has: "expected utf-8"},
	{id: "addJobs", path: "/jobs", status: 413, headers: []string{sendsJSON}, body: `"` + strings.Repeat("x", maxBody) + `"`, has: "send less"},
	{id: "listJobs", path: "/jobs?limit=1", status: 200, has: `"seed":18446744073709551615`},
	{id: "listJobs", path: "/jobs?state=running", status: 200, has: `{"jobs":[]}`},
	{id: "listJobs", path: "/jobs?state=walking", status: 400, has: "expected one of queued, running, finished, cancelled, interrupted"},
	{id: "listJobs", path: "/jobs?limit=501", status: 400, has: "expected a whole number from 1 to 500"},
	{id: "listJobs", path: "/jobs?limit=1&limit=2", status: 400, has: "stands there 2 times"},
	{id: "listJobs", path: "/jobs?limt=1", status: 400, has: "expected limit"},
	{id: "listJobs", path: "/jobs?limit=%zz", status: 400, has: "can't be read"},
	{id: "getJob", path: "/jobs/1", status: 200},
	{id: "getJob", path: "/jobs/9", status: 404, has: "there is no job 9"},
	{id: "getJob", path: "/jobs/one", status: 400, has: `"where":"path id"`},
	{id: "moveJob", path: "/jobs/2/move", status: 200, headers: []string{sendsJSON}, body: `{"place":1}`, has: `"place":1`},
	{id: "moveJob", path: "/jobs/2/move", status: 422, headers: []string{sendsJSON}, body: `{"place":0}`},
	{id: "cancelJob", path: "/jobs/2/cancel", status: 200, has: "cancelled"},
	{id: "cancelJob", path: "/jobs/2/cancel", status: 409, has: "job 2 is cancelled"},
	{id: "addJobs", path: "/jobs", status: 201, headers: []string{sendsJSON}, body: `{"requests":[{"scenario":"drip"},{"scenario":"drip"}]}`},
	{id: "cancelJob", path: "/jobs/3/cancel", status: 200},
	{id: "listJobs", path: "/jobs?limit=1", status: 200, has: `"next":3`},
	{id: "listJobs", path: "/jobs?limit=1&before=3", status: 200, has: `{"jobs":[{"id":2,`},
	{id: "listJobs", path: "/jobs?limit=1&before=2", status: 200, has: `{"jobs":[]}`},

	{id: "putNight", path: "/nights/week", status: 201, headers: []string{sendsJSON}, body: `{"name":"week","cron":"@daily","scenarios":["drip"]}`},
	{id: "getNight", path: "/nights/week", status: 304, headers: []string{"If-None-Match: {version}"}},
	{id: "putNight", path: "/nights/week", status: 428, headers: []string{sendsJSON}, body: `{"name":"week","cron":"","scenarios":["drip"]}`, has: "expected the ETag"},
	{id: "putNight", path: "/nights/week", status: 412, headers: []string{sendsJSON, `If-Match: "0"`}, body: `{"name":"week","cron":"","scenarios":["drip"]}`, has: "get it again"},
	{id: "putNight", path: "/nights/week", status: 412, headers: []string{sendsJSON, `If-None-Match: *`}, body: `{"name":"week","cron":"","scenarios":["drip"]}`, has: "it exists"},
	{id: "putNight", path: "/nights/other", status: 412, headers: []string{sendsJSON, `If-Match: *`}, body: `{"name":"other","cron":"","scenarios":["drip"]}`, has: "does not exist"},
	{id: "putNight", path: "/nights/other", status: 400, headers: []string{sendsJSON, `If-None-Match: "0"`}, body: `{"name":"other","cron":"","scenarios":["drip"]}`},
	{id: "putNight", path: "/nights/other", status: 422, headers: []string{sendsJSON}, body: `{"name":"week","cron":"","scenarios":["drip"]}`, has: "the name in the path"},
	{id: "putNight", path: "/nights/other", status: 422, headers: []string{sendsJSON}, body: `{"name":"other","cron":"","scenarios":[]}`, has: "has no scenario"},
	{id: "getNight", path: "/nights/week", status: 200},
	{id: "putNight", path: "/nights/week", status: 200, headers: []string{sendsJSON, "If-Match: {version}"}, body: `{"name":"week","cron":"@daily","scenarios":["drip"],"trials":9}`},
	{id: "listNights", path: "/nights", status: 200, has: `"next":"2026-03-01T22:00:00Z"`},
	{id: "startNight", path: "/nights/week/start", status: 201},
	{id: "startNight", path: "/nights/none/start", status: 404},
	{id: "listNightRuns", path: "/nights/week/runs", status: 200, has: `"night":"week"`},
	{id: "listNightRuns", path: "/nights/none/runs", status: 404},
	{id: "getNightRun", path: "/night-runs/1", status: 200},
	{id: "getNightRun", path: "/night-runs/7", status: 404},
	{id: "getNightJUnit", path: "/night-runs/1/junit.xml", status: 200, has: `message="cancelled by ann"`},
	{id: "getNightJUnit", path: "/night-runs/7/junit.xml", status: 404},
	{id: "deleteNight", path: "/nights/week", status: 428},
	{id: "deleteNight", path: "/nights/week", status: 204, headers: []string{"If-Match: *"}},
	{id: "deleteNight", path: "/nights/week", status: 404, headers: []string{"If-Match: *"}},

	{id: "listRuns", path: "/runs?limit=2", status: 200, has: `"next":3`},
	{id: "listRuns", path: "/runs?scenario=drip&dut=unit+17&tag=a&state=done&since=2026-01-01T00:00:00Z", status: 200, has: `"tags":["a","b"]`},
	{id: "listRuns", path: "/runs?verdict=inconc&text=UNIT&until=2026-04-01T00:00:00Z", status: 200, has: `"run":1`},
	{id: "listRuns", path: "/runs?verdict=none", status: 200, has: `{"runs":[]}`},
	{id: "listRuns", path: "/runs?verdict=good", status: 400, has: "expected one of none, pass, inconc, fail, error"},
	{id: "listTags", path: "/tags", status: 200, has: `{"tag":"b","runs":3}`},
	{id: "listRuns", path: "/runs?since=yesterday", status: 400, has: "expected an instant"},
	{id: "getRun", path: "/runs/1", status: 200, has: `"sources":{"script"`},
	{id: "getRun", path: "/runs/99", status: 404, has: "no such run"},
	{id: "listEvents", path: "/runs/1/events", status: 200, has: `"kind":"end"`},
	{id: "listEvents", path: "/runs/1/events?after=3&limit=2", status: 200, has: `{"n":4,`},
	{id: "listEvents", path: "/runs/4/events", status: 200, has: `"text":"hello"`},
	{id: "listEvents", path: "/runs/99/events", status: 404},
	{id: "getReport", path: "/runs/1/report.html", status: 200, has: "<!DOCTYPE html>"},
	{id: "getReport", path: "/runs/4/report.html", status: 409, has: "ask again when it has ended"},
	{id: "getReport", path: "/runs/99/report.html", status: 404},
	{id: "getJUnit", path: "/runs/1/junit.xml", status: 200, has: "<testsuite"},
	{id: "getTrials", path: "/runs/1/trials.csv", status: 200, has: "trial,kind"},
	{id: "getWaveforms", path: "/runs/2/timeline.vcd", status: 200, has: "$timescale"},
	{id: "getEverything", path: "/runs/1/report.json", status: 200},
	{id: "getEverything", path: "/runs/2/report.json", status: 200},
	{id: "compareRuns", path: "/compare?base=1&now=2", status: 200, has: "notes"},
	{id: "compareRuns", path: "/compare?base=1&now=3,1", status: 200, has: `"word":"same"`},
	{id: "compareRuns", path: "/compare?base=1&now=4", status: 409},
	{id: "compareRuns", path: "/compare?base=1", status: 400, has: "as in 3,4,5"},
	{id: "compareRuns", path: "/compare?base=1,1&now=2", status: 400},
	{id: "rejudge", path: "/runs/1/judgements", status: 201, headers: []string{sendsJSON}, body: `{"limits":"drip.limits"}`, has: "inconc"},
	{id: "rejudge", path: "/runs/1/judgements", status: 404, headers: []string{sendsJSON}, body: `{"limits":"none"}`},
	{id: "listJudgements", path: "/runs/1/judgements", status: 200, has: `"results":[{`},
	{id: "listJudgements", path: "/runs/99/judgements", status: 404},
	{id: "addTags", path: "/runs/1/tags", status: 200, headers: []string{sendsJSON}, body: `{"tags":["c"]}`, has: `"tags":["a","b","c"]`},

	{id: "openLot", path: "/lots", status: 201, headers: []string{sendsJSON}, body: `{"product":"sensor b","size":20,"aql":10,"level":"II","test":{"scenario":"drip"}}`, has: `"sample":5,"nonconforming":0`},
	{id: "openLot", path: "/lots", status: 422, headers: []string{sendsJSON}, body: `{"product":"sensor b","size":20,"aql":10,"level":"II"}`, has: "is still open"},
	{id: "openLot", path: "/lots", status: 422, headers: []string{sendsJSON}, body: `{"product":"sensor c","size":20,"aql":3,"level":"II"}`, has: "aql is 3 %"},
	{id: "listLots", path: "/lots", status: 200, has: `"decision":"open"`},
	{id: "listLots", path: "/lots?product=none", status: 404, has: "has no ledger"},
	{id: "assignUnit", path: "/lots/sensor%20b/assign", status: 200, headers: []string{sendsJSON}, body: `{"sample":1,"serial":"s1"}`, has: `"do":"test","sample":1`},
	{id: "assignUnit", path: "/lots/sensor%20b/assign", status: 422, headers: []string{sendsJSON}, body: `{"sample":2,"serial":"s1"}`, has: "a unit counts once"},
	{id: "getLot", path: "/lots/sensor%20b/lot/1", status: 200, has: `"serial":"s1"`},
	{id: "getLot", path: "/lots/sensor%20b/lot/2", status: 404},
	{id: "verifyLots", path: "/lots/sensor%20b/verify", status: 200, has: `"whole":true,"entries":4`},
	{id: "verifyLots", path: "/lots/sensor%20b/verify?head=abc", status: 200, has: `"whole":false,"entries":4,"bad_entry":4`},
	{id: "verifyLots", path: "/lots/none/verify", status: 404},

	{id: "putFile", path: "/files/a.star", status: 201, headers: []string{"Content-Type: text/plain"}, body: "x = 1\n"},
	{id: "putFile", path: "/files/a.star", status: 200, headers: []string{"Content-Type: text/plain; charset=UTF-8", "If-Match: {version}"}, body: "x = 2\n"},
	{id: "putFile", path: "/files/a.star", status: 428, headers: []string{"Content-Type: text/plain"}, body: "x = 3\n"},
	{id: "putFile", path: "/files/drip.star", status: 409, headers: []string{"Content-Type: text/plain", "If-Match: *"}, body: "x = 3\n"},
	{id: "putFile", path: "/files/a.star", status: 415, headers: []string{sendsJSON}, body: "x = 3\n"},
	{id: "getFile", path: "/files/a.star", status: 200, has: `"x = 2\n"`},
	{id: "getFile", path: "/files/a.star", status: 304, headers: []string{`If-None-Match: "0", {version}`}},
	{id: "getFile", path: "/files/none", status: 404},
	{id: "getFileText", path: "/files/a.star/text", status: 200, has: "x = 2\n"},
	{id: "getFileText", path: "/files/none/text", status: 404},
	{id: "listFiles", path: "/files", status: 200, has: `"name":"a.star"`},
	{id: "checkFile", path: "/files/a.star/check", status: 200, headers: []string{"Content-Type: text/plain"}, body: "", has: "expected something"},
	{id: "previewFile", path: "/files/a.star/preview", status: 200, has: "detect"},
	{id: "deleteFile", path: "/files/a.star", status: 204, headers: []string{"If-Match: *"}},
	{id: "deleteFile", path: "/files/a.star", status: 404, headers: []string{"If-Match: *"}},

	{id: "listCalibrations", path: "/calibrations", status: 200, has: "expired"},
	{id: "listTrips", path: "/trips?open=true", status: 200, has: "tray wet"},
	{id: "listTrips", path: "/trips?open=yes", status: 400, has: "expected true or false"},
	{id: "clearTrip", path: "/trips/1/clear", status: 204, headers: []string{sendsJSON}, body: `{"note":"dried"}`},
	{id: "clearTrip", path: "/trips/1/clear", status: 409, headers: []string{sendsJSON}, body: `{"note":"dried"}`, has: "local cleared it"},
	{id: "clearTrip", path: "/trips/9/clear", status: 404, headers: []string{sendsJSON}, body: `{"note":"dried"}`},

	{id: "openapi", path: "/openapi.json", status: 200, has: `"openapi":"3.1.0"`},
	{id: "explainProblem", path: "/problems/changed", status: 200, has: `"status":412`},
	{id: "explainProblem", path: "/problems/none", status: 404},
	{id: "whoAmI", path: "/me", status: 200, has: `{"name":"local","role":"engineer"}`},
}

var _ Daemon = (*daemon.Daemon)(nil)

// play asks in order, and holds each answer against the document. It returns
// the operations that were asked with success.
func (s *served) play(t *testing.T, list []request) map[string]bool {
	t.Helper()
	byID := map[string]operation{}
	for _, o := range operations() {
		byID[o.id] = o
	}
	version, good := "", map[string]bool{}
	for _, q := range list {
		o := byID[q.id]
		var headers []string
		for _, h := range q.headers {
			headers = append(headers, strings.ReplaceAll(h, "{version}", version))
		}
		resp, b := s.ask(t, o.method, Root+q.path, q.body, headers...)
		if v := resp.Header.Get("ETag"); v != "" {
			version = v
		}
		name := o.method + " " + q.path
		if resp.StatusCode != q.status {
			t.Errorf("%s: status %d; expected %d\n%.400s", name, resp.StatusCode, q.status, b)
		}
		if !strings.Contains(string(b), q.has) {
			t.Errorf("%s: %.800s\nlacks %s", name, b, q.has)
		}
		good[q.id] = good[q.id] || resp.StatusCode == o.status
		t.Run(name, func(t *testing.T) { s.check(t, o, resp, b) })
	}
	return good
}

// TestOperations asks for every operation, and holds each answer against the
// document.
func TestOperations(t *testing.T) {
	s := local(t)
	good := s.play(t, asked)
	for _, o := range operations() {
		if !good[o.id] {
			t.Errorf("%s: never asked for with success", o.id)
		}
	}
	if got := strings.Join(s.daemon.did, ", "); got != "local stop, local pause, local resume" {
		t.Errorf("the daemon was told: %s", got)
	}
}

// TestNoSuchOperation holds wrong methods and paths.
func TestNoSuchOperation(t *testing.T) {
	s := local(t)
	for _, q := range []struct {
		method, path, allow string
		status              int
	}{
		{"PUT", "/jobs", "GET, HEAD, POST", 405},
		{"GET", "/stop", "POST", 405},
		{"PATCH", "/nights/week", "DELETE, GET, HEAD, PUT", 405},
		{"OPTIONS", "/live", "GET, HEAD", 405},
		{"GET", "/lives", "", 404},
		{"POST", "/", "", 404},
	} {
		resp, b := s.ask(t, q.method, Root+q.path, "")
		if resp.StatusCode != q.status || resp.Header.Get("Allow") != q.allow {
			t.Errorf("%s %s: %d, Allow %q", q.method, q.path, resp.StatusCode, resp.Header.Get("Allow"))
		}
		hold(t, s.at(t, "components", "schemas", "Problem"), b)
	}
	resp, b := s.ask(t, http.MethodHead, Root+"/live", "")
	if resp.StatusCode != http.StatusOK || len(b) > 0 {
		t.Errorf("HEAD: %d, %q", resp.StatusCode, b)
	}
}

type tokenList []access.Token

func (l tokenList) Tokens(context.Context) ([]access.Token, error) { return l, nil }

// TestRoles: each operation is refused below its role, with a problem, and
// whoever may look may stop.
func TestRoles(t *testing.T) {
	var tokens tokenList
	shown := map[access.Role]string{}
	for r := access.Viewer; r <= access.Engineer; r++ {
		token, secret, err := access.Issue(r.String(), r, evening)
		if err != nil {
			t.Fatal(err)
		}
		tokens, shown[r] = append(tokens, token), "Authorization: Bearer "+secret
	}
	s := serve(t, access.Policy{Login: true}, tokens)
	problem := s.at(t, "components", "schemas", "Problem")
	for _, o := range operations() {
		path := strings.NewReplacer("{id}", "1", "{name}", "x", "{kind}", "x").Replace(o.path)
		if resp, b := s.ask(t, o.method, path, ""); resp.StatusCode != http.StatusUnauthorized {
			t.Errorf("%s without token: %d", o.id, resp.StatusCode)
		} else {
			hold(t, problem, b)
		}
		for r := access.Viewer; r <= access.Engineer; r++ {
			resp, b := s.ask(t, o.method, path, "", shown[r])
			if (resp.StatusCode == http.StatusForbidden) != (r < o.role) {
				t.Errorf("%s as %s: %d; it needs %s", o.id, r, resp.StatusCode, o.role)
			}
			if resp.StatusCode == http.StatusForbidden {
				hold(t, problem, b)
			}
		}
		if want := access.ToLook; (o.id == "stop" || o.method == http.MethodGet) && o.role != want {
			t.Errorf("%s needs %s", o.id, o.role)
		}
	}
	if !strings.Contains(strings.Join(s.daemon.did, ","), "viewer stop") {
		t.Errorf("the daemon was not told that the viewer stopped it: %v", s.daemon.did)
	}
	var p Problem
	_, b := s.ask(t, "POST", Root+"/pause", "", shown[access.Viewer])
	if err := json.Unmarshal(b, &p); err != nil || p.Type != Root+"/problems/forbidden" || p.Detail == "" {
		t.Errorf("%+v, %v", p, err)
	}
}
