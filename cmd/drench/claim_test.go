package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/drivers/gpio"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig/interlock"
)

// holdLock, in the environment, has this test binary hold the lock of the Pi
// bench in the folder that it names, until it is killed.
const holdLock = "DRENCH_TEST_HOLD"

func holdForever(folder string) {
	_, err := lockBench(folder, "pi-bench")
	fmt.Println("held:", err)
	select {}
}

// openedNoBench tells whether a command ended before it tried to open the Pi
// bench, which fails here: there are no such lines.
func openedNoBench(errs string) bool { return !strings.Contains(errs, "open the bench pi-bench") }

func storeIn(t *testing.T, data string) *store.Store {
	t.Helper()
	st, err := openStoreIn(t.Context(), data)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = st.Close() })
	return st
}

// TestTripIsRemembered: after a trip on a real bench the next process refuses
// before it opens the bench, until a person has cleared it.
func TestTripIsRemembered(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	c := &claim{st: storeIn(t, data), bench: "pi-bench"}
	trip := fmt.Errorf("the script: %w", &interlock.TripError{At: gpio.Now().Add(-time.Minute), Reason: "lid open"})
	if err := c.keepTrip(t.Context(), 7, trip); err != nil {
		t.Fatal(err)
	}
	kept, err := c.st.Trips(t.Context(), "pi-bench", true)
	if err != nil || len(kept) != 1 || time.Since(kept[0].At) < time.Minute || time.Since(kept[0].At) > time.Hour {
		t.Fatalf("kept: %+v, %v", kept, err)
	}
	for _, command := range []string{"run drip", "calibrate pump --by Ada --instrument scale --temperature 20°C --pressure-hpa 1013 --balance-u-mg 1"} {
		_, errs, status := call(t, data, append([]string{bin, "--rig", piBench}, strings.Fields(command)...)...)
		want := "drench: bench pi-bench is stopped: lid open, on " + kept[0].At.Format("2006-01-02 15:04:05") +
			" UTC, in run 7; look at the bench, then: drench clear --by NAME [--note TEXT]\n"
		if status != verdict.Error.ExitStatus() || !strings.HasSuffix(errs, want) || !openedNoBench(errs) {
			t.Errorf("%s after the trip: %d, want %q\n%s", command, status, want, errs)
		}
	}
	if runs, err := c.st.Runs(t.Context(), store.Filter{}); err != nil || len(runs) != 0 {
		t.Errorf("the refused run was begun: %+v, %v", runs, err)
	}
	if _, errs, status := call(t, data, bin, "run", "drip", "--trials", "2"); status == verdict.Error.ExitStatus() {
		t.Errorf("the virtual bench: %d %s", status, errs)
	}
	for _, c := range []struct {
		args   string
		status int
		says   string
	}{
		{"clear", 0, "trip 1  pi-bench  open  lid open, on"},
		{"clear --by=", wrongUse, "--by names nobody"},
		{"clear --note why", wrongUse, "--note without --by"},
		{"clear --by Ada --note hinge --json", 0, `"cleared_by": "Ada",` + "\n    " + `"note": "hinge"`},
		{"clear --by Bob", 0, "no open trips"},
	} {
		out, errs, status := call(t, data, append([]string{bin}, strings.Fields(c.args)...)...)
		if status != c.status || !strings.Contains(out+errs, c.says) {
			t.Errorf("%s: %d, want %d and %q\n%s%s", c.args, status, c.status, c.says, out, errs)
		}
	}
	if _, errs, _ := call(t, data, bin, "run", "drip", "--rig", piBench); openedNoBench(errs) {
		t.Errorf("after the trip was cleared: %s", errs)
	}
}

