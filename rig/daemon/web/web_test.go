package web

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"drench/results/store"
	"drench/rig"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// stored opens a copy of a store with three runs that drench made: drip twice
// and brownout with lost settings.
func stored(t *testing.T) *store.Store {
	t.Helper()
	b, err := os.ReadFile("../../../results/store/testdata/v2.db")
	must(t, err)
	file := filepath.Join(t.TempDir(), "drench.db")
	must(t, os.WriteFile(file, b, 0o600))
	st, err := store.Open(context.Background(), file)
	must(t, err)
	t.Cleanup(func() { must(t, st.Close()) })
	return st
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// rig for tests: the pages behind a gate on loopback, with a token for each
// role.
type served struct {
	*memory
	http.Handler
	tokens map[access.Role]string
}

func serve(t *testing.T, login bool) *served {
	t.Helper()
	clock := func() time.Time { return time.Date(2026, 3, 9, 12, 0, 0, 0, time.UTC) }
	s := &served{memory: newMemory(stored(t), clock), tokens: map[access.Role]string{}}
	tokens := access.NewFile(filepath.Join(t.TempDir(), "tokens.json"))
	for r := access.Viewer; r <= access.Engineer; r++ {
		tok, secret, err := access.Issue("a-"+r.String(), r, clock())
		must(t, err)
		must(t, tokens.Add(t.Context(), tok))
		s.tokens[r] = secret
	}
	quiet := slog.New(slog.DiscardHandler)
	gate, err := access.New(access.Options{Policy: access.Policy{Login: login}, Tokens: tokens, Open: Open(), Login: LoginPath, Refuse: Refuse, Now: clock, Log: quiet})
	must(t, err)
	pages, err := New(Options{Bench: s.memory, Runs: s.st, Lots: s.st, Door: gate, Now: clock, Log: quiet})
	must(t, err)
	s.Handler = gate.Middleware(pages)
	return s
}

// answer is what a request got.
type answer struct {
	*http.Response
	text string
}

func (s *served) ask(method, path string, form url.Values, as access.Role) answer {
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r := httptest.NewRequest(method, "http://localhost:8480"+path, body)
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if as != access.Nobody {
		r.Header.Set("Authorization", "Bearer "+s.tokens[as])
	}
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return answer{w.Result(), w.Body.String()}
}

func (s *served) get(path string) answer { return s.ask("GET", path, nil, access.Nobody) }
func (s *served) post(path string, form url.Values) answer {
	if form == nil {
		form = url.Values{}
	}
	return s.ask("POST", path, form, access.Nobody)
}

func (a answer) want(t *testing.T, status int, parts ...string) {
	t.Helper()
	if a.StatusCode != status {
		t.Fatalf("status %d; want %d: %s", a.StatusCode, status, a.text)
	}
	for _, p := range parts {
		if !strings.Contains(a.text, p) {
			t.Errorf("%q is not in the answer: %s", p, a.text)
		}
	}
}

// fill gives a daemon something of everything to show.
func fill(t *testing.T, s *served) {
	t.Helper()
	ctx := t.Context()
	must(t, s.PutNight(ctx, "ada", daemon.Night{Name: "nightly", Cron: "30 22 * * 1-5", Zone: "Europe/Berlin", Scenarios: []string{"drip", "brownout"}}))
	runs, err := s.st.Runs(ctx, store.Filter{})
	must(t, err)
	slices.Reverse(runs)
	s.ran("nightly", runs[0], runs[1])
	s.ran("nightly", runs[2])
	_, err = s.Enqueue(ctx, "ada", daemon.Request{Scenario: "drip", DUT: "s1"}, daemon.Request{Scenario: "spray"})
	must(t, err)
	withLot(t, s)
	s.records = []daemon.Calibration{
		{What: "pump_drip", By: "ada", At: s.now().AddDate(-1, 0, 0), Expires: s.now().AddDate(0, 0, 10), State: rig.Valid},
		{What: "timing", By: "ada", At: s.now().AddDate(-2, 0, 0), Expires: s.now().AddDate(0, 0, -3), State: rig.Expired},
		{What: "supply", By: "ada", At: s.now(), Expires: s.now().AddDate(1, 0, 0), State: rig.Valid},
	}
}

// pagesToLookAt are all pages, with something that each must say.
var pagesToLookAt = []struct{ path, says string }{
	{"/", "Put it into the queue"},
	{"/runs", "conductive-2s"},
	{"/runs?verdict=fail", "brownout"},
	{"/runs/2", "settings lost"},
	{"/nights", "at 22:30 on Monday to Friday"},
	{"/nights/new", "The next three times"},
	{"/nights/of/nightly", "What came of it"},
	{"/nights/of/nightly/edit", "Europe/Berlin"},
	{"/nights/of/nightly/trends", "Table of the nights"},
	{"/nights/run/1", "as the profile has it"},
	{"/nights/run/2", "Against the baseline"},
	{"/files", "loose.limits"},
	{"/files/new", "A new file"},
	{"/files/of/drip.star", "It comes with drench"},
	{"/files/of/loose.limits", "Keep it"},
	{"/files/of/drip.star/preview", `href="/files/of/drip.star"`},
	{"/lots", "sensor b"},
	{"/lots/new", "Show the plan"},
	{"/lots/of/sensor%20b/L1", "Void an entry"},
	{"/lots/line/sensor%20b", "Take unit"},
	{"/calibrations", "due in 10 days"},
	{"/compare", "to choose from"},
	{"/compare?base=1&amp;now=3", "is now"},
}

func TestPages(t *testing.T) {
	s := serve(t, false)
	fill(t, s)
	for _, p := range pagesToLookAt {
		a := s.get(strings.ReplaceAll(p.path, "&amp;", "&"))
		if a.StatusCode != 200 || !strings.Contains(a.text, p.says) {
			t.Errorf("%s: status %d, and %q in it: %v", p.path, a.StatusCode, p.says, strings.Contains(a.text, p.says))
		}
		for _, always := range []string{`action="/stop"`, `<main id="content"`, `href="#content"`, `<h1`, `lang="en"`} {
			if !strings.Contains(a.text, always) {
				t.Errorf("%s lacks %s", p.path, always)
			}
		}
		for _, never := range []string{" style=", "<script>", " onclick=", "javascript:"} {
			if strings.Contains(a.text, never) {
				t.Errorf("%s holds %q, which the policy forbids", p.path, never)
			}
		}
	}
}

func TestRolesSeeWhatTheyMayDo(t *testing.T) {
	s := serve(t, true)
	fill(t, s)
	for _, c := range []struct {
		path, form string
		needs      access.Role
	}{
		{"/", `action="/stop"`, access.Viewer},
		{"/", `action="/queue"`, access.Operator},
		{"/", `action="/pause"`, access.Operator},
		{"/runs/2", `/tags"`, access.Operator},
		{"/runs/2", `/rejudge"`, access.Operator},
		{"/nights", `href="/nights/new"`, access.Engineer},
		{"/nights/of/nightly", `/start"`, access.Operator},
		{"/nights/of/nightly", `/delete"`, access.Engineer},
		{"/files/of/loose.limits", `action="/files"`, access.Engineer},
	} {
		for r := access.Viewer; r <= access.Engineer; r++ {
			a := s.ask("GET", c.path, nil, r)
			if has := strings.Contains(a.text, c.form); a.StatusCode != 200 || has != (r >= c.needs) {
				t.Errorf("%s for a %v: status %d, %s there: %v; want it from %v on", c.path, r, a.StatusCode, c.form, has, c.needs)
			}
		}
	}
}

// Every route refuses whoever has too low a role, whatever the forms show.
func TestRoutesRefuse(t *testing.T) {
	s := serve(t, true)
	fill(t, s)
	for _, rt := range (&site{}).routes() {
		method, path, _ := strings.Cut(rt.pattern, " ")
		path = strings.NewReplacer("{$}", "", "{id}", "1", "{name}", "nightly", "{file}", "trials.csv").Replace(path)
		if got := s.ask(method, path, nil, access.Nobody); got.StatusCode != 401 {
			t.Errorf("%s for nobody: status %d; want 401", rt.pattern, got.StatusCode)
		}
		for r := access.Viewer; r < rt.needs; r++ {
			if got := s.ask(method, path, nil, r); got.StatusCode != 403 {
				t.Errorf("%s for a %v: status %d; want 403", rt.pattern, r, got.StatusCode)
			}
		}
	}
	if did := s.did(); len(did) != 2 {
		t.Errorf("refused requests did something: %q", did)
	}
}

func TestActions(t *testing.T) {
	for _, c := range []struct {
		name, path string
		form       url.Values
		status     int
		to         string // where it leads
		did        string // the last that the daemon did
		says       string // in the answer
	}{
		{"stop", "/stop", url.Values{"then": {"/runs?dut=a"}}, 303, "/runs?dut=a&done=stopped", "local: stop", ""},
		{"stop leads nowhere else", "/stop", url.Values{"then": {"//evil.example"}}, 303, "/?done=stopped", "local: stop", ""},
		{"stop twice", "/stop", url.Values{"then": {"/runs?done=stopped"}}, 303, "/runs?done=stopped", "local: stop", ""},
		{"pause", "/pause", nil, 303, "/?done=paused", "local: pause", ""},
		{"resume", "/resume", nil, 303, "/?done=resumed", "local: resume", ""},
		{"enqueue", "/queue", url.Values{"scenario": {"drip"}, "trials": {"3"}, "settings": {"sampling.period = 1 s"}}, 303, "/?done=queued", "local: enqueue", ""},
		{"enqueue what there is not", "/queue", url.Values{"scenario": {"flood"}, "dut": {"s9"}}, 422, "", "", `value="s9"`},
		{"enqueue nonsense", "/queue", url.Values{"trials": {"many"}, "seed": {"-1"}, "settings": {"x"}}, 422, "", "", "4 things are wrong"},
		{"cancel", "/queue/1/cancel", nil, 303, "/?done=cancelled", "local: cancel", ""},
		{"cancel what does not wait", "/queue/99/cancel", nil, 404, "", "", "job 99 does not wait"},
		{"move", "/queue/2/move", url.Values{"place": {"1"}}, 303, "/?done=moved", "local: move", ""},
		{"move nowhere", "/queue/2/move", url.Values{"place": {"0"}}, 422, "", "", "expected a number from 1"},
		{"tag", "/runs/1/tags", url.Values{"tags": {"baseline, firmware=1.4"}}, 303, "/runs/1?done=tagged", "bench: changed", ""},
		{"tag with nothing", "/runs/1/tags", url.Values{"tags": {" , "}}, 422, "", "", "tags: there are none"},
		{"tag what there is not", "/runs/99/tags", url.Values{"tags": {"x"}}, 404, "", "", "no such run"},
		{"rejudge", "/runs/1/rejudge", url.Values{"limits": {"loose.limits"}}, 303, "/runs/1?done=rejudged", "", ""},
		{"rejudge by nothing", "/runs/1/rejudge", url.Values{"limits": {"no.limits"}}, 422, "", "", "no.limits"},
		{"keep a night", "/nights", url.Values{"new": {"1"}, "name": {"weekly"}, "cron": {"@weekly"}, "scenario": {"drip"}, "webhooks": {"https://example.org/x fail"}}, 303, "/nights/of/weekly?done=kept", "local: put night weekly", ""},
		{"keep a night over another", "/nights", url.Values{"new": {"1"}, "name": {"nightly"}, "scenario": {"drip"}}, 422, "", "", "there is a night nightly already"},
		{"keep a night with nonsense", "/nights", url.Values{"new": {"1"}, "name": {"../x"}, "cron": {"99 * * * *"}, "trials": {"0"}, "webhooks": {"ftp://x"}}, 422, "", "", "4 things are wrong"},
		{"keep a night with a bad schedule", "/nights", url.Values{"new": {"1"}, "name": {"x"}, "cron": {"99 * * * *"}, "scenario": {"drip"}}, 422, "", "", "expected minute, hour"},
		{"start a night", "/nights/of/nightly/start", nil, 303, "/nights/run/3?done=started", "local: start night nightly", ""},
		{"delete a night", "/nights/of/nightly/delete", nil, 303, "/nights?done=deleted", "local: delete night nightly", ""},
		{"check a script", "/files/check", url.Values{"name": {"x.star"}, "text": {"def run():\n    pour()\n"}}, 200, "", "", "x.star:2:5"},
		{"check limits", "/files/check", url.Values{"name": {"x.limits"}, "text": {"missed <= 5 %\n"}}, 200, "", "", "nothing is wrong"},
		{"keep a file", "/files", url.Values{"name": {"x.limits"}, "text": {"missed <= 5 %\r\n"}}, 303, "/files/of/x.limits?done=kept", "local: put file x.limits", ""},
		{"keep a file over another", "/files", url.Values{"name": {"loose.limits"}, "text": {"x"}}, 422, "", "", "there is a loose.limits already"},
		{"keep a file that was changed", "/files", url.Values{"name": {"loose.limits"}, "text": {"missed &lt;= 1 %"}, "hash": {"old"}}, 422, "", "", "was changed meanwhile by ada"},
		{"keep a file with a path", "/files", url.Values{"name": {"../x.star"}, "text": {"x"}}, 422, "", "", "expected letters"},
		{"delete a file", "/files/of/loose.limits/delete", nil, 303, "/files?done=deleted", "local: delete file loose.limits", ""},
		{"clear a trip", "/trips/{trip}/clear", url.Values{"note": {"tray was wet, dried it"}}, 303, "/?done=cleared", "", ""},
		{"clear a trip without a note", "/trips/{trip}/clear", url.Values{"note": {" "}}, 422, "", "", "expected what you found"},
		{"clear a trip that there is not", "/trips/99/clear", url.Values{"note": {"x"}}, 404, "", "", "no such trip"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := serve(t, false)
			fill(t, s)
			trip, err := s.st.AddTrip(t.Context(), store.Trip{At: s.now(), Bench: "virtual", Reason: "tray is wet"})
			must(t, err)
			before := len(s.did())
			a := s.post(strings.Replace(c.path, "{trip}", strconv.FormatInt(trip, 10), 1), c.form)
			a.want(t, c.status, c.says)
			if to := a.Header.Get("Location"); to != c.to {
				t.Errorf("leads to %q; want %q", to, c.to)
			}
			did := s.did()[before:]
			if c.status >= 400 && len(did) > 0 && c.name != "tag what there is not" {
				t.Errorf("it was refused, and did %q", did)
			}
			if c.did != "" && (len(did) == 0 || did[len(did)-1] != c.did) {
				t.Errorf("did %q; want %q", did, c.did)
			}
		})
	}
}

