package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"drench/results/store"
	"drench/results/verdict"
	"drench/rig/daemon"

	"go.yaml.in/yaml/v3"
)

// serving is the real program, serving.
type serving struct {
	cmd  *exec.Cmd
	url  string
	data string
	log  *bytes.Buffer
	done chan struct{}
}

// startServing starts the daemon on a port of its own and waits until it
// answers.
func startServing(t *testing.T, data string, env []string, args ...string) *serving {
	t.Helper()
	s := &serving{data: data, log: &bytes.Buffer{}, done: make(chan struct{})}
	s.cmd = exec.Command(drench(t), append([]string{"serve", "--listen", "localhost:0"}, args...)...)
	s.cmd.Env = append(append(os.Environ(), "DRENCH_DATA="+data, "DRENCH_RIG=", "XDG_CONFIG_HOME="+t.TempDir(), "NOTIFY_SOCKET="), env...)
	stderr, err := s.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = s.cmd.Process.Kill()
		<-s.done
		if t.Failed() {
			t.Logf("log:\n%s", s.log)
		}
	})
	at := make(chan string, 1)
	go func() {
		defer close(s.done)
		defer close(at)
		lines := bufio.NewScanner(stderr)
		for lines.Scan() {
			fmt.Fprintln(s.log, lines.Text())
			if m := regexp.MustCompile(`drench serves.* at=(\S+)`).FindStringSubmatch(lines.Text()); m != nil {
				at <- m[1]
			}
		}
		_ = s.cmd.Wait() // its status is read from ProcessState
	}()
	addr, ok := <-at
	if !ok {
		<-s.done
		t.Fatalf("it did not begin to serve:\n%s", s.log)
	}
	s.url = "http://" + addr
	return s
}

// ask sends a request, with a body as JSON if it is not "", and returns the
// answer, which must be good.
func (s *serving) ask(t *testing.T, method, path, body string) []byte {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, s.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	answer, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode >= 300 {
		t.Fatalf("%s %s: %s %v\n%s", method, path, answer.Status, err, b)
	}
	return b
}

func (s *serving) job(t *testing.T, id int64) (j daemon.Job) {
	t.Helper()
	if err := json.Unmarshal(s.ask(t, "GET", fmt.Sprintf("/api/v1/jobs/%d", id), ""), &j); err != nil {
		t.Fatal(err)
	}
	return j
}

// awaitState waits for a job to be in one of some states.
func (s *serving) awaitState(t *testing.T, id int64, states ...daemon.State) daemon.Job {
	t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		j := s.job(t, id)
		for _, state := range states {
			if j.State == state {
				return j
			}
		}
	}
	t.Fatalf("job %d is never %v", id, states)
	return daemon.Job{}
}

// end sends a signal and returns the exit status.
func (s *serving) end(t *testing.T, sig os.Signal) int {
	t.Helper()
	if err := s.cmd.Process.Signal(sig); err != nil {
		t.Fatal(err)
	}
	select {
	case <-s.done:
	case <-time.After(20 * time.Second):
		t.Fatal("it does not end")
	}
	return s.cmd.ProcessState.ExitCode()
}

// endless is a scenario that takes long on the virtual bench.
const endless = `
about = "Longer than any test."
trials = {"dry": 1000}
budget = "9000 h"

def run():
    power()
    for i in range(count("dry")):
        quiet("8 h")
`

// putEndless keeps the scenario with limits for it.
func (s *serving) putEndless(t *testing.T) {
	t.Helper()
	for name, text := range map[string]string{"endless.star": endless, "endless.limits": "false alarms <= 0\n"} {
		req, err := http.NewRequestWithContext(t.Context(), "PUT", s.url+"/api/v1/files/"+name, strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "text/plain")
		answer, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := io.ReadAll(answer.Body)
		answer.Body.Close()
		if answer.StatusCode >= 300 {
			t.Fatalf("keep %s: %s\n%s", name, answer.Status, b)
		}
	}
}

// awaitRun waits until a job's run is in the store.
func (s *serving) awaitRun(t *testing.T, id int64) {
	t.Helper()
	for s.awaitState(t, id, daemon.Running).Run == 0 {
	}
}

