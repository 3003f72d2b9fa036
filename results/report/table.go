package report

import (
	"strings"

	"drench/results/verdict"
)

// section is one subject of the page: what to conclude, and what shows it.
type section struct {
	ID      string
	Heading string
	Words   []string // the first is the conclusion
	Tiles   []tile
	Legend  []tile
	Plots   []plot
	Shown   []*table // always open
	Data    *table   // the plots' data, to be opened
	Text    string   // a file as written
	Wide    bool     // its table needs the whole width
}

// tile is a trial as a mark.
type tile struct{ Href, Verdict, Letter, Text string }

// table is any table of the page.
type table struct {
	Caption string
	Head    []column
	Rows    []row
	Note    string
	Narrow  bool // fits a telephone as it is
}

type column struct {
	Name    string
	Numeric bool
}

type row struct {
	ID    string
	Cells []cell
}

// cell is text, perhaps after a verdict's mark, over a smaller line, or with
// a limit drawn as a gauge.
type cell struct {
	Name    string // of the column, for narrow screens
	Numeric bool
	Verdict string
	Text    string
	Small   string
	Gauge   *gauge
}

// add appends a row of plain text.
func (t *table) add(texts ...string) {
	cells := make([]cell, len(texts))
	for i, text := range texts {
		cells[i].Text = text
	}
	t.addRow("", cells...)
}

// addRow appends a row, and takes out of it what a page can't hold.
func (t *table) addRow(id string, cells ...cell) {
	for i := range cells {
		cells[i].Name, cells[i].Numeric = t.Head[i].Name, t.Head[i].Numeric
		cells[i].Text, cells[i].Small = printable(cells[i].Text), printable(cells[i].Small)
	}
	t.Rows = append(t.Rows, row{id, cells})
}

// verdictCell shows a verdict by its mark and its word.
func verdictCell(v verdict.Verdict) cell { return cell{Verdict: v.String(), Text: v.String()} }

// slug makes a name fit for an id.
func slug(s string) string { return strings.ReplaceAll(s, " ", "-") }