func TestKeptFileHasUnixLines(t *testing.T) {
	s := serve(t, false)
	s.post("/files", url.Values{"name": {"x.limits"}, "text": {"missed <= 5 %\r\nlatency p95 < 2 s\r\n"}}).want(t, 303)
	f, err := s.File(t.Context(), "x.limits")
	must(t, err)
	if f.Text != "missed <= 5 %\nlatency p95 < 2 s\n" {
		t.Errorf("kept %q", f.Text)
	}
}

// A form that is refused and sent again as it is shown keeps all that was
// typed.
func TestNightFormRoundTrip(t *testing.T) {
	s := serve(t, false)
	n := daemon.Night{Name: "full", Cron: "0 1 * * *", Zone: "UTC", Scenarios: []string{"drip", "spray"}, Profiles: []string{"a.yaml"},
		Settings: []map[string]string{{"sampling.period": "1 s", "detect.latching": "true"}, {"sampling.period": "2 s"}, nil}, DUT: "s1", Trials: 7,
		Limits: map[string]string{"drip": "loose.limits"}, Tags: []string{"a", "b"}, Baseline: "base", Off: true,
		Hooks: []daemon.Hook{{Command: "/usr/local/bin/tell"}, {URL: "https://example.org/x"}}}
	must(t, s.PutNight(t.Context(), "ada", n))
	f := formOf(n, false)
	form := url.Values{"name": {f.Name}, "cron": {f.Cron}, "zone": {f.Zone}, "dut": {f.DUT}, "trials": {f.Trials}, "limits": {f.Limits}, "settings": {f.Settings},
		"tags": {f.Tags}, "baseline": {f.Baseline}, "webhooks": {f.Webhooks}, "off": {"1"}, "scenario": names(f.Scenarios), "profile": names(f.Profiles)}
	s.post("/nights", form).want(t, 303)
	got, err := s.Night(t.Context(), "full")
	must(t, err)
	slices.Reverse(got.Hooks) // the command comes last
	a, _ := json.Marshal(n)
	b, _ := json.Marshal(got)
	if string(a) != string(b) {
		t.Errorf("kept %s; want %s", b, a)
	}
}

