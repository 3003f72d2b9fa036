package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"drench/results/verdict"
	"drench/rig/timeline"
)

// childStore, in the environment, has this test binary record a run into the
// store that it names until it is killed.
const childStore = "DRENCH_TEST_CHILD_STORE"

func TestMain(m *testing.M) {
	if path := os.Getenv(childStore); path != "" {
		fmt.Fprintln(os.Stderr, recordForever(path))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func recordForever(path string) error {
	s, err := Open(context.Background(), path)
	if err != nil {
		return err
	}
	rec, err := s.Begin(context.Background(), exampleRun())
	if err != nil {
		return err
	}
	w, err := timeline.NewWriter(rec, timeline.Header{}, timeline.Pace{Events: 10, Span: time.Hour})
	if err != nil {
		return err
	}
	for i := 0; ; i++ {
		if err := w.Append(beat(i)); err != nil {
			return err
		}
		fmt.Println(i)
	}
}

// startChild runs a recording child until it has appended so many events.
func startChild(t *testing.T, path string, events int) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childStore+"="+path)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	lines := bufio.NewScanner(out)
	for range events {
		if !lines.Scan() {
			t.Fatal("the recording child ended early")
		}
	}
	// Nobody reads on, so the child soon waits for its pipe: slow it is, not done.
	return cmd
}

func TestKilledWhileRecording(t *testing.T) {
	path := filepath.Join(t.TempDir(), "runs.db")
	earlier, _ := record(t, open(t, path), exampleRun(), 30)
	for _, events := range []int{1, 10, 57, 200} {
		child := startChild(t, path, events)
		s := open(t, path)
		newest := Filter{Limit: 1}
		if runs, err := s.Runs(t.Context(), newest); err != nil || runs[0].State != Running {
			t.Fatalf("a run that another process records was closed: %+v, %v", runs, err)
		}
		if err := child.Process.Kill(); err != nil { // kill -9
			t.Fatal(err)
		}
		_ = child.Wait() // says that it was killed

		s = open(t, path)
		runs, err := s.Runs(t.Context(), newest)
		if err != nil {
			t.Fatal(err)
		}
		r := runs[0]
		if r.State != Done || r.Verdict != verdict.Error || !strings.HasPrefix(r.Reason, "interrupted") || len(r.Sum) != 64 || r.Ended.Before(r.Started) {
			t.Errorf("after the kill: %+v", r)
		}
		// An event is printed after its chunk is kept; the last chunk may be open.
		if n := countBeats(t, s, r.ID); n < events/10*10 {
			t.Errorf("%d of %d events left", n, events)
		}
		wantSound(t, s)
	}
	s := open(t, path)
	if n := countBeats(t, s, earlier); n != 30 {
		t.Errorf("the run before has %d events", n)
	}
}

func wantSound(t *testing.T, s *Store) {
	t.Helper()
	var found string
	if err := s.db.QueryRow(`PRAGMA integrity_check`).Scan(&found); err != nil || found != "ok" {
		t.Errorf("integrity check: %q, %v", found, err)
	}
}

func TestLiveRunInThisProcessStays(t *testing.T) {
	s := fresh(t)
	rec, err := s.Begin(t.Context(), exampleRun())
	if err != nil {
		t.Fatal(err)
	}
	record(t, s, exampleRun(), 1) // the same store
	other := open(t, s.path)      // and another
	record(t, other, exampleRun(), 1)
	if r, err := s.Get(t.Context(), rec.ID()); err != nil || r.State != Running || !r.Ended.IsZero() {
		t.Errorf("live run: %+v, %v", r, err)
	}
	rec.release() // as if its process had died
	record(t, other, exampleRun(), 1)
	if r, err := s.Get(t.Context(), rec.ID()); err != nil || r.Verdict != verdict.Error {
		t.Errorf("dead run: %+v, %v", r, err)
	}
}

func TestDiskFull(t *testing.T) {
	s := fresh(t)
	id, _ := record(t, s, exampleRun(), 30)
	rec, err := s.Begin(t.Context(), exampleRun())
	if err != nil {
		t.Fatal(err)
	}
	defer rec.release()
	// The pragma holds for one connection, so there must be only one.
	s.db.SetMaxOpenConns(1)
	var pages int
	if err := s.db.QueryRow(`PRAGMA page_count`).Scan(&pages); err != nil {
		t.Fatal(err)
	}
	if _, err := s.db.Exec(fmt.Sprintf(`PRAGMA max_page_count=%d`, pages+20)); err != nil {
		t.Fatal(err)
	}
	kept := 0
	for err = nil; err == nil && kept < 100; {
		if err = rec.WriteChunk(make([]byte, 8<<10)); err == nil {
			kept++
		}
	}
	var own *Error
	if !errors.As(err, &own) || !strings.Contains(err.Error(), "free some space") || !strings.Contains(err.Error(), s.path) ||
		!strings.Contains(err.Error(), fmt.Sprintf("chunk %d of run %d", kept, rec.ID())) {
		t.Errorf("after %d chunks: %v", kept, err)
	}
	wantSound(t, s)
	if n := countBeats(t, s, id); n != 30 {
		t.Errorf("the run before has %d events", n)
	}
}

