package dose

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// A series of ours worked by hand with the formulas of Dixon & Mood, JASA 43
// (1948) 109: y' = 1.1, n = 2 10 3, A = 16, B = 22.
func TestDixonMood(t *testing.T) {
	var trials, mirrored []Trial
	for _, r := range rows(t, "dose_staircase.csv") {
		trial := Trial{number(t, r[0]), r[1] == "1"}
		trials = append(trials, trial)
		mirrored = append(mirrored, Trial{-trial.Dose, !trial.Hit})
	}
	s, err := DixonMood(trials, 0.3)
	if err != nil {
		t.Fatal(err)
	}
	if !s.Hits || !slices.Equal(s.Counts, []int{2, 10, 3}) {
		t.Errorf("hits %v, counts %v", s.Hits, s.Counts)
	}
	near(t, "lowest", s.Lowest, 1.1, 1e-12)
	near(t, "M", s.Spread, 74.0/225, 1e-12)
	near(t, "mean", s.Mean, 1.27, 1e-12)
	sd, err := s.SD()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "sd", sd, 0.173934, 1e-9)

	// Turned upside down the tie goes to what were misses: same spread of
	// counts or not, the means must mirror within the half step between the
	// two ways of counting a tie.
	m, err := DixonMood(mirrored, 0.3)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(m.Mean+s.Mean) > 0.15 {
		t.Errorf("mirrored mean %v, want about %v", m.Mean, -s.Mean)
	}
	// R 4.2.2: probit fit of the same trials
	var groups []Group
	for _, trial := range trials {
		g := Group{Dose: math.Round(trial.Dose*10) / 10, N: 1}
		if trial.Hit {
			g.Hits = 1
		}
		groups = append(groups, g)
	}
	f, err := MaxLikelihood(groups, Probit)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "probit mu", -f.Intercept/f.Slope, 1.269796165, 1e-8)
	near(t, "probit sigma", 1/f.Slope, 0.1724360818, 1e-8)
}

// With misses rarer the mean is half a step above their own.
func TestDixonMoodCountsMisses(t *testing.T) {
	s, err := DixonMood([]Trial{{3, true}, {2, true}, {1, false}, {2, true}, {1, false}}, 1)
	if err != nil {
		t.Fatal(err)
	}
	if s.Hits || !slices.Equal(s.Counts, []int{2}) || s.Mean != 1.5 {
		t.Errorf("%+v, want two misses at 1 and the mean 1.5", s)
	}
	if _, err := s.SD(); err == nil || !strings.Contains(err.Error(), "M is 0") {
		t.Errorf("SD below M = 0.3: error %v", err)
	}
}

func TestDixonMoodRefuses(t *testing.T) {
	good := []Trial{{1, true}, {0, false}, {1, true}}
	for _, c := range []struct {
		name   string
		trials []Trial
		step   float64
		want   string
		is     error
	}{
		{"n = 0", nil, 1, "n is 0", nil},
		{"n = 1", good[:1], 1, "n is 1", nil},
		{"n = 2", good[:2], 1, "n is 2", nil},
		{"all hits", []Trial{{3, true}, {2, true}, {1, true}}, 1, "n is 3", ErrOneOutcome},
		{"no hits", []Trial{{1, false}, {2, false}, {3, false}}, 1, "n is 3", ErrOneOutcome},
		{"wrong way", []Trial{{1, true}, {2, false}, {1, true}}, 1, "trial 1: dose is 2: want 0", nil},
		{"two steps", []Trial{{1, true}, {0, false}, {2, true}}, 1, "trial 2: dose is 2: want 1", nil},
		{"NaN dose", []Trial{{1, true}, {math.NaN(), false}, {1, true}}, 1, "trial 1: dose is NaN", nil},
		{"zero step", good, 0, "step is 0", nil},
		{"NaN step", good, math.NaN(), "step is NaN", nil},
		{"infinite step", good, math.Inf(1), "step is +Inf", nil},
	} {
		_, err := DixonMood(c.trials, c.step)
		if err == nil || !strings.Contains(err.Error(), c.want) || (c.is != nil && !errors.Is(err, c.is)) {
			t.Errorf("%s: error %v, want %q", c.name, err, c.want)
		}
	}
}

// The estimate moves with the doses and stays within a step of them.
func TestDixonMoodMovesWithTheDoses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hits := rapid.SliceOfN(rapid.Bool(), 3, 40).Draw(t, "hits")
		shift := float64(rapid.IntRange(-50, 50).Draw(t, "shift"))
		var a, b []Trial
		level := 0.0
		lo, hi := 0.0, 0.0
		for _, hit := range hits {
			lo, hi = min(lo, level), max(hi, level)
			a = append(a, Trial{level, hit})
			b = append(b, Trial{level + shift, hit})
			level++
			if hit {
				level -= 2
			}
		}
		s, err := DixonMood(a, 1)
		moved, err2 := DixonMood(b, 1)
		if (err == nil) != (err2 == nil) {
			t.Fatal(err, err2)
		}
		if errors.Is(err, ErrOneOutcome) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if s.Mean < lo-1 || s.Mean > hi+1 {
			t.Fatalf("mean %v, doses %v to %v", s.Mean, lo, hi)
		}
		if math.Abs(moved.Mean-s.Mean-shift) > 1e-9 || moved.Spread != s.Spread {
			t.Fatalf("moved by %v: %+v from %+v", shift, moved, s)
		}
	})
}
