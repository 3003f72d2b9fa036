package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/results/store"
	"drench/results/verdict"

	"github.com/spf13/cobra"
)

// leftRun begins a run and leaves it as a process does that dies before the
// first chunk: its lock is given back and nothing else.
func leftRun(t *testing.T, data string, started time.Time) {
	t.Helper()
	st := storeIn(t, data)
	if _, err := st.Begin(t.Context(), store.Run{Started: started, Scenario: "drip", DUT: "unit 3", Bench: "virtual", Seed: 11, LimitsText: "missed <= 5 %\n"}); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(data, "drench.db-live")); err != nil { // with the lock of this process
		t.Fatal(err)
	}
}

// TestRunWithoutTimeline: a run that was killed before its first chunk is told
// for what it is, by each command that wants its timeline.
func TestRunWithoutTimeline(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	leftRun(t, data, time.Now())
	limits := filepath.Join(t.TempDir(), "a.limits")
	if err := os.WriteFile(limits, []byte("false alarms <= 0\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, command := range []string{"show 1", "report 1", "rejudge 1 --limits " + limits} {
		_, errs, status := call(t, data, append([]string{bin}, strings.Fields(command)...)...)
		for _, want := range []string{"run 1 has no timeline", "interrupted: the process that ran it ended", "chunks kept: 0", "drip on unit 3, seed 11"} {
			if status != verdict.Error.ExitStatus() || !strings.Contains(errs, want) {
				t.Errorf("%s: %d, lacks %q: %s", command, status, want, errs)
			}
		}
	}
	if out, _, _ := call(t, data, bin, "runs"); !strings.Contains(out, "interrupted") {
		t.Errorf("runs: %s", out)
	}
}

// TestClockSetBack: a clock that stands before the newest run is told, and both
// runs are kept.
func TestClockSetBack(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	leftRun(t, data, time.Now().Add(24*time.Hour))
	_, errs, _ := call(t, data, bin, "run", "drip", "--trials", "2")
	if !strings.Contains(errs, "warning: the clock says") || !strings.Contains(errs, "run 1 began at") {
		t.Errorf("no warning: %s", errs)
	}
	runs, err := storeIn(t, data).Runs(t.Context(), store.Filter{})
	if err != nil || len(runs) != 2 {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	for _, r := range runs {
		if r.State != store.Done || r.Ended.Before(r.Started) {
			t.Errorf("run %d: %s, from %v to %v", r.ID, r.State, r.Started, r.Ended)
		}
	}
}

// TestNewerStore: a file of a newer drench is left alone by every command.
func TestNewerStore(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	leftRun(t, data, time.Now())
	setVersion(t, data, 1000)
	for _, command := range []string{"run drip", "runs", "show 1", "clear"} {
		_, errs, status := call(t, data, append([]string{bin}, strings.Fields(command)...)...)
		if status != verdict.Error.ExitStatus() || !strings.Contains(errs, "has version 1000") || !strings.Contains(errs, "upgrade drench") {
			t.Errorf("%s: %d %s", command, status, errs)
		}
	}
}

// setVersion writes another version into the store's file.
func setVersion(t *testing.T, data string, version int) {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(data, "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(fmt.Sprintf("PRAGMA user_version=%d", version)); err != nil {
		t.Fatal(err)
	}
}

// TestInterruptedOpening: a signal between a run's entry in the store and the
// start of the bench is told as what it is.
func TestInterruptedOpening(t *testing.T) {
	data := t.TempDir()
	st := storeIn(t, data)
	cmd := &cobra.Command{}
	cmd.Flags().String("rig", "", "")
	cmd.Flags().String("data", data, "")
	jobs, err := prepare(cmd, []string{"drip"}, runFlags{seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	r, err := jobs[0].record(time.Now())
	if err != nil {
		t.Fatal(err)
	}
	rec, err := st.Begin(t.Context(), r)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if _, err := jobs[0].keep(ctx, st, rec, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("keep: %v", err)
	}
	got, err := st.Get(t.Context(), rec.ID())
	if err != nil || got.Verdict != verdict.Error || got.Reason != "interrupted: stopped while the bench was being opened" {
		t.Errorf("kept: %v, %q, %v", got.Verdict, got.Reason, err)
	}
}
