package uncertainty

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

// printed fails unless got rounds to want, unit being one in its last digit.
func printed(t *testing.T, what string, got, want, unit float64) {
	t.Helper()
	if !(math.Abs(got-want) <= unit/2*(1+1e-9)) {
		t.Errorf("%s: got %.15g, printed %v", what, got, want)
	}
}

// refused fails unless the error names the argument.
func refused(t *testing.T, what string, err error, names string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), names) {
		t.Errorf("%s: error %v, want one with %q", what, err, names)
	}
}

// aiag is the example of the AIAG manual.
func aiag(t *testing.T) Readings {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", "uncertainty_gauge.csv"))
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
	readings := make(Readings, len(rows[0])-2)
	for p := range readings {
		readings[p] = make([][]float64, 3)
	}
	for _, row := range rows[1:] {
		appraiser := int(row[0][0] - 'A')
		for p := range readings {
			x, err := strconv.ParseFloat(row[p+2], 64)
			if err != nil {
				t.Fatal(err)
			}
			readings[p][appraiser] = append(readings[p][appraiser], x)
		}
	}
	return readings
}
