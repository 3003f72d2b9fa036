package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/mistake"

	"periph.io/x/conn/v3/physic"
)

// sheet is a table of raw data: comma-separated values with a header.
type sheet struct {
	name    string
	columns []string
	reader  *csv.Reader
	row     []string
}

// openSheet reads the header, which must have the columns, in any order;
// columns that end in ? may be left out.
func openSheet(name string, r io.Reader, columns ...string) (*sheet, error) {
	s := &sheet{name: name, reader: csv.NewReader(r)}
	s.reader.Comment = '#'
	s.reader.TrimLeadingSpace = true
	var err error
	if s.columns, err = s.reader.Read(); err != nil {
		return nil, s.unreadable(err, "a header of "+strings.Join(columns, ", "))
	}
	known := make([]string, len(columns))
	for i, c := range columns {
		name, optional := strings.CutSuffix(c, "?")
		known[i] = name
		if !optional && !slices.Contains(s.columns, name) {
			return nil, s.wrong(0, "there is no column "+name, "a header of "+strings.Join(columns, ", "))
		}
	}
	for i, c := range s.columns {
		if !slices.Contains(known, c) || slices.Contains(s.columns[:i], c) {
			return nil, s.wrong(i, "column "+quote(c)+" is unknown or there twice", "a header of "+strings.Join(known, ", "))
		}
	}
	return s, nil
}

// next reads a row; false at the end.
func (s *sheet) next() (bool, error) {
	var err error
	s.row, err = s.reader.Read()
	switch {
	case errors.Is(err, io.EOF):
		return false, nil
	case err != nil:
		return false, s.unreadable(err, fmt.Sprintf("%d values", len(s.columns)))
	}
	return true, nil
}

func (s *sheet) unreadable(err error, want string) error {
	e := mistake.Error{File: s.name, Line: 1, Col: 1, What: err.Error(), Want: want, Cause: err}
	var at *csv.ParseError
	if errors.As(err, &at) {
		e.Line, e.Col, e.What = at.Line, max(at.Column, 1), at.Err.Error()
	}
	return e
}

// wrong is a mistake in a column of the row just read.
func (s *sheet) wrong(column int, what, want string) error {
	line, col := s.reader.FieldPos(column)
	return mistake.Error{File: s.name, Line: line, Col: col, What: what, Want: want}
}

// field hands the row's value in a column to take; a column that is not there
// is passed over.
func (s *sheet) field(column, want string, take func(string) error) error {
	i := slices.Index(s.columns, column)
	if i < 0 {
		return nil
	}
	if err := take(strings.TrimSpace(s.row[i])); err != nil {
		return s.wrong(i, fmt.Sprintf("%s is %s", column, quote(s.row[i])), want)
	}
	return nil
}

// quantity reads a value with its unit.
func (s *sheet) quantity(column string, unit rig.Unit, to *int64) error {
	return s.field(column, fmt.Sprintf("a value with its unit, such as %q", unit.Example()), func(text string) (err error) {
		*to, err = rig.ParseAs(text, unit)
		return err
	})
}

// readData reads a file of raw data.
func readData[T any](path string, parse func(name string, r io.Reader) (T, error)) (T, error) {
	f, err := os.Open(path)
	if err != nil {
		var none T
		return none, fmt.Errorf("read raw data: %w", err)
	}
	defer f.Close()
	return parse(path, f)
}

// parseWeighings reads rows of on, mass_mg and perhaps drops.
func parseWeighings(name string, r io.Reader) ([]calibration.Weighing, error) {
	s, err := openSheet(name, r, "on", "mass_mg", "drops?")
	if err != nil {
		return nil, err
	}
	var out []calibration.Weighing
	for {
		more, err := s.next()
		if err != nil || !more {
			return out, err
		}
		var w calibration.Weighing
		var on int64
		err = errors.Join(
			s.quantity("on", rig.Second, &on),
			s.field("mass_mg", "a net mass in mg, such as 497.1", func(text string) (err error) { w.Mass, err = parseMass(text); return err }),
			s.field("drops", "a whole number", func(text string) (err error) { w.Drops, err = strconv.Atoi(text); return err }),
		)
		if err != nil {
			return nil, err
		}
		w.On = time.Duration(on)
		out = append(out, w)
	}
}

// parseSteps reads rows of step, from, to, at and rail; the rows of a step stand
// together.
func parseSteps(name string, r io.Reader) ([]calibration.Step, error) {
	s, err := openSheet(name, r, "step", "from", "to", "at", "rail")
	if err != nil {
		return nil, err
	}
	var out []calibration.Step
	last := ""
	for {
		more, err := s.next()
		if err != nil || !more {
			return out, err
		}
		var step string
		var from, to, at, rail int64
		err = errors.Join(s.field("step", "", func(text string) error { step = text; return nil }),
			s.quantity("from", rig.Volt, &from), s.quantity("to", rig.Volt, &to), s.quantity("at", rig.Second, &at), s.quantity("rail", rig.Volt, &rail))
		if err != nil {
			return nil, err
		}
		if step != last || len(out) == 0 {
			out = append(out, calibration.Step{From: physic.ElectricPotential(from), To: physic.ElectricPotential(to)})
			last = step
		}
		now := &out[len(out)-1]
		if now.From != physic.ElectricPotential(from) || now.To != physic.ElectricPotential(to) {
			return nil, s.wrong(0, fmt.Sprintf("step %s has other levels than in the row before", quote(step)), "one from and to for all rows of a step")
		}
		now.Trace = append(now.Trace, calibration.Point{At: time.Duration(at), Rail: physic.ElectricPotential(rail)})
	}
}

// parseMass reads a net mass in mg, or in g if it says so.
func parseMass(s string) (calibration.Milligram, error) {
	scale := 1.0
	text, gram := strings.CutSuffix(s, "g")
	if gram {
		var milli bool
		if text, milli = strings.CutSuffix(text, "m"); !milli {
			scale = 1e3
		}
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || !(v > 0 && v < 1e9) {
		return 0, fmt.Errorf("%s is no net mass; expected a number above 0 in mg, such as 497.1, or 0.4971 g", quote(s))
	}
	return calibration.Milligram(v * scale), nil
}
