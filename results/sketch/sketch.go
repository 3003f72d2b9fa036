// Package sketch draws a stretch of a timeline with characters, for a
// terminal: a row a channel, time from left to right.
package sketch

import (
	"bufio"
	"fmt"
	"io"
	"iter"
	"strings"

	"drench/rig"
)

// Window is the stretch of time to draw.
type Window struct {
	Title    string
	From, To rig.Instant
}

// levels are the marks of a row: lines show the lowest and the highest, and
// mixed where both were seen within a column.
var levels = []rune("▁▂▃▄▅▆▇█")

const mixed = '▒'

// cell is what a channel did within one column.
type cell struct {
	seen           bool
	min, max, last int64
}

func (c *cell) add(v int64) {
	if !c.seen {
		*c = cell{true, v, v, v}
	}
	c.min, c.max, c.last = min(c.min, v), max(c.max, v), v
}

// row is one channel over the window.
type row struct {
	channel rig.Channel
	before  int64 // value when the window begins
	known   bool
	now     cell // the last value added
	moved   bool // within the window
	cells   []cell
}

// Draw draws the channels that changed within the window, in so many columns.
func Draw(w io.Writer, table []rig.Channel, events iter.Seq2[rig.Event, error], win Window, columns int) error {
	if columns < 1 || win.To <= win.From {
		return fmt.Errorf("sketch of %v to %v in %d columns; expected a stretch of time and a column or more", win.From, win.To, columns)
	}
	rows := make([]row, len(table))
	for i := range rows {
		rows[i] = row{channel: table[i], cells: make([]cell, columns)}
	}
	for ev, err := range events {
		if err != nil {
			return fmt.Errorf("sketch the timeline: %w", err)
		}
		if ev.Kind != rig.Edge && ev.Kind != rig.Command && ev.Kind != rig.Reading || int(ev.Channel) >= len(rows) || ev.At > win.To {
			continue
		}
		rows[ev.Channel].add(ev, win)
	}
	return write(w, rows, win, columns)
}

func (r *row) add(ev rig.Event, win Window) {
	if ev.At < win.From {
		r.before, r.known = ev.Value, true
		return
	}
	i := min(int(float64(ev.At-win.From)/float64(win.To-win.From)*float64(len(r.cells))), len(r.cells)-1)
	if !r.moved && r.known {
		r.now.add(r.before)
	}
	if r.now.seen && r.channel.Dir == rig.Input {
		r.cells[i].add(r.now.last) // the level up to the edge was there in this column as well
	}
	r.cells[i].add(ev.Value)
	r.now.add(ev.Value)
	r.moved = true
}

func write(out io.Writer, rows []row, win Window, columns int) error {
	w := bufio.NewWriter(out)
	fmt.Fprintf(w, "%s  (%v to %v)\n", win.Title, win.From, win.To)
	for i := range rows {
		if r := &rows[i]; r.moved && r.now.min != r.now.max {
			marks, low, high := r.marks()
			fmt.Fprintf(w, "  %-12s %s  %s\n", r.channel.Name, marks, span(r.channel.Unit, low, high))
		}
	}
	fmt.Fprintf(w, "  %-12s %s\n", "", scale(win, columns))
	return w.Flush()
}

func span(u rig.Unit, low, high int64) string {
	if u == rig.Level {
		return ""
	}
	return fmt.Sprintf("%v to %v", rig.Quantity{N: low, Unit: u}, rig.Quantity{N: high, Unit: u})
}

// marks draws the row and returns the range that it spans.
func (r *row) marks() (string, int64, int64) {
	low, high := r.before, r.before
	if !r.known {
		low, high = 1<<62, -1<<62
	}
	for _, c := range r.cells {
		if c.seen {
			low, high = min(low, c.min), max(high, c.max)
		}
	}
	switch r.channel.Unit {
	case rig.Level:
		low, high = 0, 1
	case rig.Volt, rig.Ampere: // noise on a steady rail is not to fill the row
		low = min(low, 0)
	}
	var b strings.Builder
	value, known := r.before, r.known
	for _, c := range r.cells {
		switch {
		case c.seen && c.min != c.max && r.channel.Unit == rig.Level:
			b.WriteRune(mixed)
			value, known = c.last, true
		case c.seen || known:
			if c.seen {
				value, known = c.last, true
			}
			b.WriteRune(levels[height(value, low, high)])
		default:
			b.WriteByte(' ')
		}
	}
	return b.String(), low, high
}

func height(v, low, high int64) int {
	if high <= low {
		return 0
	}
	return int(float64(v-low) / float64(high-low) * float64(len(levels)-1))
}

// scale writes times under the row.
func scale(win Window, columns int) string {
	left := fmt.Sprintf("%.1f s", float64(win.From)/1e9)
	right := fmt.Sprintf("%.1f s", float64(win.To)/1e9)
	return left + strings.Repeat(" ", max(columns-len(left)-len(right), 1)) + right
}
