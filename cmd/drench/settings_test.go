package main

import (
	"path/filepath"
	"strings"
	"testing"

	"drench/results/store"
)

// TestSet: a setting counts, the profile that is kept shows it, and the same
// run without it is another.
func TestSet(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	for _, set := range [][]string{nil, {"--set", "sampling.period=1 s", "--set", "heartbeat=1 s"}} {
		_, stderr, status := call(t, data, append([]string{bin, "run", "drip", "--trials", "2", "--seed", "1"}, set...)...)
		if status != 3 { // too few trials
			t.Fatalf("%v: status %d\n%s", set, status, stderr)
		}
	}
	st, err := store.Open(t.Context(), filepath.Join(data, "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	plain, err := st.Get(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	changed, err := st.Get(t.Context(), 2)
	if err != nil {
		t.Fatal(err)
	}
	if plain.Sum == changed.Sum {
		t.Error("the setting changed nothing")
	}
	text := changed.Sources["profile"].Text
	if !strings.Contains(text, "period: 1 s # set for this run; the profile says 2 s") {
		t.Errorf("the profile that was kept:\n%s", text)
	}
}

func TestWrongSet(t *testing.T) {
	bin := drench(t)
	for set, want := range map[string]string{
		"sampling.perod=1 s": `setting sampling.perod=1 s: unknown key perod; expected "period", perhaps`,
		"sampling.period=1":  "setting sampling.period=1: ",
		"sampling.period":    `setting "sampling.period"; expected key=value`,
	} {
		data := filepath.Join(t.TempDir(), "data")
		_, stderr, status := call(t, data, bin, "run", "drip", "--set", set)
		if status != wrongUse || !strings.Contains(stderr, want) {
			t.Errorf("--set %q: status %d, %s", set, status, stderr)
		}
	}
}