// TestNoTripToKeep: what is no trip, and what trips a virtual bench, leaves
// nothing.
func TestNoTripToKeep(t *testing.T) {
	st := storeIn(t, t.TempDir())
	trip := &interlock.TripError{Reason: "lid open"}
	for name, keep := range map[string]func() error{
		"another error": func() error { return (&claim{st: st, bench: "lab"}).keepTrip(t.Context(), 1, context.Canceled) },
		"none":          func() error { return (&claim{st: st, bench: "lab"}).keepTrip(t.Context(), 1, nil) },
		"virtual":       func() error { return (*claim)(nil).keepTrip(t.Context(), 1, trip) },
	} {
		if err := keep(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if trips, err := st.Trips(t.Context(), "", false); err != nil || len(trips) != 0 {
		t.Errorf("kept %+v, %v", trips, err)
	}
}

// TestClearNeedsOneBench: whoever looked at one bench does not clear another.
func TestClearNeedsOneBench(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	st := storeIn(t, data)
	for _, bench := range []string{"pi-bench", "shed"} {
		if _, err := st.AddTrip(t.Context(), store.Trip{At: time.Now(), Bench: bench, Reason: "lid open"}); err != nil {
			t.Fatal(err)
		}
	}
	if _, errs, status := call(t, data, bin, "clear", "--by", "Ada"); status != wrongUse || !strings.Contains(errs, "pi-bench, shed; expected --rig FILE") {
		t.Errorf("two benches: %d %s", status, errs)
	}
	if out, errs, status := call(t, data, bin, "clear", "--by", "Ada", "--rig", piBench); status != 0 || !strings.Contains(out, "cleared by Ada") {
		t.Errorf("one of them: %d %s%s", status, out, errs)
	}
	left, err := st.Trips(t.Context(), "", true)
	if err != nil || len(left) != 1 || left[0].Bench != "shed" {
		t.Errorf("left: %+v, %v", left, err)
	}
}

// TestOneProcessOnABench: a second process on a real bench is refused and told
// who has it; one that was killed no longer has it.
func TestOneProcessOnABench(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	first := exec.Command(os.Args[0])
	first.Env = append(os.Environ(), holdLock+"="+data)
	said, err := first.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = first.Process.Kill() }()
	if line, err := bufio.NewReader(said).ReadString('\n'); err != nil || line != "held: <nil>\n" {
		t.Fatal(line, err)
	}
	run := []string{bin, "run", "drip", "--rig", piBench}
	want := fmt.Sprintf("bench pi-bench is in use by process %d; wait until that has finished, or stop it", first.Process.Pid)
	if _, errs, status := call(t, data, run...); status != verdict.Error.ExitStatus() || !strings.Contains(errs, want) || !openedNoBench(errs) {
		t.Errorf("second process: %d, want %q\n%s", status, want, errs)
	}
	if err := first.Process.Kill(); err != nil { // kill -9
		t.Fatal(err)
	}
	_ = first.Wait() // says that it was killed
	if _, errs, _ := call(t, data, run...); openedNoBench(errs) {
		t.Errorf("after the kill: %s", errs)
	}
}

// TestLockBench: a lock is of one bench, whatever its name, and free once let
// go.
func TestLockBench(t *testing.T) {
	folder := t.TempDir()
	var held []*benchLock
	for _, name := range []string{"lab", "../b", "virtual"} {
		l, err := lockBench(folder, name)
		if err != nil {
			t.Fatal(err)
		}
		held = append(held, l)
	}
	want := fmt.Sprintf("bench ../b is in use by process %d; wait until that has finished, or stop it", os.Getpid())
	if _, err := lockBench(folder, "../b"); err == nil || err.Error() != want {
		t.Errorf("held: %v", err)
	}
	for _, l := range held {
		if err := l.release(); err != nil {
			t.Error(err)
		}
	}
	again, err := lockBench(folder, "../b")
	if err != nil {
		t.Fatal(err)
	}
	if err := again.release(); err != nil {
		t.Error(err)
	}
	if files, err := filepath.Glob(filepath.Join(folder, "bench-*.lock")); err != nil || len(files) != len(held) {
		t.Errorf("files: %v, %v", files, err)
	}
}
