package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"drench/results/verdict"
)

// told is what became of notices, and how long was waited between attempts.
type told struct {
	results []string
	waits   []time.Duration
	log     logged
}

func testHooks(folder string) (*hooks, *told) {
	s := &told{}
	h := newHooks(folder, slog.New(slog.NewTextHandler(&s.log, nil)), func(r string) { s.results = append(s.results, r) })
	h.wait = func(_ context.Context, d time.Duration) { s.waits = append(s.waits, d) }
	return h, s
}

// TestWebhook: what another attempt can mend is tried again, three times, and
// nothing else is.
func TestWebhook(t *testing.T) {
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("it was sent elsewhere") }))
	defer elsewhere.Close()
	for _, c := range []struct {
		name     string
		answer   http.HandlerFunc
		attempts int
		result   string
	}{
		{"taken", func(http.ResponseWriter, *http.Request) {}, 1, "told"},
		{"refused", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(403) }, 1, "failed"},
		{"broken", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(503) }, 4, "failed"},
		{"busy", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(429) }, 4, "failed"},
		{"sent elsewhere", func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, elsewhere.URL, http.StatusTemporaryRedirect)
		}, 4, "failed"},
		{"sent on here", func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/" {
				http.Redirect(w, r, "/there", http.StatusTemporaryRedirect)
			}
		}, 2, "told"},
		{"hung up", func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }, 4, "failed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var count atomic.Int32 // of attempts
			srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				count.Add(1)
				c.answer(w, r)
			}))
			defer srv.Close()
			h, s := testHooks("")
			h.deliver(t.Context(), errand{Hook{URL: srv.URL + "/?key=secret"}, []byte("{}")})
			attempts := int(count.Load())
			if attempts != c.attempts || !reflect.DeepEqual(s.results, []string{c.result}) {
				t.Errorf("%d attempts, %v", attempts, s.results)
			}
			if attempts == 4 && !reflect.DeepEqual(s.waits, backOff) {
				t.Errorf("waited %v", s.waits)
			}
			if strings.Contains(s.log.String(), "secret") {
				t.Errorf("the log has the address's query: %s", &s.log)
			}
		})
	}
}

// TestSlowHook: a bounded number waits, the rest is dropped, and whoever puts
// them does not wait.
func TestSlowHook(t *testing.T) {
	h, s := testHooks("")
	for range mostNotices + 3 {
		h.put(Hook{URL: "http://[::1]:1/"}, notice{Verdict: verdict.Fail})
	}
	if want := []string{"dropped", "dropped", "dropped"}; !reflect.DeepEqual(s.results, want) {
		t.Errorf("got %v", s.results)
	}
	h.put(Hook{URL: "http://[::1]:1/", On: []verdict.Verdict{verdict.Error}}, notice{Verdict: verdict.Fail}) // not asked for
	if len(s.results) != 3 {
		t.Errorf("got %v", s.results)
	}
}

func script(t *testing.T, folder, name, text string, mode os.FileMode) {
	t.Helper()
	path := filepath.Join(folder, name)
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"+text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, mode); err != nil {
		t.Fatal(err)
	}
}

// TestCommand: a program of the folder gets the notice on its standard input
// and nothing of the daemon's environment.
func TestCommand(t *testing.T) {
	t.Setenv("DRENCH_SECRET", "not for hooks")
	folder := t.TempDir()
	script(t, folder, "tell", `cat > got; env > env; echo "$#" > args`, 0o755)
	script(t, folder, "fails", `echo no such mailbox >&2; exit 3`, 0o755)
	h, s := testHooks(folder)
	h.deliver(t.Context(), errand{Hook{Command: "tell"}, []byte(`{"event":"run; rm -rf"}`)})
	h.deliver(t.Context(), errand{Hook{Command: "fails"}, []byte(`{}`)})
	if want := []string{"told", "failed"}; !reflect.DeepEqual(s.results, want) {
		t.Fatalf("%v\n%s", s.results, &s.log)
	}
	for name, want := range map[string]string{"got": `{"event":"run; rm -rf"}`, "args": "0\n"} {
		if b, err := os.ReadFile(filepath.Join(folder, name)); err != nil || string(b) != want {
			t.Errorf("%s: %q, %v", name, b, err)
		}
	}
	if b, err := os.ReadFile(filepath.Join(folder, "env")); err != nil || strings.Contains(string(b), "SECRET") {
		t.Errorf("environment %s, %v", b, err)
	}
	if !strings.Contains(s.log.String(), "no such mailbox") {
		t.Errorf("log %s", &s.log)
	}
}

// TestAllowed: only programs that stand in the folder, and that nobody else
// can write, are commands.
func TestAllowed(t *testing.T) {
	folder := t.TempDir()
	script(t, folder, "good", "", 0o755)
	script(t, folder, "plain", "", 0o644)
	script(t, folder, "open", "", 0o777)
	if err := os.Symlink("/bin/sh", filepath.Join(folder, "link")); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(folder, "folder"), 0o755); err != nil {
		t.Fatal(err)
	}
	h, _ := testHooks(folder)
	if err := h.check(Hook{Command: "good"}); err != nil {
		t.Error(err)
	}
	for _, name := range []string{"plain", "open", "link", "folder", "absent", "../good", "/bin/sh", "good arg", ".", "..", "good\n"} {
		if err := h.check(Hook{Command: name}); err == nil {
			t.Errorf("%q is allowed", name)
		}
	}
	none, _ := testHooks("")
	if err := none.check(Hook{Command: "good"}); err == nil {
		t.Error("without a folder a command is allowed")
	}
	for _, url := range []string{"http://127.0.0.1:9/x", "https://lab.example/hook?key=1", "http://[fd00::1]/"} {
		if err := none.check(Hook{URL: url}); err != nil {
			t.Errorf("%s: %v", url, err)
		}
	}
	for _, url := range []string{"ftp://lab/", "file:///etc/passwd", "//lab/", "lab", "http://", "https://ada:pw@lab/", "http://lab/#x", "http://lab/\x00"} {
		if err := none.check(Hook{URL: url}); err == nil {
			t.Errorf("%q is allowed", url)
		}
	}
	if err := none.check(Hook{URL: "http://lab/", Command: "good"}); err == nil {
		t.Error("both are allowed")
	}
}

// TestLongOutput: what a command prints is kept to a beginning.
func TestLongOutput(t *testing.T) {
	var h head
	for range 100 {
		if n, err := fmt.Fprint(&h, strings.Repeat("x", 1000)); n != 1000 || err != nil {
			t.Fatal(n, err)
		}
	}
	if h.Len() != mostAnswer {
		t.Errorf("kept %d", h.Len())
	}
}
