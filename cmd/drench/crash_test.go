package main_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"drench/results/safety"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/timeline"
)

// drench is the program, built for a test, with a place of its own for all
// that it keeps.
type drench struct {
	binary string
	home   string
}

func build(t *testing.T) drench {
	t.Helper()
	dir := t.TempDir()
	d := drench{binary: filepath.Join(dir, "drench"), home: filepath.Join(dir, "home")}
	cmd := exec.Command("go", "build", "-o", d.binary, ".")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build drench: %v\n%s", err, out)
	}
	return d
}

// command is a command line that has yet to be started.
func (d drench) command(ctx context.Context, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, d.binary, args...)
	cmd.Env = []string{"HOME=" + d.home, "PATH=" + os.Getenv("PATH")}
	return cmd
}

// finished is what a command line left behind.
type finished struct {
	status         int // -1 after a signal
	stdout, stderr string
}

func (d drench) run(t *testing.T, args ...string) finished {
	t.Helper()
	cmd := d.command(t.Context(), args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	if exit := new(exec.ExitError); err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return finished{cmd.ProcessState.ExitCode(), out.String(), errs.String()}
}

// reference is what a run is when nothing disturbs it. The same seed gives the
// same chunks, so what is left of a disturbed run must be their beginning.
type reference struct {
	seed   uint64
	status int
	verdict.Verdict
	chunks [][]byte
	trials []int // ended by the end of each chunk
	took   time.Duration
}

// scenario makes several chunks in a few tenths of a second.
func scenario(seed uint64, data string, more ...string) []string {
	return append([]string{"run", "brownout", "--trials", "200", "--seed", strconv.FormatUint(seed, 10), "--data", data}, more...)
}

func (d drench) reference(t *testing.T, seed uint64) reference {
	t.Helper()
	data := t.TempDir()
	began := time.Now()
	out := d.run(t, scenario(seed, data)...)
	ref := reference{seed: seed, status: out.status, took: time.Since(began)}
	s := openStore(t, data)
	r, err := s.Get(t.Context(), 1)
	if err != nil {
		t.Fatalf("%v\n%s", err, out.stderr)
	}
	ref.Verdict = r.Verdict
	ref.chunks = chunks(t, data, 1)
	for i := range ref.chunks {
		evs, err := decode(bytes.Join(ref.chunks[:i+1], nil))
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, ev := range evs {
			if ev.Kind == rig.TrialEnd {
				n++
			}
		}
		ref.trials = append(ref.trials, n)
	}
	if len(ref.chunks) < 5 || ref.Verdict == verdict.Error {
		t.Fatalf("the undisturbed run has %d chunks and verdict %v: %s", len(ref.chunks), ref.Verdict, r.Reason)
	}
	return ref
}

func decode(b []byte) ([]rig.Event, error) {
	_, evs, err := timeline.ReadAll(bytes.NewReader(b))
	return evs, err
}

// openStore is the next start after whatever happened.
func openStore(t *testing.T, data string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(data, "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// query asks the file itself, past the store.
func query(t *testing.T, data, text string, args ...any) [][]byte {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(data, "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.QueryContext(t.Context(), text, args...)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var out [][]byte
	for rows.Next() {
		var b []byte
		if err := rows.Scan(&b); err != nil {
			t.Fatal(err)
		}
		out = append(out, b)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

func chunks(t *testing.T, data string, run int64) [][]byte {
	t.Helper()
	return query(t, data, `SELECT body FROM chunks WHERE run = ? ORDER BY number`, run)
}

// sound checks the whole file: its pages and indexes, and that no run is gone.
func sound(t *testing.T, data string) {
	t.Helper()
	for _, c := range []struct{ text, want string }{
		{`PRAGMA integrity_check`, "ok"},
		{`SELECT count(*) FROM pragma_foreign_key_check`, "0"},
		{`SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'runs'), 0) - (SELECT count(*) FROM runs)`, "0"},
		{`SELECT count(*) FROM (SELECT 1 FROM chunks GROUP BY run HAVING max(number) <> count(*) - 1)`, "0"},
	} {
		if got := string(bytes.Join(query(t, data, c.text), []byte("; "))); got != c.want {
			t.Errorf("%s: %s, want %s", c.text, got, c.want)
		}
	}
}

// TestCrashes has the real program meet what programs meet.
func TestCrashes(t *testing.T) {
	t.Parallel()
	d := build(t)
	refs := []reference{d.reference(t, 1), d.reference(t, 2), d.reference(t, 3)}
	t.Run("killed", func(t *testing.T) { testKilled(t, d, refs) })
	t.Run("stopped", func(t *testing.T) { testStopped(t, d) })
	t.Run("together", func(t *testing.T) { testTogether(t, d, refs) })
	t.Run("disk full", func(t *testing.T) { testDiskFull(t, d, refs[0]) })
	t.Run("file too large", func(t *testing.T) { testFileLimit(t, d, refs[0]) })
	t.Run("read-only", func(t *testing.T) { testReadOnly(t, d, refs[0]) })
	t.Run("read-only disk", func(t *testing.T) { testReadOnlyDisk(t, d, refs[0]) })
	t.Run("out", func(t *testing.T) { testOut(t, d, refs[0]) })
}

// testKilled kills runs at instants spread over their duration, with signals
// that can and can't be caught, and looks at what the next start finds.
func testKilled(t *testing.T, d drench, refs []reference) {
	n := 500
	if testing.Short() {
		n = 20
	}
	took := refs[0].took
	for _, r := range refs {
		took = max(took, r.took)
	}
	var data string
	var seen [3]int // not begun, cut off, complete
	rng := rand.New(rand.NewPCG(1, 1))
	for i, place := range rng.Perm(n) {
		if i%50 == 0 {
			data = t.TempDir()
		}
		ref := refs[i%len(refs)]
		cmd := d.command(t.Context(), scenario(ref.seed, data, "--tag", fmt.Sprint("kill ", i))...)
		var errs bytes.Buffer
		cmd.Stderr = &errs
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(took * time.Duration(place) / time.Duration(n))
		sig := syscall.SIGKILL
		if i%10 == 9 {
			sig = syscall.SIGTERM
		}
		_ = cmd.Process.Signal(sig) // it may have ended
		_ = cmd.Wait()              // and says how, which is looked at below
		seen[afterKill(t, d, data, ref, fmt.Sprint("kill ", i), sig, cmd.ProcessState.ExitCode(), errs.String())]++
		if t.Failed() {
			t.Fatalf("kill %d (%v after %v of %v), the process said:\n%s", i, sig, took*time.Duration(place)/time.Duration(n), took, errs.String())
		}
	}
	t.Logf("%d killed: %d before they had begun, %d cut off, %d when all was kept", n, seen[0], seen[1], seen[2])
	if seen[1] == 0 {
		t.Error("no kill met a run")
	}
}

var progressLine = regexp.MustCompile(`trial (\d+) of`)

// afterKill judges what a killed process left, and returns how far it had come.
func afterKill(t *testing.T, d drench, data string, ref reference, tag string, sig syscall.Signal, status int, said string) int {
	t.Helper()
	s := openStore(t, data)
	defer s.Close()
	runs, err := s.Runs(t.Context(), store.Filter{Tag: tag})
	if err != nil {
		t.Fatal(err)
	}
	told := 0 // trials of which the process spoke: by then the run had begun
	for _, m := range progressLine.FindAllStringSubmatch(said, -1) {
		told, _ = strconv.Atoi(m[1]) // digits, by the pattern
	}
	sound(t, data)
	if len(runs) == 0 && told == 0 {
		return 0
	}
	if len(runs) != 1 {
		t.Errorf("%d runs are listed, of one that had come to trial %d", len(runs), told)
		return 0
	}
	r, got := runs[0], chunks(t, data, runs[0].ID)
	sum := sha256.Sum256(bytes.Join(got, nil))
	if r.State != store.Done || r.Sum != hex.EncodeToString(sum[:]) {
		t.Errorf("the run is %s, with sum %s; its chunks have %x", r.State, r.Sum, sum)
	}
	whole := len(got) == len(ref.chunks) && bytes.Equal(bytes.Join(got, nil), bytes.Join(ref.chunks, nil))
	switch {
	case whole && r.Verdict == ref.Verdict:
		return 2
	case r.Verdict != verdict.Error:
		t.Errorf("verdict %v on %d of %d chunks", r.Verdict, len(got), len(ref.chunks))
	case sig == syscall.SIGTERM && status >= 0:
		stopped(t, r, got, status)
		return 1 // its last chunk is its own
	case !strings.HasPrefix(r.Reason, "interrupted: "):
		t.Errorf("the reason is %q", r.Reason)
	}
	for i, c := range got {
		if i >= len(ref.chunks) || !bytes.Equal(c, ref.chunks[i]) {
			t.Errorf("chunk %d is not that of the undisturbed run", i)
			break
		}
	}
	// The chunk after the last one kept had not been handed over yet when the
	// process spoke of its last trial, unless that trial ended after it.
	if n := len(got); n < len(ref.chunks) && n > 0 && ref.trials[n] < told {
		t.Errorf("%d chunks are kept, though trial %d had ended, %d by chunk %d", n, told, ref.trials[n], n)
	}
	return 1
}

// stopped judges a run that a signal has ended in good order.
func stopped(t *testing.T, r store.Run, chunks [][]byte, status int) {
	t.Helper()
	if status != verdict.Error.ExitStatus() || r.Verdict != verdict.Error {
		t.Errorf("exit status %d, verdict %v: %s", status, r.Verdict, r.Reason)
	}
	if len(chunks) < 2 {
		return // before the bench was up
	}
	if !strings.Contains(r.Reason, "stopped") {
		t.Errorf("the reason is %q", r.Reason)
	}
	tl, err := timeline.NewReader(bytes.NewReader(bytes.Join(chunks, nil)))
	if err != nil {
		t.Fatal(err)
	}
	l, _, _, _ := stockRig(t)
	rep, err := safety.Check(tl.Header, safety.Allowed(l.Interlock), tl.All())
	if err != nil || !rep.Held() || rep.Cut != "" || rep.Trip != "" {
		t.Errorf("timeline: %v, cut %q, trip %q, %v", rep.Findings, rep.Cut, rep.Trip, err)
	}
}

// testStopped stops runs, in the middle for sure, with each signal that a
// terminal or a service manager sends.
func testStopped(t *testing.T, d drench) {
	for _, sig := range []syscall.Signal{syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP} {
		data := t.TempDir()
		cmd := d.command(t.Context(), "run", "drip", "brownout", "--trials", "5000", "--seed", "5", "--data", data)
		errs, err := cmd.StderrPipe()
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		cmd.Stdout = &out
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		said, buf := "", make([]byte, 4096)
		for !progressLine.MatchString(said) {
			n, err := errs.Read(buf)
			if said += string(buf[:n]); err != nil {
				t.Fatalf("%v: %s", err, said)
			}
		}
		if err := cmd.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, errs); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // says the status, which is looked at below
		runs, err := openStore(t, data).Runs(t.Context(), store.Filter{})
		if err != nil || len(runs) != 1 {
			t.Fatalf("%v: %d runs, %v; want the first scenario alone", sig, len(runs), err)
		}
		stopped(t, runs[0], chunks(t, data, 1), cmd.ProcessState.ExitCode())
		if !strings.Contains(out.String(), "ERROR") || !strings.Contains(out.String(), "stopped") {
			t.Errorf("%v: printed %s", sig, out.String())
		}
		sound(t, data)
	}
}

// testTogether has several processes record into one store, and one of them
// die.
func testTogether(t *testing.T, d drench, refs []reference) {
	data := t.TempDir()
	victim := d.command(t.Context(), "run", "drip", "--trials", "20000", "--seed", "9", "--data", data)
	said, err := victim.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := victim.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := said.Read(make([]byte, 1)); err != nil { // it speaks once it opened the store
		t.Fatal(err)
	}
	go io.Copy(io.Discard, said)
	cmds := make([]*exec.Cmd, len(refs))
	outs := make([]bytes.Buffer, len(refs))
	for i, ref := range refs {
		cmds[i] = d.command(t.Context(), scenario(ref.seed, data)...)
		cmds[i].Stderr = &outs[i]
		if err := cmds[i].Start(); err != nil {
			t.Fatal(err)
		}
	}
	if err := victim.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = victim.Wait() // killed
	for i, cmd := range cmds {
		_ = cmd.Wait() // says the status
		if got := cmd.ProcessState.ExitCode(); got != refs[i].status {
			t.Errorf("seed %d: exit status %d, alone %d\n%s", refs[i].seed, got, refs[i].status, outs[i].String())
		}
	}
	runs, err := openStore(t, data).Runs(t.Context(), store.Filter{Scenario: "brownout"})
	if err != nil || len(runs) != len(refs) {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	for _, r := range runs {
		ref := refs[r.Seed-1]
		if got := chunks(t, data, r.ID); r.Verdict != ref.Verdict || !bytes.Equal(bytes.Join(got, nil), bytes.Join(ref.chunks, nil)) {
			t.Errorf("run %d: verdict %v, alone %v; %d chunks, alone %d", r.ID, r.Verdict, ref.Verdict, len(got), len(ref.chunks))
		}
	}
	sound(t, data)
}

// refused judges a command that could not do its work: status 4 and one line
// that says each of these.
func refused(t *testing.T, f finished, says ...string) {
	t.Helper()
	if f.status != verdict.Error.ExitStatus() {
		t.Errorf("exit status %d\n%s", f.status, f.stderr)
	}
	lines := strings.Split(strings.TrimSpace(f.stderr), "\n")
	for _, s := range says {
		if last := lines[len(lines)-1]; !strings.Contains(last, s) {
			t.Errorf("the message lacks %q:\n%s", s, last)
		}
	}
	if strings.Contains(f.stderr, "panic") || strings.Contains(f.stderr, "goroutine") {
		t.Errorf("it fell over:\n%s", f.stderr)
	}
}

// intact finds run 1 as it was in the beginning.
func intact(t *testing.T, d drench, data string, ref reference) {
	t.Helper()
	sound(t, data)
	if got := chunks(t, data, 1); !bytes.Equal(bytes.Join(got, nil), bytes.Join(ref.chunks, nil)) {
		t.Errorf("run 1 has %d chunks, had %d", len(got), len(ref.chunks))
	}
	var rows []struct {
		Run     int64
		Verdict verdict.Verdict
		Reason  string
	}
	out := d.run(t, "runs", "--json", "--last", "0", "--data", data)
	if err := json.Unmarshal([]byte(out.stdout), &rows); err != nil {
		t.Fatalf("%v\n%s%s", err, out.stdout, out.stderr)
	}
	for _, r := range rows {
		if want := ref.Verdict; r.Run == 1 && r.Verdict != want || r.Run > 1 && r.Verdict != verdict.Error {
			t.Errorf("run %d is listed with verdict %v: %s", r.Run, r.Verdict, r.Reason)
		}
	}
	if len(rows) == 0 || rows[len(rows)-1].Run != 1 {
		t.Errorf("listed: %s", out.stdout)
	}
}

func testDiskFull(t *testing.T, d drench, ref reference) {
	if os.Geteuid() != 0 {
		t.Skip("only root can mount a small disk; the file limit is tested instead")
	}
	data := t.TempDir()
	if err := syscall.Mount("tmpfs", data, "tmpfs", 0, "size=6m"); err != nil {
		t.Skipf("mount a small disk: %v; the file limit is tested instead", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(data, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	if f := d.run(t, scenario(ref.seed, data)...); f.status != ref.status {
		t.Fatalf("%s", f.stderr)
	}
	ballast := filepath.Join(data, "ballast")
	fill(t, ballast)
	free(t, ballast, 300<<10)
	refused(t, d.run(t, scenario(ref.seed, data)...), filepath.Join(data, "drench.db"), "keep chunk", "full", "free some space")
	fill(t, ballast)
	refused(t, d.run(t, scenario(ref.seed, data)...), filepath.Join(data, "drench.db"), "free some space")
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	intact(t, d, data, ref)
	if f := d.run(t, scenario(ref.seed, data)...); f.status != ref.status {
		t.Errorf("with space again: exit status %d\n%s", f.status, f.stderr)
	}
}

// fill appends to a file until its disk is full.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for err = nil; err == nil; {
		_, err = f.Write(make([]byte, 64<<10))
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
}

// free cuts so many bytes off a file.
func free(t *testing.T, path string, n int64) {
	t.Helper()
	info, err := os.Stat(path)
	if err == nil {
		err = os.Truncate(path, info.Size()-n)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// testFileLimit stands for a full disk where none can be mounted.
func testFileLimit(t *testing.T, d drench, ref reference) {
	data := t.TempDir()
	if f := d.run(t, scenario(ref.seed, data)...); f.status != ref.status {
		t.Fatalf("%s", f.stderr)
	}
	info, err := os.Stat(filepath.Join(data, "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	// A shell's limit is in blocks of 512 bytes. The write-ahead log is what
	// meets it first.
	script := fmt.Sprintf(`ulimit -f %d && exec "$0" "$@"`, info.Size()/512/3)
	cmd := exec.CommandContext(t.Context(), "sh", append([]string{"-c", script, d.binary}, scenario(ref.seed, data)...)...)
	cmd.Env = d.command(t.Context()).Env
	var errs bytes.Buffer
	cmd.Stderr = &errs
	_ = cmd.Run() // says the status
	refused(t, finished{status: cmd.ProcessState.ExitCode(), stderr: errs.String()}, filepath.Join(data, "drench.db"), "keep chunk")
	intact(t, d, data, ref)
}

func testReadOnly(t *testing.T, d drench, ref reference) {
	data := t.TempDir()
	if f := d.run(t, scenario(ref.seed, data)...); f.status != ref.status {
		t.Fatalf("%s", f.stderr)
	}
	chmod := func(mode os.FileMode, names ...string) {
		t.Helper()
		for _, n := range names {
			if err := os.Chmod(n, mode); err != nil {
				t.Fatal(err)
			}
		}
	}
	asNobody := func(args ...string) finished {
		t.Helper()
		cmd := d.command(t.Context(), args...)
		if os.Geteuid() == 0 { // root may write anywhere
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		}
		var errs bytes.Buffer
		cmd.Stderr = &errs
		if err := cmd.Run(); err != nil && cmd.ProcessState == nil {
			t.Fatal(err)
		}
		return finished{status: cmd.ProcessState.ExitCode(), stderr: errs.String()}
	}
	for dir := filepath.Dir(d.binary); dir != os.TempDir() && dir != "/"; dir = filepath.Dir(dir) {
		chmod(0o755, dir) // the other user must get at it
	}
	for dir := filepath.Dir(data); dir != os.TempDir() && dir != "/"; dir = filepath.Dir(dir) {
		chmod(0o755, dir)
	}
	chmod(0o444, filepath.Join(data, "drench.db"), filepath.Join(data, "drench.db-live"))
	chmod(0o555, data)
	t.Cleanup(func() { chmod(0o755, data) })
	for name, args := range map[string][]string{
		"run": scenario(ref.seed, data), "list": {"runs", "--data", data}, "show": {"show", "1", "--data", data},
		"new store": scenario(ref.seed, filepath.Join(data, "new")),
	} {
		t.Run(name, func(t *testing.T) { refused(t, asNobody(args...), data, "writable for this user") })
	}
	chmod(0o755, data)
	chmod(0o644, filepath.Join(data, "drench.db"), filepath.Join(data, "drench.db-live"))
	intact(t, d, data, ref)
}

// testReadOnlyDisk has the disk go read-only, as the kernel makes it after
// errors.
func testReadOnlyDisk(t *testing.T, d drench, ref reference) {
	data := t.TempDir()
	if err := syscall.Mount("tmpfs", data, "tmpfs", 0, "size=6m"); err != nil {
		t.Skipf("mount a disk: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(data, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	if f := d.run(t, scenario(ref.seed, data)...); f.status != ref.status {
		t.Fatalf("%s", f.stderr)
	}
	remount := func(flags uintptr) {
		t.Helper()
		if err := syscall.Mount("tmpfs", data, "tmpfs", syscall.MS_REMOUNT|flags, "size=6m"); err != nil {
			t.Fatal(err)
		}
	}
	remount(syscall.MS_RDONLY)
	for name, args := range map[string][]string{
		"run": scenario(ref.seed, data), "list": {"runs", "--data", data}, "new store": scenario(ref.seed, filepath.Join(data, "new")),
	} {
		t.Run(name, func(t *testing.T) { refused(t, d.run(t, args...), data, "writable for this user") })
	}
	remount(0)
	intact(t, d, data, ref)
}

// testOut: a folder that can't be written is told before anything is run. One
// that goes away meanwhile takes nothing from the run.
func testOut(t *testing.T, d drench, ref reference) {
	data := filepath.Join(t.TempDir(), "data")
	f := d.run(t, scenario(ref.seed, data, "--out", "/dev/null/out")...)
	if f.status != 2 || !strings.Contains(f.stderr, "--out /dev/null/out: mkdir") || !strings.Contains(f.stderr, "this user can write to") {
		t.Errorf("status %d: %s", f.status, f.stderr)
	}
	if _, err := os.Stat(data); err == nil {
		t.Error("a store was made")
	}
	out := filepath.Join(t.TempDir(), "out")
	if err := os.MkdirAll(filepath.Join(out, "report.html"), 0o755); err != nil { // no file can have that name
		t.Fatal(err)
	}
	refused(t, d.run(t, scenario(ref.seed, data, "--out", out)...), out, "run 1 is stored")
	intact(t, d, data, ref)
	if left, err := filepath.Glob(filepath.Join(out, ".drench-*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}
