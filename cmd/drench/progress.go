package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"drench/rig"

	"golang.org/x/term"
)

// progress tells how far a run is: one line that is written over on a
// terminal, a plain line at each tenth elsewhere.
type progress struct {
	w        io.Writer
	name     string
	total    int
	terminal bool
	began    time.Time
	shown    time.Time
	tenth    int
}

func newProgress(w io.Writer, name string, total int) *progress {
	p := &progress{w: w, name: name, total: total, began: time.Now()}
	if f, ok := w.(*os.File); ok {
		p.terminal = term.IsTerminal(int(f.Fd()))
	}
	return p
}

// trial is called when a trial has ended.
func (p *progress) trial(n int, t rig.Trial) {
	total := max(p.total, n)
	line := fmt.Sprintf("  %s: trial %d of %d (%s)", p.name, n, total, t.Kind)
	if n < total {
		left := time.Duration(float64(time.Since(p.began)) / float64(n) * float64(total-n))
		line += fmt.Sprintf(", about %v left", left.Round(time.Second))
	}
	if p.terminal {
		if time.Since(p.shown) > 100*time.Millisecond || n == total {
			p.shown = time.Now()
			fmt.Fprintf(p.w, "\r%s\x1b[K", line)
		}
		return
	}
	if tenth := n * 10 / total; tenth > p.tenth {
		p.tenth = tenth
		fmt.Fprintln(p.w, line)
	}
}

// end leaves the terminal's line.
func (p *progress) end() {
	if p.terminal && !p.shown.IsZero() {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