func TestReport(t *testing.T) {
	s := serve(t, false)
	a := s.get("/runs/2/report")
	a.want(t, 200, "<style>")
	policy := a.Header.Get("Content-Security-Policy")
	for _, part := range []string{"default-src 'none'", "sandbox allow-same-origin;", "style-src 'sha256-", "frame-ancestors 'self'"} {
		if !strings.Contains(policy, part) {
			t.Errorf("policy %q lacks %q", policy, part)
		}
	}
	if strings.Contains(policy, "allow-scripts") || strings.Contains(policy, "unsafe") {
		t.Errorf("policy %q lets scripts run", policy)
	}
	r := httptest.NewRequest("GET", "http://localhost/runs/2/report", nil)
	r.Header.Set("If-None-Match", a.Header.Get("ETag"))
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	if w.Code != 304 {
		t.Errorf("asked again: status %d; want 304", w.Code)
	}
}

func TestDownloads(t *testing.T) {
	s := serve(t, false)
	for file, begins := range map[string]string{"report.html": "<!DOCTYPE html>", "trials.csv": "trial,kind", "junit.xml": "<?xml", "timeline.vcd": "$", "run.json": "{"} {
		a := s.get("/runs/2/" + file)
		a.want(t, 200)
		if !strings.HasPrefix(a.text, begins) {
			t.Errorf("%s begins %.40q; want %q", file, a.text, begins)
		}
		if d := a.Header.Get("Content-Disposition"); !strings.Contains(d, "attachment") || !strings.Contains(d, file) {
			t.Errorf("%s: Content-Disposition %q", file, d)
		}
	}
	for _, path := range []string{"/runs/2/passwd", "/runs/0/report", "/runs/x/report", "/runs/2/report?judgement=99", "/runs/99/trials.csv", "/nights/of/..", "/files/of/..%2f..%2fetc", "/no/such/page"} {
		if got := s.get(path); got.StatusCode != 404 && got.StatusCode != 301 && got.StatusCode != 307 {
			t.Errorf("%s: status %d; want 404", path, got.StatusCode)
		}
	}
}

