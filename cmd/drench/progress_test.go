package main

import (
	"fmt"
	"io"
	"strings"
	"testing"

	"drench/rig"
)

// TestProgress: a line at each tenth, all of them, in order.
func TestProgress(t *testing.T) {
	var out strings.Builder
	p := newProgress(&out, "drip", 50)
	for n := range 50 {
		p.trial(n+1, rig.Trial{Kind: rig.Wet})
	}
	p.end()
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != 10 {
		t.Fatalf("%d lines:\n%s", len(lines), out.String())
	}
	for i, line := range lines {
		if want := fmt.Sprintf("drip: trial %d of 50 (wet)", 5*(i+1)); !strings.Contains(line, want) {
			t.Errorf("line %d is %q, want %q", i, line, want)
		}
	}
}

// TestProgressHeld: a reader that takes nothing does not keep the run waiting.
func TestProgressHeld(t *testing.T) {
	r, w := io.Pipe()
	p := newProgress(w, "drip", 0) // a line for every trial
	for n := range 1000 {
		p.trial(n+1, rig.Trial{Kind: rig.Wet})
		p.tenth = 0
	}
	read := make(chan int)
	go func() {
		b, _ := io.ReadAll(r)
		read <- strings.Count(string(b), "\n")
	}()
	p.end()
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if n := <-read; n < mostLines || n > mostLines+1 {
		t.Errorf("%d lines came through, want the %d that waited", n, mostLines)
	}
}
