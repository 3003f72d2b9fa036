package dose

import (
	"fmt"
	"math"
)

// A Trial is one trial of an up-and-down series.
type Trial struct {
	Dose float64
	Hit  bool
}

// A Staircase is the outcome of an up-and-down series.
type Staircase struct {
	Mean   float64 // estimate of a50
	Step   float64 // d, the distance between levels
	Hits   bool    // the rarer outcome, which is the one counted, is the hit
	Lowest float64 // y', the lowest level at which the rarer outcome fell
	Counts []int   // n_i, of the rarer outcome by level from Lowest up
	Spread float64 // M = (N B - A²)/N²
}

const (
	// onGrid is how far, in steps, a dose may be off its level.
	onGrid = 1e-6
	// leastSpread is where the formula for the standard deviation ends.
	leastSpread = 0.3
)

// DixonMood estimates a50 from an up-and-down series with the given step:
// each dose is one step below the last after a hit, one above after a miss.
// It assumes a normal distribution of thresholds on the scale of the doses.
//
// Dixon & Mood, JASA 43 (1948) 109 (formulas from memory): of the rarer
// outcome (hits if they tie) let n_i fall at level i above the lowest y',
// N = Σ n_i, A = Σ i n_i, B = Σ i² n_i; then the mean is y' + d(A/N - 1/2)
// for hits, y' + d(A/N + 1/2) for misses.
//
// It returns an error naming the trial that is off the rule, or wrapping
// ErrOneOutcome.
func DixonMood(trials []Trial, step float64) (Staircase, error) {
	if err := checkSeries(trials, step); err != nil {
		return Staircase{}, fmt.Errorf("up-and-down estimate: %w", err)
	}
	hits := 0
	for _, t := range trials {
		if t.Hit {
			hits++
		}
	}
	s := Staircase{Step: step, Hits: hits <= len(trials)-hits, Lowest: math.Inf(1)}
	for _, t := range trials {
		if t.Hit == s.Hits {
			s.Lowest = min(s.Lowest, t.Dose)
		}
	}
	for _, t := range trials {
		if t.Hit != s.Hits {
			continue
		}
		level := int(math.Round((t.Dose - s.Lowest) / step))
		for len(s.Counts) <= level {
			s.Counts = append(s.Counts, 0)
		}
		s.Counts[level]++
	}
	var n, a, b float64
	for i, count := range s.Counts {
		n += float64(count)
		a += float64(i * count)
		b += float64(i * i * count)
	}
	s.Spread = (n*b - a*a) / (n * n)
	s.Mean = s.Lowest + step*(a/n+0.5)
	if s.Hits {
		s.Mean = s.Lowest + step*(a/n-0.5)
	}
	return s, nil
}

// SD returns the standard deviation of the thresholds,
// 1.620 d (M + 0.029) (Dixon & Mood, as above). The formula holds for
// M > 0.3 only; below it returns an error.
func (s Staircase) SD() (float64, error) {
	if !(s.Spread > leastSpread) {
		return 0, fmt.Errorf("standard deviation of an up-and-down series: M is %.3g: want above %v: "+
			"take a smaller step or fit a curve to the trials", s.Spread, leastSpread)
	}
	return 1.620 * s.Step * (s.Spread + 0.029), nil
}

func checkSeries(trials []Trial, step float64) error {
	if !(step > 0) || math.IsInf(step, 0) {
		return fmt.Errorf("step is %v: want a finite number above 0", step)
	}
	if len(trials) < minTrials {
		return fmt.Errorf("n is %d trials: want %d or more", len(trials), minTrials)
	}
	mixed := false
	for i, t := range trials {
		if math.IsNaN(t.Dose) || math.IsInf(t.Dose, 0) {
			return fmt.Errorf("trial %d: dose is %v: want a finite number", i, t.Dose)
		}
		if i == 0 {
			continue
		}
		last := trials[i-1]
		want := last.Dose + step
		if last.Hit {
			want = last.Dose - step
		}
		if math.Abs(t.Dose-want) > onGrid*step {
			return fmt.Errorf("trial %d: dose is %v: want %v, one step from the trial before", i, t.Dose, want)
		}
		mixed = mixed || t.Hit != trials[0].Hit
	}
	if !mixed {
		return fmt.Errorf("n is %d trials: %w: go on until the outcome turns", len(trials), ErrOneOutcome)
	}
	return nil
}