// TestServe: a queue is run, trips latch, a stop stops, SIGTERM ends it well,
// and there is one daemon a bench.
func TestServe(t *testing.T) {
	s := startServing(t, t.TempDir(), nil)
	s.putEndless(t)
	s.ask(t, "POST", "/api/v1/jobs", `{"requests": [
		{"scenario": "drip", "seed": 7, "tags": ["firmware=1.4"], "settings": {"sampling.period": "1 s"}},
		{"scenario": "drip", "fault": "estop_pressed"}, {"scenario": "endless"}, {"scenario": "endless"}]}`)
	if j := s.awaitState(t, 1, daemon.Finished); j.Verdict != verdict.Pass || j.Run != 1 {
		t.Errorf("first %+v", j)
	}
	if j := s.awaitState(t, 2, daemon.Finished); j.Verdict != verdict.Error || !strings.Contains(j.Reason, "emergency stop") {
		t.Errorf("second %+v", j)
	}
	out, stderr, status := call(t, s.data, s.cmd.Path, "serve", "--listen", "localhost:0")
	if status != 4 || !strings.Contains(stderr, "bench virtual is in use by process") {
		t.Errorf("a second daemon: status %d, %s%s", status, out, stderr)
	}
	if j := s.job(t, 3); j.State != daemon.Queued {
		t.Errorf("after the trip: %+v", j)
	}
	s.ask(t, "POST", "/api/v1/trips/1/clear", `{"note": "released it"}`)
	s.awaitRun(t, 3)
	s.ask(t, "POST", "/api/v1/stop", "")
	if j := s.awaitState(t, 3, daemon.Finished); j.Verdict != verdict.Error || !strings.Contains(j.Reason, "stopped by local") {
		t.Errorf("stopped: %+v", j)
	}
	s.awaitRun(t, 4)
	if status := s.end(t, syscall.SIGTERM); status != 0 {
		t.Errorf("it ended with status %d", status)
	}
	wantKept(t, s.data, []verdict.Verdict{verdict.Pass, verdict.Error, verdict.Error, verdict.Error})
}

// wantKept checks the runs that were kept and that the last job was
// interrupted.
func wantKept(t *testing.T, data string, want []verdict.Verdict) {
	t.Helper()
	st, err := store.Open(t.Context(), filepath.Join(data, "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	for i, v := range want {
		r, err := st.Get(t.Context(), int64(i+1))
		if err != nil || r.Verdict != v || r.State != store.Done {
			t.Errorf("run %d: %v %s %q, %v; want %v", i+1, r.Verdict, r.State, r.Reason, err, v)
		}
	}
	j, err := st.Job(t.Context(), int64(len(want)))
	if err != nil || j.State != store.JobInterrupted || j.Verdict != verdict.Error {
		t.Errorf("the last job: %+v, %v", j, err)
	}
}

// TestServeKilled: what a kill cuts short is interrupted, its run closed, and
// the next start goes on with the rest.
func TestServeKilled(t *testing.T) {
	data := t.TempDir()
	s := startServing(t, data, nil)
	s.putEndless(t)
	s.ask(t, "POST", "/api/v1/jobs", `{"requests": [{"scenario": "endless"}, {"scenario": "drip", "trials": 4}]}`)
	s.awaitRun(t, 1)
	s.end(t, syscall.SIGKILL)
	again := startServing(t, data, nil)
	if j := again.awaitState(t, 2, daemon.Finished); j.Verdict != verdict.Inconc {
		t.Errorf("the rest: %+v", j)
	}
	if j := again.job(t, 1); j.State != daemon.Interrupted || j.Verdict != verdict.Error {
		t.Errorf("cut short: %+v", j)
	}
	var run struct {
		Verdict verdict.Verdict
		Reason  string
	}
	if err := json.Unmarshal(again.ask(t, "GET", "/api/v1/runs/1", ""), &run); err != nil || run.Verdict != verdict.Error || !strings.HasPrefix(run.Reason, "interrupted") {
		t.Errorf("its run: %+v, %v", run, err)
	}
}

// TestServeNotifies: systemd hears that the daemon is ready, how it is, that
// the supervisor lives, and that it stops.
func TestServeNotifies(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	s := startServing(t, t.TempDir(), []string{"NOTIFY_SOCKET=" + path, "WATCHDOG_USEC=4000000"})
	hear := func(want string) {
		t.Helper()
		b := make([]byte, 1000)
		for {
			if err := l.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
				t.Fatal(err)
			}
			n, err := l.Read(b)
			if err != nil {
				t.Fatalf("%s was never said: %v", want, err)
			}
			if strings.HasPrefix(string(b[:n]), want) {
				return
			}
		}
	}
	for _, want := range []string{"READY=1", "STATUS=idle", "WATCHDOG=1"} {
		hear(want)
	}
	s.ask(t, "POST", "/api/v1/pause", "")
	hear("STATUS=paused")
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	hear("STOPPING=1")
	<-s.done
}