// TestReadOnlyFolder opens stores as a user who may not write.
func TestReadOnlyFolder(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "kept")
	path := filepath.Join(folder, "runs.db")
	s := open(t, path)
	record(t, s, exampleRun(), 1)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{folder, path} {
		if err := os.Chmod(name, 0o555); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { _ = os.Chmod(folder, 0o755) })
	defer asNobody(t)()
	for _, p := range []string{path, filepath.Join(folder, "other.db"), filepath.Join(folder, "deeper", "runs.db")} {
		s, err := Open(t.Context(), p)
		if err == nil {
			t.Errorf("opened %s", s.Path())
			continue
		}
		if !strings.Contains(err.Error(), p) || !strings.Contains(err.Error(), "writable for this user") {
			t.Errorf("%s: %v", p, err)
		}
	}
}

// asNobody takes this thread's right to pass over file modes, if it has it,
// and returns what gives it back.
func asNobody(t *testing.T) (back func()) {
	if os.Geteuid() != 0 {
		return func() {}
	}
	runtime.LockOSThread()
	if err := unix.Setfsuid(65534); err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := unix.Setfsuid(0); err != nil {
			t.Error(err)
		}
		runtime.UnlockOSThread()
	}
}

func TestNewerVersion(t *testing.T) {
	s := fresh(t)
	if _, err := s.db.Exec(fmt.Sprintf(`PRAGMA user_version=%d`, len(migrations)+1)); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), s.path)
	var newer *VersionError
	if !errors.As(err, &newer) || newer.Found != len(migrations)+1 || !strings.Contains(err.Error(), "upgrade drench") {
		t.Errorf("newer file: %v", err)
	}
}

func TestNotAStore(t *testing.T) {
	s := fresh(t)
	if _, err := s.db.Exec(`PRAGMA application_id=1`); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), s.path); !errors.Is(err, errNotOurs) || !strings.Contains(err.Error(), "name another file") {
		t.Errorf("another program's database: %v", err)
	}
	text := filepath.Join(t.TempDir(), "notes.txt")
	if err := os.WriteFile(text, []byte(strings.Repeat("drip drop\n", 100)), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), text); err == nil || !strings.Contains(err.Error(), text) || !strings.Contains(err.Error(), ".recover") {
		t.Errorf("a text file: %v", err)
	}
}

// TestDamageIsFoundAfterACrash overwrites a page in the middle of the file
// and leaves a run open, as a crash might.
func TestDamageIsFoundAfterACrash(t *testing.T) {
	path := filepath.Join(t.TempDir(), "runs.db")
	s := open(t, path)
	record(t, s, exampleRun(), 2000)
	rec, err := s.Begin(t.Context(), exampleRun())
	if err != nil {
		t.Fatal(err)
	}
	rec.release()
	var root int64 // the page where the chunks' index begins
	if err := s.db.QueryRow(`SELECT rootpage FROM sqlite_schema WHERE type = 'index' AND tbl_name = 'chunks'`).Scan(&root); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte(strings.Repeat("x", 4096)), (root-1)*4096); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), path); err == nil || !strings.Contains(err.Error(), "recover") || !strings.Contains(err.Error(), path) {
		t.Errorf("damaged file: %v", err)
	}
}

func TestLocked(t *testing.T) {
	s := fresh(t)
	other := open(t, s.path)
	tx, err := other.db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback() }()
	s.db.SetMaxOpenConns(1)
	if _, err := s.db.Exec(`PRAGMA busy_timeout=1`); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Begin(t.Context(), exampleRun()); err == nil || !strings.Contains(err.Error(), "kept it locked") {
		t.Errorf("locked: %v", err)
	}
}

func TestCancelledOpen(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Open(ctx, filepath.Join(t.TempDir(), "runs.db")); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// TestClockSetBack: a run whose clock was set back while it ran, or before the
// next process closed it, does not end before it began.
func TestClockSetBack(t *testing.T) {
	s := fresh(t)
	r := exampleRun()
	r.Started = time.Now().Add(time.Hour) // since then, the clock was set back by an hour
	id, _ := record(t, s, r, 30)
	rec, err := s.Begin(t.Context(), r)
	if err != nil {
		t.Fatal(err)
	}
	beats(t, rec, 30)
	if _, err := s.db.Exec(`UPDATE chunks SET kept = 0 WHERE run = ?`, rec.ID()); err != nil { // as by a wall clock
		t.Fatal(err)
	}
	rec.release()
	again := open(t, s.path)
	for _, id := range []int64{id, rec.ID()} {
		r, err := again.Get(t.Context(), id)
		if err != nil || r.State != Done || r.Ended.Before(r.Started) || r.Ended.After(r.Started.Add(time.Minute)) {
			t.Errorf("run %d: %s, from %v to %v, %v", id, r.State, r.Started, r.Ended, err)
		}
		if n := countBeats(t, again, id); n != 30 {
			t.Errorf("run %d has %d events", id, n)
		}
	}
}
