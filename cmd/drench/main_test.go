package main

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"drench/results/verdict"
)

// binaries holds the built programs, by architecture.
var binaries = struct {
	sync.Mutex
	dir  string
	path map[string]string
}{path: map[string]string{}}

func TestMain(m *testing.M) {
	if folder := os.Getenv(holdLock); folder != "" {
		holdForever(folder)
	}
	status := m.Run()
	if binaries.dir != "" {
		os.RemoveAll(binaries.dir)
	}
	os.Exit(status)
}

// drench is the binary under test.
func drench(t *testing.T) string {
	t.Helper()
	return build(t, runtime.GOARCH)
}

// build compiles the program for an architecture, once.
func build(t *testing.T, arch string) string {
	t.Helper()
	binaries.Lock()
	defer binaries.Unlock()
	if p, ok := binaries.path[arch]; ok {
		return p
	}
	if binaries.dir == "" {
		dir, err := os.MkdirTemp("", "drench-test")
		if err != nil {
			t.Fatal(err)
		}
		binaries.dir = dir
	}
	path := filepath.Join(binaries.dir, "drench-"+arch)
	cmd := exec.Command("go", "build", "-o", path, ".")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+arch)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build for %s: %v\n%s", arch, err, out)
	}
	binaries.path[arch] = path
	return path
}

// call runs a command with a data folder of its own and returns what it printed
// and its exit status.
func call(t *testing.T, data string, command ...string) (stdout, stderr string, status int) {
	t.Helper()
	cmd := exec.Command(command[0], command[1:]...)
	cmd.Env = append(os.Environ(), "DRENCH_DATA="+data, "DRENCH_RIG=", "XDG_CONFIG_HOME="+t.TempDir())
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return out.String(), errs.String(), cmd.ProcessState.ExitCode()
}

// TestBadInput: a broken input file gives exactly its message and exit status
// 2, and nothing is written: no store, no folder for results.
func TestBadInput(t *testing.T) {
	bin := drench(t)
	for kind, args := range map[string]func(file string) []string{
		"limits/*.limits": func(f string) []string { return []string{"run", "drip", "--limits", f} },
		"rigs/*.yaml":     func(f string) []string { return []string{"run", "drip", "--rig", f} },
		"profiles/*.yaml": func(f string) []string { return []string{"check", f} },
		"scripts/*.star":  func(f string) []string { return []string{"check", f} },
	} {
		files, err := filepath.Glob("../../testdata/bad/" + kind)
		if err != nil || len(files) < 8 {
			t.Fatalf("%d broken files of %s: %v", len(files), kind, err)
		}
		for _, file := range files {
			t.Run(filepath.Base(file), func(t *testing.T) {
				dir := t.TempDir()
				data, out := filepath.Join(dir, "data"), filepath.Join(dir, "out")
				command := append([]string{bin}, args(file)...)
				if command[1] == "run" {
					command = append(command, "--out", out)
				}
				_, stderr, status := call(t, data, command...)
				if status != wrongUse {
					t.Errorf("%v: exit status %d, want %d\n%s", command[1:], status, wrongUse, stderr)
				}
				base := filepath.Base(file)
				if !strings.Contains(stderr, base+":") {
					t.Errorf("%v: message %q does not name %s:line:col", command[1:], stderr, base)
				}
				for _, path := range []string{data, out} {
					if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
						t.Errorf("%v: %s was made", command[1:], path)
					}
				}
			})
		}
	}
}

func TestWrongUse(t *testing.T) {
	bin := drench(t)
	for _, c := range []struct{ args, what string }{
		{"", ""}, // help, and exit 0
		{"run", "requires at least 1 arg"},
		{"run drizzle", `no stock scenario is called "drizzle"`},
		{"run ./nowhere.star", "no such file"},
		{"run drip --fault gremlins", `there is no fault "gremlins"`},
		{"run drip --trials -1", "--trials -1"},
		{"run drip --sed 7", "unknown flag: --sed"},
		{"run drip --limits ./nowhere.limits", "no such file"},
		{"run drip --rig ./nowhere.yaml", "no such file"},
		{"frobnicate", "unknown command"},
		{"check", "check what?"},
		{"check README.txt", "nothing is known of such files"},
		{"show first", `run "first"`},
		{"runs --verdict good", "--verdict: "},
		{"report 1 --format pdf", `format "pdf"`},
		{"rejudge 1", `required flag(s) "limits"`},
		{"preview drip --columns 1", "--columns 1"},
	} {
		data := filepath.Join(t.TempDir(), "data")
		_, stderr, status := call(t, data, append([]string{bin}, strings.Fields(c.args)...)...)
		want := wrongUse
		if c.what == "" {
			want = 0
		}
		if status != want || !strings.Contains(stderr, c.what) {
			t.Errorf("drench %s: status %d, message %q; want %d, %q", c.args, status, stderr, want, c.what)
		}
		if _, err := os.Stat(filepath.Join(data, "drench.db")); c.what != "" && err == nil && !strings.HasPrefix(c.args, "show") {
			t.Errorf("drench %s: a store was made", c.args)
		}
	}
}

