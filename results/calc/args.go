package calc

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Data is a table of comma-separated values, with the name that errors give it.
type Data struct {
	Name string
	R    io.Reader
}

// Args holds the values of an entry's parameters.
type Args struct {
	numbers map[string]float64
	counts  map[string]int
	choices map[string]string
	columns map[string][]float64
	labels  map[string][]string
}

// Has reports whether a parameter that may be left out was given.
func (a Args) Has(name string) bool {
	_, number := a.numbers[name]
	_, count := a.counts[name]
	_, column := a.columns[name]
	_, labels := a.labels[name]
	return number || count || column || labels
}

// Number returns a Number or Probability.
func (a Args) Number(name string) float64 { return a.numbers[name] }

// Count returns a Count.
func (a Args) Count(name string) int { return a.counts[name] }

// Choice returns a Choice.
func (a Args) Choice(name string) string { return a.choices[name] }

// Column returns a Column.
func (a Args) Column(name string) []float64 { return a.columns[name] }

// Counts returns a CountColumn.
func (a Args) Counts(name string) []int {
	whole := make([]int, len(a.columns[name]))
	for i, v := range a.columns[name] {
		whole[i] = int(v)
	}
	return whole
}

// Flags returns a FlagColumn.
func (a Args) Flags(name string) []bool {
	flags := make([]bool, len(a.columns[name]))
	for i, v := range a.columns[name] {
		flags[i] = v != 0
	}
	return flags
}

// Labels returns a LabelColumn.
func (a Args) Labels(name string) []string { return a.labels[name] }

// Call runs the entry. given holds the parameters as text, by name. With data,
// columns are read from it, and what is given for one is its heading there (by
// default its own name); without, what is given for one is its values,
// separated by commas.
//
// The error says which parameter or which cell of data is wrong and what was
// expected, or is the error of the statistic.
func (e Entry) Call(given map[string]string, data *Data) (Answer, error) {
	for name := range given {
		if !e.Takes(name) {
			return Answer{}, fmt.Errorf("%s has no parameter %q; expected one of %s", e.Name, name, e.paramNames())
		}
	}
	a := Args{map[string]float64{}, map[string]int{}, map[string]string{}, map[string][]float64{}, map[string][]string{}}
	inputs, err := a.readTyped(e, given, data != nil)
	if data != nil {
		columns, bad := a.read(e, given, *data)
		inputs, err = append(inputs, columns...), errors.Join(err, bad)
	}
	if err != nil {
		return Answer{}, err
	}
	if err := a.checkRows(e); err != nil {
		return Answer{}, err
	}
	result, err := e.Run(a)
	if err != nil {
		return Answer{}, err
	}
	return Answer{Name: e.Name, Inputs: inputs, Result: result, Source: e.Source}, nil
}

// readTyped reads the parameters given as text, but for columns if those come
// from data, and returns what to show as inputs.
func (a Args) readTyped(e Entry, given map[string]string, columnsFromData bool) (inputs []Value, err error) {
	var errs []error
	for _, p := range e.Params {
		if p.Kind.IsColumn() && columnsFromData {
			continue
		}
		text, ok := given[p.Name]
		if !ok {
			text = p.Default
		}
		if text == None && p.Default == None {
			continue
		}
		if text == "" {
			errs = append(errs, fmt.Errorf("--%s is missing: %s; expected %s", p.Name, p.About, p.expected()))
			continue
		}
		shown, err := a.set(p, text)
		if err != nil {
			errs = append(errs, fmt.Errorf("--%s: %w", p.Name, err))
		}
		inputs = append(inputs, Value{p.Name, shown})
	}
	return inputs, errors.Join(errs...)
}

