package compare

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*math.Max(1, math.Abs(want))) {
		t.Errorf("%s is %.15g, want %.15g", what, got, want)
	}
}

// Newcombe, Statistics in Medicine 17 (1998) 873, table II, method 10 at 95 %,
// printed to four decimals (from memory). He takes the first share less the
// second; here the second group is the baseline.
func TestNewcombe(t *testing.T) {
	for _, c := range []struct {
		x1, n1, x2, n2 int
		lower, upper   float64
	}{
		{56, 70, 48, 80, 0.0524, 0.3339},
		{9, 10, 3, 10, 0.1705, 0.8090},
		{6, 7, 2, 7, 0.0582, 0.8062},
		{5, 56, 0, 29, -0.0381, 0.1926},
		{0, 10, 0, 20, -0.1611, 0.2775},
		{0, 10, 0, 10, -0.2775, 0.2775},
		{10, 10, 0, 20, 0.6791, 1.0000},
		{10, 10, 0, 10, 0.6075, 1.0000},
	} {
		got, err := squareAndAdd(tally{x: c.x2, of: c.n2}, tally{x: c.x1, of: c.n1}, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.Lower-c.lower) > 5.1e-5 || math.Abs(got.Upper-c.upper) > 5.1e-5 {
			t.Errorf("%d/%d less %d/%d: %.4f to %.4f, want %.4f to %.4f", c.x1, c.n1, c.x2, c.n2, got.Lower, got.Upper, c.lower, c.upper)
		}
	}
}

// R 4.2.2: limits of each rate by poisson.test, put together by the formula. The
// first is the example of poisson.test's help page; two groups without an event
// differ by at most -ln 0.05 each way.
func TestDifferenceOfRates(t *testing.T) {
	for _, c := range []struct {
		base, now    tally
		conf         float64
		lower, upper float64
	}{
		{tally{x: 23, exposure: 3011}, tally{x: 11, exposure: 800}, 0.95, -0.00176480048548068, 0.017318378708654},
		{tally{x: 0, exposure: 8}, tally{x: 3, exposure: 8}, 0.9, -0.0882912568412405, 0.969207065991591},
		{tally{x: 0, exposure: 1}, tally{x: 0, exposure: 1}, 0.9, -2.99573227355399, 2.99573227355399},
	} {
		got, err := squareAndAdd(c.base, c.now, c.conf)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "lower", got.Lower, c.lower, 1e-10)
		near(t, "upper", got.Upper, c.upper, 1e-10)
	}
}

// R 4.2.2 fisher.test; the first is Fisher's lady tasting tea, which its help
// page has.
func TestFisher(t *testing.T) {
	for _, c := range []struct {
		x1, n1, x2, n2 int
		p              float64
	}{
		{3, 4, 1, 4, 0.485714285714286},
		{5, 56, 0, 29, 0.160621443209471},
		{56, 70, 48, 80, 0.0125211297492092},
		{0, 59, 6, 60, 0.027411633549741},
		{2, 15, 10, 12, 0.00043523130075829},
		{10, 1000, 25, 1100, 0.0260294458234752},
	} {
		near(t, "p", fisher(c.x1, c.n1, c.x2, c.n2), c.p, 1e-10)
	}
}

// The interval of two shares covers what it says on average, and that of two
// rates at least nearly so, by adding up the distributions.
func TestCoverageOfDifferences(t *testing.T) {
	if testing.Short() {
		t.Skip("adds up many distributions")
	}
	const conf = 0.9
	worst, mean, cases := 1.0, 0.0, 0.0
	for _, mu := range [][2]float64{{0.5, 0.5}, {0.5, 3}, {2, 2}, {4, 9}, {10, 10}, {3, 20}} {
		cover := 0.0
		for x := range 60 {
			for y := range 60 {
				i, err := squareAndAdd(tally{x: x, exposure: 1}, tally{x: y, exposure: 1}, conf)
				if err != nil {
					t.Fatal(err)
				}
				if d := mu[1] - mu[0]; i.Lower <= d && d <= i.Upper {
					cover += distuv.Poisson{Lambda: mu[0]}.Prob(float64(x)) * distuv.Poisson{Lambda: mu[1]}.Prob(float64(y))
				}
			}
		}
		worst = min(worst, cover)
	}
	if worst < conf {
		t.Errorf("two rates are covered with %.4f, want %v at least", worst, conf)
	}
	const n = 30
	for p := 0.05; p < 1; p += 0.1 {
		for q := 0.05; q < 1; q += 0.1 {
			cover := 0.0
			for x := range n + 1 {
				for y := range n + 1 {
					i, err := squareAndAdd(tally{x: x, of: n}, tally{x: y, of: n}, conf)
					if err != nil {
						t.Fatal(err)
					}
					if d := q - p; i.Lower <= d && d <= i.Upper {
						cover += distuv.Binomial{N: n, P: p}.Prob(float64(x)) * distuv.Binomial{N: n, P: q}.Prob(float64(y))
					}
				}
			}
			mean += cover
			cases++
		}
	}
	if mean /= cases; math.Abs(mean-conf) > 0.015 {
		t.Errorf("two shares are covered with %.4f on average, want %v", mean, conf)
	}
}

// R chisq.test for shares; sum((y-e)^2/e) for rates.
func TestDesignEffect(t *testing.T) {
	shares := []tally{{x: 0, of: 20}, {x: 3, of: 20}, {x: 9, of: 20}, {x: 1, of: 20}}
	near(t, "chi-square of shares", pearson(shares), 17.910447761194, 1e-11)
	near(t, "design effect", designEffect(shares), 17.910447761194/3, 1e-11)
	rates := []tally{{x: 2, exposure: 10}, {x: 9, exposure: 12}, {x: 0, exposure: 8}, {x: 1, exposure: 9}}
	near(t, "chi-square of rates", pearson(rates), 11.5986111111111, 1e-11)
	if got := (tally{x: 9, of: 60}).effective(3); got != (tally{x: 3, of: 20}) {
		t.Errorf("9 of 60 with a design effect of 3 are %+v", got)
	}
	if got := designEffect([]tally{{x: 5, of: 50}, {x: 5, of: 50}}); got != 1 {
		t.Errorf("nights that are alike have a design effect of %v", got)
	}
}

// Turning the sides round turns the interval round, and leaves the p-value.
func TestSwap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func() tally {
			n := rapid.IntRange(1, 200).Draw(t, "n")
			return tally{x: rapid.IntRange(0, n).Draw(t, "x"), of: n}
		}
		a, b := draw(), draw()
		i, err := squareAndAdd(a, b, 0.9)
		j, err2 := squareAndAdd(b, a, 0.9)
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		d := b.value() - a.value()
		if math.Abs(i.Lower+j.Upper) > 1e-12 || math.Abs(i.Upper+j.Lower) > 1e-12 || i.Lower > d || d > i.Upper {
			t.Fatalf("%+v to %+v: %+v one way, %+v the other", a, b, i, j)
		}
		if p, q := fisher(a.x, a.of, b.x, b.of), fisher(b.x, b.of, a.x, a.of); math.Abs(p-q) > 1e-9 || p < 0 || p > 1 {
			t.Fatalf("p is %v one way and %v the other", p, q)
		}
	})
}
