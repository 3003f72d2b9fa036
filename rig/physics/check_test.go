package physics

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// closed is the relative tolerance for a formula computed elsewhere with all
// digits.
const closed = 1e-9

// same checks a value that was computed elsewhere with all digits.
func same[T ~float64](t *testing.T, what string, got T, want float64) {
	t.Helper()
	within(t, what, got, want, closed*math.Abs(want))
}

// printed checks a value against one in print, such as "0.0125": half a unit of
// its last digit either way.
func printed[T ~float64](t *testing.T, what string, got T, want string) {
	t.Helper()
	value, half := parsePrinted(t, want)
	within(t, what, got, value, half)
}

func within[T ~float64](t *testing.T, what string, got T, want, tolerance float64) {
	t.Helper()
	// 1e-12: a tie as printed may be a hair off the half in binary.
	if !(math.Abs(float64(got)-want) <= tolerance*(1+1e-9)+1e-12*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g within %.2g", what, float64(got), want, tolerance)
	}
}

// parsePrinted returns the value of a decimal and half a unit of its last digit.
func parsePrinted(t *testing.T, s string) (value, half float64) {
	t.Helper()
	value, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	mantissa, exponent, _ := strings.Cut(s, "e")
	e, _ := strconv.Atoi(exponent)
	_, decimals, _ := strings.Cut(mantissa, ".")
	return value, 0.5 * math.Pow10(e-len(decimals))
}

// rows reads a file of check data: a comment line, a line of names, rows.
func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, record := range records[1:] {
		row := map[string]string{}
		for i, column := range records[0] {
			row[column] = record[i]
		}
		out = append(out, row)
	}
	if len(out) == 0 {
		t.Fatalf("%s has no rows", name)
	}
	return out
}

func number(t *testing.T, row map[string]string, column string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(row[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return x
}