// set reads the text of one parameter and returns its value for showing.
func (a Args) set(p Param, text string) (any, error) {
	switch p.Kind {
	case Count:
		v, err := parseCount(text)
		if err == nil && p.Most > 0 && v > float64(p.Most) {
			err = fmt.Errorf("%s is too many; expected at most %d", text, p.Most)
		}
		a.counts[p.Name] = int(v)
		return int(v), err
	case Choice:
		if !slices.Contains(p.Choices, text) {
			return nil, fmt.Errorf("%q is not a choice; expected %s", text, p.expected())
		}
		a.choices[p.Name] = text
		return text, nil
	case Number, Probability:
		v, err := p.parse(text)
		a.numbers[p.Name] = v
		return v, err
	}
	cells := strings.Split(text, ",")
	for i, cell := range cells {
		if err := a.add(p, strings.TrimSpace(cell)); err != nil {
			return nil, fmt.Errorf("value %d: %w", i+1, err)
		}
	}
	if p.Kind == LabelColumn {
		return a.labels[p.Name], nil
	}
	return a.columns[p.Name], nil
}

// add appends one cell to a column.
func (a Args) add(p Param, cell string) error {
	if p.Kind == LabelColumn {
		if cell == "" {
			return errors.New("there is nothing; expected a label")
		}
		a.labels[p.Name] = append(a.labels[p.Name], cell)
		return nil
	}
	v, err := p.parse(cell)
	if err != nil {
		return err
	}
	a.columns[p.Name] = append(a.columns[p.Name], v)
	return nil
}

// parse reads one number of the parameter's kind.
func (p Param) parse(text string) (float64, error) {
	switch p.Kind {
	case CountColumn:
		return parseCount(text)
	case FlagColumn:
		switch text {
		case "0", "1":
			return float64(text[0] - '0'), nil
		}
		return 0, fmt.Errorf("%q is not a flag; expected 0 or 1", text)
	case Probability:
		return parseProbability(text)
	}
	return parseNumber(text)
}

// parseNumber reads a finite decimal number; what the language takes beyond
// that (inf, nan, hexadecimal, underscores) is refused.
func parseNumber(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || strings.ContainsAny(text, "xX_") {
		return 0, fmt.Errorf("%q is not a finite number; expected one such as 0.25 or 2.5e-3", text)
	}
	return v, nil
}

// maxCount keeps counts exact in a float64 and in an int.
const maxCount = 1 << 53

func parseCount(text string) (float64, error) {
	v, err := strconv.ParseInt(text, 10, 64)
	if err != nil || v < 0 || v > maxCount {
		return 0, fmt.Errorf("%q is not a count; expected a whole number, 0 or more", text)
	}
	return float64(v), nil
}

func parseProbability(text string) (float64, error) {
	bare, percent := strings.CutSuffix(text, "%")
	v, err := parseNumber(strings.TrimSpace(bare))
	if percent {
		v /= 100
	}
	if err != nil || v < 0 || v > 1 {
		return 0, fmt.Errorf("%q is not a probability; expected 0 to 1, such as 0.95, or a percentage, such as 95%%", text)
	}
	return v, nil
}

// checkRows refuses columns of one set of rows that differ in length.
func (a Args) checkRows(e Entry) error {
	first := map[string]Param{}
	for _, p := range e.Params {
		if !p.Kind.IsColumn() || !a.Has(p.Name) {
			continue
		}
		q, ok := first[p.Rows]
		if !ok {
			first[p.Rows] = p
		} else if a.rows(p) != a.rows(q) {
			return fmt.Errorf("--%s has %d values and --%s has %d; expected one of each a row", p.Name, a.rows(p), q.Name, a.rows(q))
		}
	}
	return nil
}

func (a Args) rows(p Param) int { return len(a.columns[p.Name]) + len(a.labels[p.Name]) }

// expected says what a parameter may hold.
func (p Param) expected() string {
	switch p.Kind {
	case Choice:
		return strings.Join(p.Choices, " or ")
	case Number, Count, Probability:
		return "a " + p.Kind.String()
	}
	return p.Kind.String() + " with commas between, or --data FILE with a column of that name"
}

func (e Entry) paramNames() string {
	names := make([]string, len(e.Params))
	for i, p := range e.Params {
		names[i] = "--" + p.Name
	}
	return strings.Join(names, ", ")
}
