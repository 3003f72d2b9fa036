package dose

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// near fails unless got is want within the relative tolerance.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) && got != want {
		t.Errorf("%s: got %.15g, want %.15g within %g", what, got, want, tolerance)
	}
}

// rows reads a file of testdata, its comment lines and header dropped.
func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// bliss is the beetle data of Bliss (1935).
func bliss(t *testing.T) []Group {
	t.Helper()
	var groups []Group
	for _, r := range rows(t, "dose_bliss.csv") {
		groups = append(groups, Group{number(t, r[0]), int(number(t, r[1])), int(number(t, r[2]))})
	}
	return groups
}

// singles makes one-trial groups at doses x.
func singles(x, hit []int) []Group {
	var groups []Group
	for i := range x {
		groups = append(groups, Group{float64(x[i]), 1, hit[i]})
	}
	return groups
}

// The three small data sets of dose_firth.csv.
func complete() []Group {
	return singles([]int{1, 2, 3, 4, 5, 6, 7, 8}, []int{0, 0, 0, 0, 1, 1, 1, 1})
}

func quasi() []Group {
	return singles([]int{1, 2, 3, 4, 4, 5, 6, 7}, []int{0, 0, 0, 0, 1, 1, 1, 1})
}

func overlapping() []Group {
	return singles([]int{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, []int{0, 0, 0, 1, 0, 1, 0, 1, 1, 1})
}