// TestStored runs a scenario and asks the stored run in every way.
func TestStored(t *testing.T) {
	bin, data, out := drench(t), t.TempDir(), filepath.Join(t.TempDir(), "out")
	stdout, stderr, status := call(t, data, bin, "run", "drip", "--seed", "7", "--trials", "60", "--out", out, "--tag", "night=1")
	if status != 0 || !strings.Contains(stdout, "PASS") || !strings.Contains(stderr, "takes at least 59 trials") {
		t.Fatalf("run: %d\n%s\n%s", status, stdout, stderr)
	}
	for _, name := range []string{"report.html", "junit.xml", "trials.csv", "timeline.vcd"} {
		want, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		format := map[string]string{"report.html": "html", "junit.xml": "junit", "trials.csv": "csv", "timeline.vcd": "vcd"}[name]
		got, stderr, status := call(t, data, bin, "report", "1", "--format", format)
		if status != 0 || got != string(want) {
			t.Errorf("report --format %s differs from %s (%d, %s)", format, name, status, stderr)
		}
	}
	if stdout, _, _ := call(t, data, bin, "runs", "--tag", "night=1", "--json"); !strings.Contains(stdout, `"verdict": "pass"`) {
		t.Errorf("runs: %s", stdout)
	}
	for _, c := range []struct{ args, want string }{
		{"--verdict pass,fail --text night=1", `"run": 1`}, {"--verdict fail", "[]"}, {"--tag night=1 --tag never", "[]"}, {"--tags", `"night=1": 1`},
	} {
		stdout, stderr, status := call(t, data, append([]string{bin, "runs", "--json"}, strings.Fields(c.args)...)...)
		if status != 0 || !strings.Contains(stdout, c.want) {
			t.Errorf("runs %s: %d %s%s", c.args, status, stdout, stderr)
		}
	}
	if stdout, _, status := call(t, data, bin, "show", "1"); status != 0 || !strings.Contains(stdout, "0.4 ml") {
		t.Errorf("show: %d %s", status, stdout)
	}
	strict := filepath.Join(t.TempDir(), "strict.limits")
	if err := os.WriteFile(strict, []byte("latency max < 1 s\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	stdout, _, status = call(t, data, bin, "rejudge", "1", "--limits", strict)
	if status != verdict.Fail.ExitStatus() || !strings.Contains(stdout, "FAIL") {
		t.Errorf("rejudge: %d %s", status, stdout)
	}
	if stdout, _, _ := call(t, data, bin, "runs", "--json"); !strings.Contains(stdout, `"verdict": "pass"`) {
		t.Errorf("rejudging changed the run's own verdict: %s", stdout)
	}
	if _, stderr, status := call(t, data, bin, "show", "2"); status != verdict.Error.ExitStatus() || !strings.Contains(stderr, "drench runs") {
		t.Errorf("show of a run that is not there: %d %s", status, stderr)
	}
}

// TestOtherMachine: the same seed gives the same timeline on another processor,
// run under emulation.
func TestOtherMachine(t *testing.T) {
	if testing.Short() {
		t.Skip("builds for other processors")
	}
	t.Parallel()
	for arch, emulator := range map[string]string{"arm64": "qemu-aarch64-static", "arm": "qemu-arm-static"} {
		path, err := exec.LookPath(emulator)
		if err != nil {
			missing := "no emulator for " + arch + ": install Debian's qemu-user-static"
			if os.Getenv("DRENCH_REQUIRE") == "all" {
				t.Fatal(missing)
			}
			t.Skip(missing)
		}
		args := []string{"run", "drip", "spray", "condensation", "brownout", "--seed", "7", "--trials", "2", "--json"}
		here := sums(t, append([]string{drench(t)}, args...))
		there := sums(t, append([]string{path, build(t, arch)}, args...))
		if strings.Join(here, " ") != strings.Join(there, " ") {
			t.Errorf("timelines differ: %v here, %v on %s", here, there, arch)
		}
	}
}

func sums(t *testing.T, command []string) []string {
	t.Helper()
	stdout, stderr, _ := call(t, t.TempDir(), command...)
	var runs []summary
	if err := json.Unmarshal([]byte(stdout), &runs); err != nil || len(runs) != 4 {
		t.Fatalf("%v: %v\n%s%s", command, err, stdout, stderr)
	}
	var list []string
	for _, r := range runs {
		list = append(list, r.Timeline)
	}
	return list
}