// TestWatchdogStarves: without passes of the supervisor the watchdog is not
// fed.
func TestWatchdogStarves(t *testing.T) {
	d, err := daemon.New(daemon.Options{Bench: "lab", Runner: &served{}, Workshop: &served{}, Ledger: &store.Store{}})
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	now := time.Now()
	n := &notifier{d: d, limit: 30 * time.Second, now: func() time.Time { return now }, send: func(s string) error {
		said = append(said, s)
		return nil
	}}
	n.tell()
	if strings.Contains(strings.Join(said, " "), "WATCHDOG") {
		t.Errorf("before the first pass it said %q", said)
	}
}

// TestServeRefuses: what can't be is said at once, with its mend.
func TestServeRefuses(t *testing.T) {
	bin := drench(t)
	for want, args := range map[string][]string{
		"nobody has a token":       {"--listen", "0.0.0.0:0"},
		"--cert and --key":         {"--cert", "x"},
		"--keep-days":              {"--keep-days", "-1"},
		"expected HOST:PORT":       {"--listen", "nowhere"},
		"no such file":             {"--rig", "absent.yaml"},
		"read certificate and key": {"--cert", "absent", "--key", "absent"},
	} {
		_, stderr, status := call(t, t.TempDir(), append([]string{bin, "serve"}, args...)...)
		if status != wrongUse || !strings.Contains(stderr, want) {
			t.Errorf("%v: status %d, %s", args, status, stderr)
		}
	}
}