func TestRunFilter(t *testing.T) {
	s := serve(t, false)
	for query, want := range map[string]int{"": 3, "scenario=drip": 2, "verdict=fail": 1, "verdict=pass": 0, "to=2020-01-01": 0, "from=2020-01-01": 3, "from=2099-01-01": 0, "before=2": 1} {
		a := s.get("/runs?" + query)
		a.want(t, 200)
		if got := strings.Count(a.text, `data-name="run"`); got != want {
			t.Errorf("%q lists %d runs; want %d", query, got, want)
		}
	}
	s.get("/runs?from=yesterday&verdict=good").want(t, 422, "expected a day such as", "expected one of the list")
}

// The pages of a list join without gap or overlap, also when most runs are
// left out.
func TestRunsPageByPage(t *testing.T) {
	many := manyRuns(500)
	for _, word := range []string{"", "fail"} {
		var seen []int64
		for before := int64(0); ; {
			sv, _ := runFilter{Verdict: word}.sieve()
			found, err := sv.find(t.Context(), many, before, 20)
			must(t, err)
			page := found[:min(20, len(found))]
			for _, r := range page {
				seen = append(seen, r.ID)
			}
			if len(found) <= 20 {
				break
			}
			before = page[len(page)-1].ID
		}
		want := 500
		if word != "" {
			want = 500/7 + 1
		}
		if len(seen) != want || !slices.IsSortedFunc(seen, func(a, b int64) int { return int(b - a) }) || len(slices.Compact(seen)) != want {
			t.Errorf("verdict %q: %d runs on all pages; want %d, each once", word, len(seen), want)
		}
	}
}

