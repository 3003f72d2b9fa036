package stats

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// The 15 p-values of Benjamini and Hochberg, JRSS B 57 (1995) 289 (from
// memory); adjusted by R p.adjust.
func TestBenjaminiHochberg(t *testing.T) {
	p := []float64{.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1}
	want := []float64{.0015, .003, .0095, .035625, .0603, .0638571428571, .0638571428571, .0645, .0765, .486, .581181818182, .714875, .753230769231, .813214285714, 1}
	got, err := BenjaminiHochberg(p)
	noError(t, err)
	rejected, bonferroni := 0, 0
	for i := range p {
		near(t, "adjusted", got[i], want[i], 1e-11)
		if got[i] <= 0.05 {
			rejected++
		}
		if p[i]*float64(len(p)) <= 0.05 {
			bonferroni++
		}
	}
	if rejected != 4 || bonferroni != 3 {
		t.Errorf("rejected %d, by Bonferroni %d; want 4 and 3 as in the paper", rejected, bonferroni)
	}
	slices.Reverse(p)
	back, err := BenjaminiHochberg(p)
	noError(t, err)
	slices.Reverse(back)
	if !slices.Equal(back, got) {
		t.Errorf("reversed: %v; want %v", back, got)
	}
	_, err = BenjaminiHochberg(nil)
	refused(t, "nothing", err, "values in p is 0")
	for _, bad := range []float64{-0.1, 1.1, math.NaN()} {
		_, err = BenjaminiHochberg([]float64{0.5, bad})
		refused(t, "p", err, "p[1] is")
	}
}

func TestBenjaminiHochbergKeepsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 30).Draw(t, "p")
		q, err := BenjaminiHochberg(p)
		if err != nil {
			t.Fatal(err)
		}
		for i := range p {
			if q[i] < p[i] || q[i] > math.Min(1, p[i]*float64(len(p)))*(1+1e-12) {
				t.Fatalf("p %v adjusted to %v", p[i], q[i])
			}
			for j := range p {
				if p[i] < p[j] && q[i] > q[j] {
					t.Fatalf("order of %v and %v lost: %v, %v", p[i], p[j], q[i], q[j])
				}
			}
		}
	})
}
