package compare

import (
	"math"
	"math/rand/v2"
	"testing"

	"drench/results/stats"

	"gonum.org/v1/gonum/stat/distuv"
)

// runLength is the mean number of values up to the signal, from the chance of
// one within n: the sum of the chances of none, which go down by one factor in
// the end.
func runLength(tail func(n int) float64) float64 {
	const n = 40
	sum, last, survive := 0.0, 1.0, 1.0
	for i := range n {
		if i > 0 {
			last, survive = survive, 1-tail(i)
		}
		if survive < 1e-6 {
			return sum
		}
		sum += survive
	}
	ratio := survive / last
	return sum + survive*ratio/(1-ratio)
}

// Average run lengths of both sums with k = 0.5: Montgomery, Introduction to
// Statistical Quality Control, table of ARL values of the tabular CUSUM, after
// Lucas and Crosier; NIST e-Handbook 6.3.2.3 prints the same for shifts (both
// from memory). Rates of signals add up (Kemp, JRSS B 23 (1961) 149).
func TestCUSUMRunLengths(t *testing.T) {
	for _, row := range []struct{ shift, at4, at5 float64 }{
		{0, 168, 465}, {0.25, 74.2, 139}, {0.5, 26.6, 38.0}, {0.75, 13.3, 17.0}, {1, 8.38, 10.4},
		{1.5, 4.75, 5.75}, {2, 3.34, 4.01}, {2.5, 2.62, 3.11}, {3, 2.19, 2.57},
	} {
		for h, want := range map[float64]float64{4: row.at4, 5: row.at5} {
			up := runLength(func(n int) float64 { return cusumTail(h, 0.5-row.shift, n) })
			down := runLength(func(n int) float64 { return cusumTail(h, 0.5+row.shift, n) })
			if got := 1 / (1/up + 1/down); math.Abs(got-want) > 0.0051*want {
				t.Errorf("h %v, shift %v: %.2f, want %v", h, row.shift, got, want)
			}
		}
	}
}

// Steady limits with an average run length of 500: Lucas and Saccucci,
// Technometrics 32 (1990) 1, as tabled in Montgomery, Introduction to
// Statistical Quality Control (from memory).
func TestEWMARunLengths(t *testing.T) {
	for lambda, width := range map[float64]float64{0.40: 3.054, 0.25: 2.998, 0.20: 2.962, 0.10: 2.814} {
		h := width * math.Sqrt(lambda/(2-lambda))
		got := runLength(func(n int) float64 { return ewmaTail(func(int) float64 { return h }, lambda, n) })
		if math.Abs(got-500) > 0.01*500 {
			t.Errorf("lambda %v, width %v: %.1f, want about 500", lambda, width, got)
		}
	}
}

// With one value the charts are a normal test.
func TestFirstValue(t *testing.T) {
	near(t, "EWMA", ewmaTail(ewmaLimit(2, lambda), lambda, 1), 2*distuv.UnitNormal.Survival(2), 1e-12)
	near(t, "CUSUM", cusumTail(1.5, 0.5, 1), distuv.UnitNormal.Survival(2), 1e-12)
}

func nightsOf(values ...float64) []Point {
	var list []Point
	for _, v := range values {
		list = append(list, Point{Value: v})
	}
	return list
}

// R 4.2.2: pt, t.test(var.equal = TRUE) and qnorm(pt(…)).
func TestNightTests(t *testing.T) {
	base := nightsOf(5, 6, 7, 5, 6, 6, 7)
	near(t, "night against baseline", spreadOf(base, 0).against(Point{Value: 9}), 0.013852932802078, 1e-10)
	near(t, "before and after", split(base, nightsOf(8, 9, 8.5), 0), 0.00130386951591959, 1e-10)
	near(t, "score", score(base, Point{Value: 9}, 0), 2.46105448180385, 1e-9)
}

// What nights vary by within themselves is part of what they vary by; where
// chance puts them closer together than that, it is not believed.
func TestVarianceComponent(t *testing.T) {
	points := nightsOf(5, 6, 7, 5, 6, 6, 7)
	for i := range points {
		points[i].SE = 0.5
	}
	s := spreadOf(points, 0)
	near(t, "variance", s.variance, 2.0/3, 1e-12) // of 5 6 7 5 6 6 7
	near(t, "between", s.between(), 2.0/3-0.25, 1e-12)
	near(t, "p", s.against(Point{Value: 9, SE: 0.5}), 0.013852932802078, 1e-10) // as without
	for i := range points {
		points[i].SE = 2
	}
	s = spreadOf(points, 0)
	near(t, "variance with a standard error of 2", s.variance, 4, 1e-12)
	near(t, "between with a standard error of 2", s.between(), 0, 1e-12)
	if got := spreadOf(nightsOf(1, 1, 1), 0.5).variance; got != 0.25 {
		t.Errorf("nights that are equal have variance %v, want the least, 0.25", got)
	}
}

// Scores of normal nights are independent standard normal values, however few
// nights there are: the charts signal as often as their limits say.
func TestScores(t *testing.T) {
	const fortnights, alpha = 4000, 0.1
	o := Options{Baseline: 4, Horizon: 14, FalseAlarm: 4 * alpha}
	p := newPlan(o, 1, 0)
	rng := rand.New(rand.NewPCG(3, 4))
	var ewma, cusum int
	var scores []float64
	for range fortnights {
		var s Series
		for range 14 {
			s.Points = append(s.Points, Point{Value: 7 + 3*rng.NormFloat64()})
		}
		e, c := s.charts(p, 4, 0)
		ewma += b2i(e != stats.NoSignal)
		cusum += b2i(c != stats.NoSignal)
		for _, q := range s.Points[4:] {
			scores = append(scores, *q.Score)
		}
	}
	ks, err := stats.KS(scores[:1000], distuv.UnitNormal.CDF)
	if err != nil || ks.P < 0.001 {
		t.Errorf("scores are not standard normal: %+v, %v", ks, err)
	}
	s, err := stats.Summarize(scores)
	if err != nil {
		t.Fatal(err)
	}
	if se := 1 / math.Sqrt(float64(len(scores))); math.Abs(s.Mean) > 4*se || math.Abs(s.SD-1) > 4*se || math.Abs(s.Lag1) > 4*se {
		t.Errorf("mean %v, sd %v, lag-1 %v", s.Mean, s.SD, s.Lag1)
	}
	for name, count := range map[string]int{"EWMA": ewma, "CUSUM": cusum} {
		// The CUSUM's limit adds up its two sums, so that it signals a little less often.
		tail := distuv.Binomial{N: fortnights, P: alpha}
		if x := float64(count); tail.CDF(x) < 1e-4 || tail.CDF(x) > 1-1e-4 {
			t.Errorf("%s signals in %d of %d fortnights, want about %v", name, count, fortnights, alpha*fortnights)
		}
	}
}