// TestTokens: a token is shown once, lets its owner in elsewhere, and is worth
// nothing once it is revoked.
func TestTokens(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	secret, stderr, status := call(t, data, bin, "serve", "token", "add", "ada", "--role", "operator")
	if status != 0 || len(strings.TrimSpace(secret)) < 40 {
		t.Fatalf("status %d, %s%s", status, secret, stderr)
	}
	s := startServing(t, data, nil, "--login")
	get := func(token string) int {
		req, err := http.NewRequestWithContext(t.Context(), "GET", s.url+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		answer, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return answer.StatusCode
	}
	if a, b := get(""), get(strings.TrimSpace(secret)); a != 401 || b != 200 {
		t.Errorf("without %d, with %d", a, b)
	}
	if out, _, status := call(t, data, bin, "serve", "token", "list"); status != 0 || !strings.HasPrefix(out, "ada  operator") || strings.Contains(out, strings.TrimSpace(secret)) {
		t.Errorf("list: %d %s", status, out)
	}
	if _, stderr, status := call(t, data, bin, "serve", "token", "revoke", "ada"); status != 0 {
		t.Error(stderr)
	}
	if got := get(strings.TrimSpace(secret)); got != 401 {
		t.Errorf("revoked: %d", got)
	}
}

// TestSafe: the command makes a bench safe that nobody has, and leaves one
// that a daemon has to that.
func TestSafe(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	if out, stderr, status := call(t, data, bin, "safe"); status != 0 || out != "bench virtual: all outputs are safe\n" {
		t.Errorf("status %d: %s%s", status, out, stderr)
	}
	s := startServing(t, data, nil)
	if _, stderr, status := call(t, data, bin, "safe"); status != 4 || !strings.Contains(stderr, "in use by process") {
		t.Errorf("beside a daemon: status %d, %s", status, stderr)
	}
	s.end(t, syscall.SIGTERM)
}

// page is a documentation page.
func page(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile("../../docs/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// has skips the test if a program is missing, or fails it if none may be.
func has(t *testing.T, program string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if os.Getenv("DRENCH_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
}

// typedCommands are the commands of a page's section, as they stand.
func typedCommands(t *testing.T, text, section string) string {
	t.Helper()
	_, text, ok := strings.Cut(text, "\n## "+section+"\n")
	if !ok {
		t.Fatalf("there is no section %q", section)
	}
	text, _, _ = strings.Cut(text, "\n## ")
	text, _, _ = strings.Cut(text, "\n```") // what follows is no command
	var script strings.Builder
	for line := range strings.Lines(text) {
		if typed, ok := strings.CutPrefix(line, "    "); ok {
			script.WriteString(typed)
		}
	}
	return script.String()
}

// TestNightlyDocs types what docs/nightly.md says, on the virtual bench.
func TestNightlyDocs(t *testing.T) {
	has(t, "curl")
	text := page(t, "nightly.md")
	data := t.TempDir()
	s := startServing(t, data, nil)
	work := t.TempDir()
	sh := func(script string) string {
		t.Helper()
		script = strings.ReplaceAll(script, "localhost:8480", strings.TrimPrefix(s.url, "http://"))
		cmd := exec.CommandContext(t.Context(), "sh", "-euc", script)
		cmd.Dir = work
		cmd.Env = append(os.Environ(), "DRENCH_DATA="+data, "DRENCH_RIG=", "PATH="+filepath.Dir(s.cmd.Path)+":"+os.Getenv("PATH"))
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%s\n%v\n%s", script, err, out)
		}
		return string(out)
	}
	link := filepath.Join(filepath.Dir(s.cmd.Path), "drench")
	if err := os.Symlink(s.cmd.Path, link); err != nil && !errors.Is(err, os.ErrExist) {
		t.Fatal(err)
	}
	if out := sh(typedCommands(t, text, "Who may come in")); !strings.Contains(out, "ada  engineer") {
		t.Errorf("tokens: %s", out)
	}
	sh(typedCommands(t, text, "A night"))
	for id := range int64(4) {
		if j := s.awaitState(t, id+1, daemon.Finished); j.Verdict == verdict.Error || j.Night != 1 {
			t.Errorf("job %d: %+v", id+1, j)
		}
	}
	if out := sh(typedCommands(t, text, "Find its runs")); strings.Count(out, "  conductive-2s  ") != 6 {
		t.Errorf("runs found: %s", out)
	}
	metrics := sh(typedCommands(t, text, "Monitoring"))
	wantAlerts(t, text, metrics)
	var night daemon.NightRun
	if err := json.Unmarshal(s.ask(t, "GET", "/api/v1/night-runs/1", ""), &night); err != nil || night.Ended.IsZero() || night.Verdict != verdict.Inconc {
		t.Errorf("the night: %+v, %v", night, err)
	}
}

// wantAlerts holds the page's alerts and its table against the metrics that
// there are.
func wantAlerts(t *testing.T, text, metrics string) {
	t.Helper()
	_, rules, _ := strings.Cut(text, "```yaml\n")
	rules, _, ok := strings.Cut(rules, "```")
	if !ok {
		t.Fatal("the page has no alerts")
	}
	var f struct {
		Groups []struct {
			Rules []struct {
				Alert, Expr, For string
				Annotations      map[string]string
			}
		}
	}
	if err := yaml.Unmarshal([]byte(rules), &f); err != nil || len(f.Groups) != 1 || len(f.Groups[0].Rules) < 5 {
		t.Fatalf("alerts %+v, %v", f, err)
	}
	name := regexp.MustCompile(`drench_[a-z_]+`)
	is := func(metric string) bool {
		return regexp.MustCompile(`(?m)^` + metric + `(_bucket)?[ {]`).MatchString(metrics)
	}
	for _, r := range f.Groups[0].Rules {
		for _, metric := range name.FindAllString(r.Expr, -1) {
			if !is(metric) {
				t.Errorf("alert %s: there is no metric %s", r.Alert, metric)
			}
		}
		if r.Annotations["summary"] == "" {
			t.Errorf("alert %s says nothing", r.Alert)
		}
	}
	listed := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `drench_.*").FindAllString(text, -1) {
		for _, metric := range name.FindAllString(m, -1) {
			listed[metric] = true
			if !is(metric) {
				t.Errorf("the page lists %s, which there is not", metric)
			}
		}
	}
	for _, m := range regexp.MustCompile(`(?m)^# TYPE (\S+)`).FindAllStringSubmatch(metrics, -1) {
		if !listed[m[1]] {
			t.Errorf("the page does not list %s", m[1])
		}
	}
}

// TestUnit has systemd look at the unit: it must be right, and leave little
// open.
func TestUnit(t *testing.T) {
	has(t, "systemd-analyze")
	unit := page(t, "systemd/drench.service")
	path := filepath.Join(t.TempDir(), "drench.service")
	if err := os.WriteFile(path, []byte(strings.ReplaceAll(unit, "/usr/local/bin/drench", drench(t))), 0o644); err != nil {
		t.Fatal(err)
	}
	ctx, done := context.WithTimeout(t.Context(), time.Minute)
	defer done()
	if out, err := exec.CommandContext(ctx, "systemd-analyze", "verify", "--man=no", path).CombinedOutput(); err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("verify: %v\n%s", err, out)
	}
	if out, err := exec.CommandContext(ctx, "systemd-analyze", "security", "--offline=true", "--threshold=20", "--no-pager", path).CombinedOutput(); err != nil {
		t.Errorf("security: %v\n%s", err, out)
	}
	for _, m := range regexp.MustCompile(`(?m)^Exec\w+=\S+ (.*)$`).FindAllStringSubmatch(unit, -1) {
		cmd, rest, err := newRoot().Find(strings.Fields(m[1]))
		if err == nil {
			err = cmd.ParseFlags(rest)
		}
		if err != nil {
			t.Errorf("%s: %v", m[0], err)
		}
	}
}
