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
// terminal, a plain line at each tenth elsewhere. It writes beside the run loop:
// a terminal that is held (Ctrl-S), or a pipe that nobody reads, must not keep
// the supervisor waiting.
type progress struct {
	text     chan string
	written  chan struct{} // closed once all text is
	name     string
	total    int
	terminal bool
	began    time.Time
	shown    time.Time
	tenth    int
}

func newProgress(w io.Writer, name string, total int) *progress {
	p := &progress{text: make(chan string, mostLines), written: make(chan struct{}), name: name, total: total, began: time.Now()}
	if f, ok := w.(*os.File); ok {
		p.terminal = term.IsTerminal(int(f.Fd()))
	}
	go func() {
		defer close(p.written)
		for text := range p.text {
			_, _ = io.WriteString(w, text) // a run goes on without its progress
		}
	}()
	return p
}

// mostLines is how many lines wait for whoever reads them: more than the ten of
// a run without a terminal.
const mostLines = 16

// write hands text to the writer, or drops it if that is far behind.
func (p *progress) write(text string) {
	select {
	case p.text <- text:
	default:
	}
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
			p.write("\r" + line + "\x1b[K")
		}
		return
	}
	if tenth := n * 10 / total; tenth > p.tenth {
		p.tenth = tenth
		p.write(line + "\n")
	}
}

// end leaves the terminal's line. Nothing runs any more, so it waits.
func (p *progress) end() {
	if p.terminal && !p.shown.IsZero() {
		p.text <- "\r\x1b[K"
	}
	close(p.text)
	<-p.written
}
