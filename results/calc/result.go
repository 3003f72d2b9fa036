package calc

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
)

// Value is a named value: float64, int, bool, string, a slice of float64, int
// or string, a Grid, or nil for what does not exist.
type Value struct {
	Name string
	V    any
}

// Grid is a table of values.
type Grid struct {
	Columns []string
	Rows    [][]any
}

// Result is what a statistic gave, in order.
type Result struct {
	Values []Value
	Notes  []string // what to know about the values
}

// Answer is the outcome of a call, with what it was asked.
type Answer struct {
	Name   string
	Inputs []Value
	Result
	Source string
}

// set adds a value.
func (r *Result) set(name string, v any) { r.Values = append(r.Values, Value{name, v}) }

// limit adds a value that may not exist, and says why.
func (r *Result) limit(name string, v float64, exists bool, why string) {
	if exists {
		r.set(name, v)
		return
	}
	r.absent(name, why)
}

// reach sets a whole number that may not exist.
func (r *Result) reach(name string, v int, exists bool, why string) {
	if exists {
		r.set(name, v)
		return
	}
	r.absent(name, why)
}

// absent adds what does not exist, and says why.
func (r *Result) absent(name, why string) {
	r.set(name, nil)
	r.note("%s: %s", name, why)
}

func (r *Result) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

// WriteText writes values, tables and notes for a person to read. Numbers have
// all their digits.
func (a Answer) WriteText(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, v := range a.Values {
		if g, ok := v.V.(Grid); ok {
			t.Flush()
			fmt.Fprintf(t, "%s\n%s\n", v.Name, indented(g.Columns))
			for _, row := range g.Rows {
				cells := make([]string, len(row))
				for i, c := range row {
					cells[i] = text(c)
				}
				fmt.Fprintln(t, indented(cells))
			}
			t.Flush()
			continue
		}
		fmt.Fprintf(t, "%s\t%s\n", v.Name, text(v.V))
	}
	for _, n := range a.Notes {
		fmt.Fprintf(t, "note: %s\n", n)
	}
	return t.Flush()
}

func indented(cells []string) string { return "  " + strings.Join(cells, "\t") }

// text writes one value, with all its digits.
func text(v any) string {
	switch v := v.(type) {
	case nil:
		return None
	case float64:
		if math.IsInf(v, 0) {
			return None
		}
		return strconv.FormatFloat(v, 'g', -1, 64)
	case bool:
		return map[bool]string{true: "yes", false: "no"}[v]
	case []float64:
		return listed(v)
	case []int:
		return listed(v)
	case []string:
		return listed(v)
	}
	return fmt.Sprint(v)
}

func listed[T any](list []T) string {
	if len(list) == 0 {
		return None
	}
	texts := make([]string, len(list))
	for i, v := range list {
		texts[i] = text(v)
	}
	return strings.Join(texts, " ")
}

// MarshalJSON writes the members name, inputs, values, notes (if any) and
// source; inputs and values are objects in the entry's order, a table is a list
// of objects, and what does not exist is null.
func (a Answer) MarshalJSON() ([]byte, error) {
	whole := object{{"name", a.Name}, {"inputs", object(a.Inputs)}, {"values", object(a.Values)}}
	if len(a.Notes) > 0 {
		whole = append(whole, Value{"notes", a.Notes})
	}
	return json.Marshal(append(whole, Value{"source", a.Source}))
}

// object is a JSON object with its members in order.
type object []Value

func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		name, err := json.Marshal(m.Name)
		if err != nil {
			return nil, err
		}
		value, err := json.Marshal(plain(m.V))
		if err != nil {
			return nil, fmt.Errorf("write %s: %w", m.Name, err)
		}
		b.Write(name)
		b.WriteByte(':')
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// plain turns a value into what JSON can hold.
func plain(v any) any {
	switch v := v.(type) {
	case float64:
		if math.IsInf(v, 0) {
			return nil
		}
	case Grid:
		rows := make([]object, len(v.Rows))
		for i, row := range v.Rows {
			for j, cell := range row {
				rows[i] = append(rows[i], Value{v.Columns[j], cell})
			}
		}
		return rows
	}
	return v
}
