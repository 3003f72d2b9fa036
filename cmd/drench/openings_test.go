package main

import (
	"strings"
	"testing"
	"time"

	"drench/drivers/gpio"
	"drench/results/store"
	"drench/rig"
	"drench/rig/interlock"
)

// TestOpenings: what a run on a real bench has seen of its interlock inputs the
// next one tells, where it can't see it itself; of another bench it tells
// nothing, nor of a virtual one.
func TestOpenings(t *testing.T) {
	c := &claim{st: storeIn(t, t.TempDir()), bench: "lab"}
	ctx := t.Context()
	old := time.Date(2026, 11, 24, 9, 12, 0, 0, time.UTC)
	for _, p := range []store.Proof{
		{Bench: "lab", Input: rig.Lid, LastOpened: old, How: "by hand", By: "Ada"},
		{Bench: "lab", Input: rig.Tray, LastOpened: old, How: "by hand", By: "Ada"},
		{Bench: "shed", Input: rig.EStop, LastOpened: old, How: "by hand", By: "Bob"},
	} {
		if err := c.st.AddProof(ctx, p); err != nil {
			t.Fatal(err)
		}
	}
	ago := gpio.Now().Add(-time.Hour)
	seen := []interlock.Opening{{Input: rig.Tray, At: ago, By: rig.LoopTest}, {Input: rig.Reservoir, At: ago}}
	if err := c.keepOpenings(ctx, 12, seen); err != nil {
		t.Fatal(err)
	}
	got, err := c.lastOpened(ctx)
	if err != nil || len(got) != 3 || got[rig.Lid] != "2026-11-24 09:12 UTC, by hand (Ada)" {
		t.Errorf("%q, %v", got, err)
	}
	for input, how := range map[string]string{rig.Tray: " UTC, opened by loop_test in run 12", rig.Reservoir: " UTC, in run 12"} {
		text, ok := strings.CutSuffix(got[input], how)
		at, err := time.Parse("2006-01-02 15:04", text)
		if away := time.Since(at) - time.Hour; !ok || err != nil || away < -time.Minute || away > 30*time.Minute {
			t.Errorf("%s: %q", input, got[input])
		}
	}
	none := (*claim)(nil)
	if got, err := none.lastOpened(ctx); got != nil || err != nil || none.keepOpenings(ctx, 1, seen) != nil {
		t.Errorf("a virtual bench: %v, %v", got, err)
	}
}
