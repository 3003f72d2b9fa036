package calc

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// maxComplaints is how many bad cells are reported at once.
const maxComplaints = 10

// wanted is a column to be read from data.
type wanted struct {
	param Param
	head  string // its heading
	index int    // of its field in a row
	at    string // where its heading is
	blank string // where its first blank cell is, "" before
}

// read fills the columns of the entry from data, and returns what to show as
// inputs: the file, and the number of values of each column.
func (a Args) read(e Entry, given map[string]string, data Data) ([]Value, error) {
	r := csv.NewReader(data.R)
	r.Comment = '#'
	r.TrimLeadingSpace = true
	r.ReuseRecord = true
	header, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s:1:1: there is nothing in it; expected a header and rows of comma-separated values", data.Name)
	} else if err != nil {
		return nil, csvError(data.Name, err)
	}
	line, _ := r.FieldPos(0)
	columns, err := locate(e, given, header)
	if err != nil {
		return nil, fmt.Errorf("%s:%d:1: %w", data.Name, line, err)
	}
	for i, c := range columns {
		_, col := r.FieldPos(c.index)
		columns[i].at = fmt.Sprintf("%s:%d:%d", data.Name, line, col)
	}
	var errs []error
	for len(errs) < maxComplaints {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			errs = append(errs, csvError(data.Name, err))
			if errors.Is(err, csv.ErrFieldCount) {
				continue
			}
			break
		}
		for i := range columns {
			if err := a.take(&columns[i], row, r, data.Name); err != nil {
				errs = append(errs, err)
			}
		}
	}
	inputs := []Value{{"data", data.Name}}
	for _, c := range columns {
		inputs = append(inputs, Value{c.param.Name, fmt.Sprintf("%d values of column %s", a.rows(c.param), c.head)})
		if a.rows(c.param) == 0 && errs == nil {
			errs = append(errs, fmt.Errorf("%s: column %q has no values below it; expected %s", c.at, c.head, c.param.Kind))
		}
	}
	return inputs, errors.Join(errs...)
}

// locate finds the columns that the entry wants in the header.
func locate(e Entry, given map[string]string, header []string) ([]wanted, error) {
	names := make([]string, len(header))
	for i, h := range header {
		names[i] = strings.TrimSpace(strings.TrimPrefix(h, "\ufeff"))
	}
	var columns []wanted
	for _, p := range e.Params {
		if !p.Kind.IsColumn() {
			continue
		}
		head, named := given[p.Name]
		if !named {
			head = p.Name
		}
		i := slices.Index(names, head)
		switch {
		case i < 0 && !named && p.Default == None:
			continue
		case i < 0:
			return nil, fmt.Errorf("there is no column %q; expected a header that has it, or --%s with one of %s", head, p.Name, strings.Join(names, ", "))
		case slices.Contains(names[i+1:], head):
			return nil, fmt.Errorf("there are two columns %q; expected one", head)
		}
		columns = append(columns, wanted{param: p, head: head, index: i})
	}
	return columns, nil
}

// take adds a column's cell of one row. A column may end before others do, but
// has no holes.
func (a Args) take(c *wanted, row []string, r *csv.Reader, name string) error {
	cell := strings.TrimSpace(row[c.index])
	line, col := r.FieldPos(c.index)
	at := fmt.Sprintf("%s:%d:%d", name, line, col)
	if cell == "" {
		if c.blank == "" {
			c.blank = at
		}
		return nil
	}
	if c.blank != "" {
		hole := c.blank
		c.blank = ""
		return fmt.Errorf("%s: column %q has a blank cell above line %d; expected %s without holes", hole, c.head, line, c.param.Kind)
	}
	if err := a.add(c.param, cell); err != nil {
		return fmt.Errorf("%s: column %q: %w", at, c.head, err)
	}
	return nil
}

// csvError puts an error of the format into our words.
func csvError(name string, err error) error {
	var bad *csv.ParseError
	switch {
	case !errors.As(err, &bad):
		return fmt.Errorf("read %s: %w", name, err)
	case errors.Is(err, csv.ErrFieldCount):
		return fmt.Errorf("%s:%d:%d: the row has another number of fields than the header; expected equally many", name, bad.Line, bad.Column)
	}
	return fmt.Errorf("%s:%d:%d: %w; expected comma-separated values with paired quotes", name, bad.Line, bad.Column, bad.Err)
}
