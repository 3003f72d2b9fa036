package stats

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// near checks got against want at a relative tolerance (absolute where want
// is 0).
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	scale := math.Abs(want)
	if want == 0 {
		scale = 1
	}
	if !(math.Abs(got-want) <= tol*scale) {
		t.Errorf("%s = %.15g; want %.15g within %g (off by %.2g)", what, got, want, tol, math.Abs(got-want)/scale)
	}
}

// nearAbs checks got against want at an absolute tolerance.
func nearAbs(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.15g; want %.15g within %g", what, got, want, tol)
	}
}

// noError stops the test on an error.
func noError(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// refused checks that err is there and that its message holds want.
func refused(t *testing.T, what string, err error, want string) {
	t.Helper()
	if err == nil {
		t.Errorf("%s: no error; want one that says %q", what, want)
	} else if !strings.Contains(err.Error(), want) {
		t.Errorf("%s: error %q; want it to say %q", what, err, want)
	}
}

// published reads testdata/stats_<name>.csv, whose first line names its
// source, second its columns set,value; it returns the values of each set.
func published(t *testing.T, name string) map[string][]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "stats_"+name+".csv"))
	noError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	noError(t, err)
	sets := map[string][]float64{}
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[1], 64)
		noError(t, err)
		sets[row[0]] = append(sets[row[0]], v)
	}
	return sets
}

func durations(s string) []Duration {
	var d []Duration
	for _, f := range strings.Fields(s) {
		v, err := strconv.ParseFloat(strings.TrimSuffix(f, "+"), 64)
		if err != nil {
			panic(err)
		}
		d = append(d, Duration{T: v, Censored: strings.HasSuffix(f, "+")})
	}
	return d
}
