package sampling

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// near fails unless got is want within the relative tolerance.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) && got != want {
		t.Errorf("%s: got %.15g, want %.15g within %g", what, got, want, tolerance)
	}
}

// refused fails unless the error names the argument.
func refused(t *testing.T, what string, err error, names string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), names) {
		t.Errorf("%s: error %v, want one with %q", what, err, names)
	}
}

// numbers reads a file of testdata, its comment lines and header dropped.
func numbers(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		var line []float64
		for _, cell := range row {
			x, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			line = append(line, x)
		}
		out = append(out, line)
	}
	return out
}

// single is a plan with Re = Ac+1.
func single(n, ac int) Plan { return Plan{N: n, Ac: ac, Re: ac + 1} }
