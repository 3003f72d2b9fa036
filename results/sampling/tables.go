package sampling

import (
	"embed"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// Letter is a sample size code letter, A to R without I and O.
type Letter string

// Level is an inspection level of the standard.
type Level string

// The special levels, for small samples, and the general ones; II is the usual.
const (
	LevelS1  Level = "S-1"
	LevelS2  Level = "S-2"
	LevelS3  Level = "S-3"
	LevelS4  Level = "S-4"
	LevelI   Level = "I"
	LevelII  Level = "II"
	LevelIII Level = "III"
)

// smallestLot is where the standard's table of code letters begins.
const smallestLot = 2

// CodeLetter returns the sample size code letter for a lot of that many units
// (MIL-STD-105E table I). It returns an error for a lot below 2 or an unknown
// level.
func CodeLetter(lot int, level Level) (Letter, error) {
	t, err := loadTables()
	if err != nil {
		return "", err
	}
	return t.letter(lot, level)
}

// A Selection is a plan looked up in the standard.
type Selection struct {
	Plan
	Letter Letter `json:"letter"` // code letter of the lot; arrows may lead to another row
	Whole  bool   `json:"whole"`  // the sample is the whole lot
}

// Select returns the single sampling plan for a lot of that many units, an AQL
// in percent out of 0.065 to 10, and a severity: MIL-STD-105E tables I and
// II-A to II-C, arrows followed. Where the sample would be as large as the lot
// or larger the whole lot is inspected, with the same acceptance number.
//
// The normal and tightened tables are the same in ISO 2859-1 for these AQLs
// (from memory). The reduced one is that of MIL-STD-105E, with its gap between
// Ac and Re, which ISO 2859-1:1999 closed.
//
// It returns an error for a lot below 2, an unknown level, an AQL that is not
// in the table, and inspection that is Stopped.
func Select(lot int, level Level, aql float64, severity Severity) (Selection, error) {
	t, err := loadTables()
	if err != nil {
		return Selection{}, err
	}
	letter, err := t.letter(lot, level)
	if err != nil {
		return Selection{}, err
	}
	p, err := t.plan(letter, aql, severity)
	if err != nil {
		return Selection{}, err
	}
	s := Selection{Plan: p, Letter: letter, Whole: p.N >= lot}
	s.N = min(s.N, lot)
	return s, nil
}

// AQLs returns the AQLs of the tables in percent, ascending.
func AQLs() ([]float64, error) {
	t, err := loadTables()
	if err != nil {
		return nil, err
	}
	return slices.Clone(t.aqls), nil
}

//go:embed tables/*.csv
var files embed.FS

// loadTables parses the embedded tables once.
var loadTables = sync.OnceValues(parseTables)

// tables hold the standard. Rows of plans are by letter, columns by AQL.
type tables struct {
	upto    []int // largest lot of each row of letters
	levels  []Level
	letters [][]Letter
	order   []Letter
	aqls    []float64
	plans   map[Severity][][]Plan
}

func (t tables) letter(lot int, level Level) (Letter, error) {
	if lot < smallestLot {
		return "", fmt.Errorf("lot is %d units: want %d or more", lot, smallestLot)
	}
	column := slices.Index(t.levels, level)
	if column < 0 {
		return "", fmt.Errorf("level is %q: want one of %q", level, t.levels)
	}
	row := slices.IndexFunc(t.upto, func(upto int) bool { return lot <= upto })
	return t.letters[row][column], nil
}

func (t tables) plan(letter Letter, aql float64, severity Severity) (Plan, error) {
	plans, ok := t.plans[severity]
	if !ok {
		return Plan{}, fmt.Errorf("severity is %v: want normal, tightened or reduced", severity)
	}
	column := slices.IndexFunc(t.aqls, func(x float64) bool { return math.Abs(x-aql) <= 1e-9*x })
	if column < 0 {
		return Plan{}, fmt.Errorf("aql is %v %%: want one of %v", aql, t.aqls)
	}
	return plans[slices.Index(t.order, letter)][column], nil
}

func parseTables() (tables, error) {
	var t tables
	err := errors.Join(
		t.parseLetters("tables/letters.csv"),
		t.parseArrows("tables/normal.csv", Normal),
		t.parseArrows("tables/tightened.csv", Tightened),
		t.parseResolved("tables/reduced.csv", Reduced),
	)
	return t, err
}

// readTable returns the header and the rows of an embedded file.
func readTable(name string) ([]string, [][]string, error) {
	f, err := files.Open(name)
	if err != nil {
		return nil, nil, fmt.Errorf("open sampling table: %w", err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		return nil, nil, fmt.Errorf("read sampling table %s: %w", name, err)
	}
	return rows[0], rows[1:], nil
}

func (t *tables) parseLetters(name string) error {
	header, rows, err := readTable(name)
	if err != nil {
		return err
	}
	for _, level := range header[1:] {
		t.levels = append(t.levels, Level(level))
	}
	for _, row := range rows {
		upto, err := strconv.Atoi(row[0])
		if err != nil {
			return fmt.Errorf("sampling table %s: lot: %w", name, err)
		}
		if upto == 0 {
			upto = math.MaxInt
		}
		t.upto = append(t.upto, upto)
		var letters []Letter
		for _, cell := range row[1:] {
			letters = append(letters, Letter(cell))
		}
		t.letters = append(t.letters, letters)
	}
	return nil
}

// parseArrows reads a table with a column of sample sizes, acceptance numbers
// and arrows, and follows the arrows.
func (t *tables) parseArrows(name string, severity Severity) error {
	header, rows, err := readTable(name)
	if err != nil {
		return err
	}
	if err := t.parseAQLs(header[2:]); err != nil {
		return fmt.Errorf("sampling table %s: %w", name, err)
	}
	t.order = nil
	var plans [][]Plan
	for i, row := range rows {
		t.order = append(t.order, Letter(row[0]))
		var line []Plan
		for column := 2; column < len(row); column++ {
			p, err := follow(rows, i, column)
			if err != nil {
				return fmt.Errorf("sampling table %s: letter %s, AQL %s: %w", name, row[0], header[column], err)
			}
			line = append(line, p)
		}
		plans = append(plans, line)
	}
	t.set(severity, plans)
	return nil
}

// follow reads a cell, or the first cell with a plan below (v) or above (^).
func follow(rows [][]string, row, column int) (Plan, error) {
	step := map[string]int{"v": 1, "^": -1}[rows[row][column]]
	for step != 0 && (rows[row][column] == "v" || rows[row][column] == "^") {
		row += step
		if row < 0 || row >= len(rows) {
			return Plan{}, errors.New("the arrow leads out of the table")
		}
	}
	ac, err := strconv.Atoi(rows[row][column])
	if err != nil {
		return Plan{}, fmt.Errorf("acceptance number: %w", err)
	}
	n, err := strconv.Atoi(rows[row][1])
	if err != nil {
		return Plan{}, fmt.Errorf("sample size: %w", err)
	}
	return Plan{N: n, Ac: ac, Re: ac + 1}, nil
}

// parseResolved reads a table of n:Ac:Re.
func (t *tables) parseResolved(name string, severity Severity) error {
	_, rows, err := readTable(name)
	if err != nil {
		return err
	}
	var plans [][]Plan
	for _, row := range rows {
		var line []Plan
		for _, cell := range row[1:] {
			var numbers [3]int
			for i, s := range strings.SplitN(cell, ":", len(numbers)) {
				if numbers[i], err = strconv.Atoi(s); err != nil {
					return fmt.Errorf("sampling table %s: letter %s: %w", name, row[0], err)
				}
			}
			line = append(line, Plan{N: numbers[0], Ac: numbers[1], Re: numbers[2]})
		}
		plans = append(plans, line)
	}
	t.set(severity, plans)
	return nil
}

func (t *tables) set(severity Severity, plans [][]Plan) {
	if t.plans == nil {
		t.plans = map[Severity][][]Plan{}
	}
	t.plans[severity] = plans
}

func (t *tables) parseAQLs(header []string) error {
	t.aqls = nil
	for _, h := range header {
		aql, err := strconv.ParseFloat(h, 64)
		if err != nil {
			return fmt.Errorf("AQL: %w", err)
		}
		t.aqls = append(t.aqls, aql)
	}
	return nil
}