func TestFollow(t *testing.T) {
	s := serve(t, false)
	server := httptest.NewServer(s)
	defer server.Close()
	ctx, cancel := context.WithCancel(t.Context())
	r, err := http.NewRequestWithContext(ctx, "GET", server.URL+"/follow", nil)
	must(t, err)
	got, err := http.DefaultClient.Do(r)
	must(t, err)
	defer got.Body.Close()
	if k := got.Header.Get("Content-Type"); k != "text/event-stream" {
		t.Errorf("Content-Type %q", k)
	}
	lines := bufio.NewScanner(got.Body)
	next := func() (u struct {
		Live  daemon.Live
		Words state
	}) {
		for lines.Scan() {
			if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				must(t, json.Unmarshal([]byte(data), &u))
				return u
			}
		}
		t.Fatal("the stream ended")
		return u
	}
	if u := next(); u.Words.Mark != "idle" || len(u.Live.Channels) != 6 {
		t.Errorf("at first %+v", u)
	}
	s.change(func(l *daemon.Live) {
		l.Job = &daemon.Job{ID: 1, Request: daemon.Request{Scenario: "drip", DUT: "s1"}}
		l.Trial, l.Trials, l.Kind = 3, 60, rig.Wet
	})
	if u := next(); u.Words.Says != "drip on s1, trial 3 of 60 (wet: must detect)" {
		t.Errorf("then %+v", u.Words)
	}
	cancel()
	for range 100 {
		s.mu.Lock()
		left := len(s.watchers)
		s.mu.Unlock()
		if left == 0 {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Error("a browser that has gone is still followed for")
}

func TestLogin(t *testing.T) {
	s := serve(t, true)
	s.get("/login?then=//evil.example").want(t, 200, `name="then" value="/"`)
	s.post("/login", url.Values{"token": {"wrong"}}).want(t, 401, "the token is not known")
	a := s.post("/login", url.Values{"token": {s.tokens[access.Viewer]}, "then": {"/runs"}})
	a.want(t, 303)
	if len(a.Cookies()) != 1 || a.Header.Get("Location") != "/runs" {
		t.Errorf("cookies %v, leads to %q", a.Cookies(), a.Header.Get("Location"))
	}
	s.get("/runs").want(t, 401, "show a token")
}

func TestStandings(t *testing.T) {
	now := time.Date(2026, 3, 9, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		days       int
		state      rig.Standing
		mark, word string
	}{
		{400, rig.Valid, "pass", "valid, due in 400 days"}, {31, rig.Valid, "pass", "valid, due in 31 days"}, {30, rig.Valid, "inconc", "due in 30 days"},
		{1, rig.Valid, "inconc", "due in 1 day"}, {-3, rig.Expired, "fail", "expired 3 days ago"}, {40, rig.Future, "inconc", "dated in the future"},
	} {
		mark, word := standing(daemon.Calibration{Expires: now.AddDate(0, 0, c.days), State: c.state}, now)
		if mark != c.mark || !strings.HasPrefix(word, c.word) {
			t.Errorf("%d days left: %s, %s; want %s, %s", c.days, mark, word, c.mark, c.word)
		}
	}
}

// manyRuns is a store of runs, of which each seventh failed.
type manyRuns int64

func (n manyRuns) Runs(_ context.Context, f store.Filter) ([]store.Run, error) {
	var list []store.Run
	for id := int64(n); id >= 1 && len(list) < f.Limit; id-- {
		if f.Before == 0 || id < f.Before {
			r := store.Run{ID: id, State: store.Done}
			if id%7 == 1 {
				must2(r.Verdict.UnmarshalText([]byte("fail")))
			}
			list = append(list, r)
		}
	}
	return list, nil
}

func must2(err error) {
	if err != nil {
		panic(fmt.Sprint(err))
	}
}

func (manyRuns) Get(context.Context, int64) (store.Run, error)                { return store.Run{}, store.ErrNotFound }
func (manyRuns) Judgements(context.Context, int64) ([]store.Judgement, error) { return nil, nil }
func (manyRuns) Timeline(context.Context, int64) io.ReadCloser                { return http.NoBody }
func (manyRuns) Proofs(context.Context, string) ([]store.Proof, error)        { return nil, nil }
