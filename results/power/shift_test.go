package power

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"

	"drench/rig"

	"pgregory.net/rapid"
)

func milliseconds(n int64) rig.Quantity { return rig.Quantity{N: n * 1e6, Unit: rig.Second} }

// Critical values of U for two samples of n, two-sided 5 % (Mann and Whitney
// (1947), as tabled; n from memory, the same by R qwilcox(0.025, n, n) - 1).
func TestRejection(t *testing.T) {
	for n, want := range map[int]int{1: -1, 3: -1, 4: 0, 5: 2, 6: 5, 7: 8, 8: 13, 9: 17, 10: 23, 15: 64, 20: 127} {
		if got, err := rejection(n, 0.05); err != nil || got != want {
			t.Errorf("%d a side: %d, %v; want %d", n, got, err, want)
		}
	}
}

func TestWithCount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "n")
		w := rapid.IntRange(0, n*n).Draw(t, "w")
		a, b := withCount(n, w)
		count, seen := 0, map[float64]bool{}
		for _, x := range a {
			for _, y := range b {
				if x > y {
					count++
				}
				seen[y] = true
			}
			seen[x] = true
		}
		if count != w || len(seen) != 2*n {
			t.Fatalf("%d pairs and %d different values; want %d and %d", count, len(seen), w, 2*n)
		}
	})
}

// Chances by other ways: exactly for 4 a side, where only complete separation
// is seen (R integrate), else R wilcox.test on 20 000 pairs of nights, whose
// standard error is 0.3 %.
func TestShiftChances(t *testing.T) {
	for _, c := range []struct {
		shift float64
		shape Shape
		n     int
		want  float64
	}{
		{1 / .58, Uniform, 4, 0.298824033903034 + 5.78759919152719e-05},
		{1 / .58, Uniform, 10, 0.90625},
		{1, Normal, 20, 0.8497},
		{0.5, Normal, 64, 0.78285},
	} {
		s := simulation{shift: c.shift, shape: c.shape, alpha: 0.05, seed: 1, seen: map[int]float64{}}
		if err := s.simulate(context.Background(), c.n); err != nil {
			t.Fatal(err)
		}
		if se := math.Hypot(math.Sqrt(c.want*(1-c.want)/nights), 0.003); math.Abs(s.seen[c.n]-c.want) > 4*se {
			t.Errorf("%+v: %v; want %v", c, s.seen[c.n], c.want)
		}
	}
}

// Without a shift a test at 5 % sees one in no more than 5 % of comparisons.
func TestShiftLevel(t *testing.T) {
	for _, n := range []int{4, 10, 25, 60} {
		s := simulation{shift: 0, shape: Normal, alpha: 0.05, seed: 7, seen: map[int]float64{}}
		if err := s.simulate(context.Background(), n); err != nil {
			t.Fatal(err)
		}
		if s.seen[n] > 0.05+4*math.Sqrt(0.05*0.95/nights) {
			t.Errorf("%d a side: %v", n, s.seen[n])
		}
	}
}

func TestShift(t *testing.T) {
	q := Shift{Shift: milliseconds(-1000), SD: milliseconds(580), Shape: Uniform, Alpha: 0.05, Seed: 1}
	a, err := q.Answer(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Needed) != 2 || a.Needed[0].Size < 7 || a.Needed[1].Size > 11 || a.Least != 4 || !a.Possible {
		t.Errorf("%+v", a)
	}
	for i, need := range a.Needed {
		if need.Pass < powers()[i] {
			t.Errorf("%+v does not have its power", need)
		}
	}
	again, err := q.Answer(context.Background())
	if err != nil || again.Sentence != a.Sentence || len(again.Curve) != len(a.Curve) || again.Curve[3] != a.Curve[3] {
		t.Errorf("a second call gave %+v, %v; want %+v", again, err, a)
	}
	q.Shift = milliseconds(1000)
	if same, err := q.Answer(context.Background()); err != nil || same.Needed[0] != a.Needed[0] {
		t.Errorf("the other direction gave %+v, %v; want %+v", same.Needed, err, a.Needed)
	}
	var b strings.Builder
	if err := a.WriteText(&b); err != nil || !strings.Contains(b.String(), "trials a side") || !strings.Contains(b.String(), "seen") || strings.Contains(b.String(), "inconc") {
		t.Errorf("%v\n%s", err, b.String())
	}
	if !strings.HasPrefix(a.Sentence, "To see a shift of -1 s, run ") {
		t.Error(a.Sentence)
	}
}

func TestShiftRefused(t *testing.T) {
	good := Shift{Shift: milliseconds(100), SD: milliseconds(500), Shape: Normal, Alpha: 0.05}
	for want, change := range map[string]func(*Shift){
		"different units":              func(q *Shift) { q.SD.Unit = rig.Volt },
		"shift is 0":                   func(q *Shift) { q.Shift.N = 0 },
		"standard deviation is":        func(q *Shift) { q.SD.N = 0 },
		`shape is "lognormal"`:         func(q *Shift) { q.Shape = LogNormal },
		"alpha is 0.5; expected":       func(q *Shift) { q.Alpha = 0.5 },
		"alpha is NaN; expected":       func(q *Shift) { q.Alpha = math.NaN() },
		"takes more than 1000 trials ": nil,
	} {
		q := good
		if change == nil {
			q.Shift.N = 1
			a, err := q.Answer(context.Background())
			if err != nil || a.Possible || !strings.Contains(a.Sentence, want) {
				t.Errorf("%v, %+v; want %s", err, a, want)
			}
			continue
		}
		change(&q)
		if _, err := q.Answer(context.Background()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v; want %s", err, want)
		}
	}
	ended, end := context.WithCancel(context.Background())
	end()
	if _, err := good.Answer(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("%v; want that it was cancelled", err)
	}
	if got := amount(rig.Quantity{N: 2e9, Unit: rig.Kelvin}); got != "2 K" {
		t.Errorf("a difference of 2 K is %s", got)
	}
}
