package stats

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

const coverageDraws = 10_000

// coverage draws 10,000 samples and checks the share in which hit holds
// against the level: at least conf less 4 standard errors, and where the
// method is not meant to cover more, at most conf + above + 4 standard errors.
// below is what an approximate method may fall short by.
func coverage(t *testing.T, name string, conf, below, above float64, hit func(rng *rand.Rand) bool) {
	t.Helper()
	t.Run(name, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(11, 12))
		hits := 0
		for range coverageDraws {
			if hit(rng) {
				hits++
			}
		}
		got := float64(hits) / coverageDraws
		se := math.Sqrt(conf * (1 - conf) / coverageDraws)
		t.Logf("covers %.4f, level %v", got, conf)
		if got < conf-below-4*se || got > conf+above+4*se {
			t.Errorf("covers %.4f; want %v to %v, with standard error %.4f", got, conf-below, conf+above, se)
		}
	})
}

func skipShort(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("simulation")
	}
}

// must turns an error into a panic: inside a simulation none is expected.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func (i Interval) holds(v float64) bool { return i.Lower <= v && v <= i.Upper }

func binomialDraw(rng *rand.Rand, n int, p float64) int {
	return int(distuv.Binomial{N: float64(n), P: p, Src: rng}.Rand())
}

func poissonDraw(rng *rand.Rand, mean float64) int {
	return int(distuv.Poisson{Lambda: mean, Src: rng}.Rand())
}

func TestCoverageProportion(t *testing.T) {
	skipShort(t)
	for _, c := range []struct {
		n              int
		p              float64
		wilson, excess float64 // by how much Wilson may fall short, exact exceed
	}{{20, 0.5, 0.01, 0.035}, {60, 0.95, 0.01, 0.04}, {100, 0.99, 0.06, 0.05}} {
		at := fmt.Sprintf(" n=%d p=%v", c.n, c.p)
		coverage(t, "ClopperPearson"+at, 0.95, 0, c.excess, func(rng *rand.Rand) bool {
			return must(ClopperPearson(binomialDraw(rng, c.n, c.p), c.n, 0.95)).holds(c.p)
		})
		coverage(t, "Lower"+at, 0.95, 0, c.excess, func(rng *rand.Rand) bool {
			return must(ClopperPearsonLower(binomialDraw(rng, c.n, c.p), c.n, 0.95)) <= c.p
		})
		coverage(t, "Upper"+at, 0.95, 0, 0.05, func(rng *rand.Rand) bool {
			return must(ClopperPearsonUpper(binomialDraw(rng, c.n, c.p), c.n, 0.95)) >= c.p
		})
		coverage(t, "Wilson"+at, 0.95, c.wilson, 0.03, func(rng *rand.Rand) bool {
			return must(Wilson(binomialDraw(rng, c.n, c.p), c.n, 0.95)).holds(c.p)
		})
	}
}

func TestCoverageRate(t *testing.T) {
	skipShort(t)
	for _, c := range []struct{ rate, exposure float64 }{{0.01, 168}, {0.5, 8}, {3, 10}} {
		at := fmt.Sprintf(" mean=%v", c.rate*c.exposure)
		coverage(t, "Garwood"+at, 0.95, 0, 0.05, func(rng *rand.Rand) bool {
			return must(Garwood(poissonDraw(rng, c.rate*c.exposure), c.exposure, 0.95)).holds(c.rate)
		})
		coverage(t, "Upper"+at, 0.95, 0, 0.05, func(rng *rand.Rand) bool {
			return must(GarwoodUpper(poissonDraw(rng, c.rate*c.exposure), c.exposure, 0.95)) >= c.rate
		})
		coverage(t, "Lower"+at, 0.95, 0, 0.05, func(rng *rand.Rand) bool {
			return must(GarwoodLower(poissonDraw(rng, c.rate*c.exposure), c.exposure, 0.95)) <= c.rate
		})
		coverage(t, "Ratio"+at, 0.95, 0, 0.05, func(rng *rand.Rand) bool {
			x1, x2 := poissonDraw(rng, c.rate*c.exposure), poissonDraw(rng, 2*c.rate*24)
			r := must(CompareRates(x1, c.exposure, x2, 24, 0.95))
			return r.Interval.Lower <= 0.5 && (!r.HasUpper || 0.5 <= r.Interval.Upper)
		})
	}
}

// exponential draws n ascending values; its p quantile is -ln(1-p).
func exponential(rng *rand.Rand, n int) []float64 {
	s := make([]float64, n)
	for i := range s {
		s[i] = rng.ExpFloat64()
	}
	sort.Float64s(s)
	return s
}

func TestCoverageOrderStatistics(t *testing.T) {
	skipShort(t)
	for _, c := range []struct {
		n int
		p float64
	}{{20, 0.5}, {100, 0.9}, {200, 0.95}} {
		at := fmt.Sprintf(" n=%d p=%v", c.n, c.p)
		truth := -math.Log(1 - c.p)
		o := must(OrderStatInterval(c.n, c.p, 0.95))
		// The true cover is known: both sides must meet it.
		coverage(t, "Interval"+at, o.Cover, 0, 0, func(rng *rand.Rand) bool {
			s := exponential(rng, c.n)
			return s[o.L-1] <= truth && truth <= s[o.U-1]
		})
		upper, _, err := QuantileUpperRank(c.n, c.p, 0.95)
		noError(t, err)
		coverage(t, "Upper"+at, 0.95, 0, 0.03, func(rng *rand.Rand) bool { return exponential(rng, c.n)[upper-1] >= truth })
		lower, _, err := QuantileLowerRank(c.n, c.p, 0.95)
		noError(t, err)
		coverage(t, "Lower"+at, 0.95, 0, 0.03, func(rng *rand.Rand) bool { return exponential(rng, c.n)[lower-1] <= truth })
	}
}

func TestCoverageSampleSizes(t *testing.T) {
	skipShort(t)
	for _, c := range []struct{ content, conf float64 }{{0.9, 0.9}, {0.95, 0.95}, {0.95, 0.99}} {
		at := fmt.Sprintf(" %v/%v", c.content, c.conf)
		truth := -math.Log(1 - c.content)
		n := must(QuantileSampleSize(c.content, c.conf, 2))
		coverage(t, "SecondLargest"+at, c.conf, 0, 0.01, func(rng *rand.Rand) bool { return exponential(rng, n)[n-2] >= truth })
		both := must(WilksTwoSided(c.content, c.conf))
		coverage(t, "Range"+at, c.conf, 0, 0.01, func(rng *rand.Rand) bool {
			s := exponential(rng, both)
			return math.Exp(-s[0])-math.Exp(-s[both-1]) >= c.content
		})
	}
}

func TestCoverageTolerance(t *testing.T) {
	skipShort(t)
	normal := func(rng *rand.Rand, n int) Summary {
		s := make([]float64, n)
		for i := range s {
			s[i] = rng.NormFloat64()
		}
		return must(Summarize(s))
	}
	phi := distuv.UnitNormal.CDF
	for _, c := range []struct {
		n             int
		content, conf float64
	}{{5, 0.95, 0.95}, {30, 0.9, 0.95}, {43, 0.9, 0.99}} {
		at := fmt.Sprintf(" n=%d %v/%v", c.n, c.content, c.conf)
		for name, m := range map[string]struct {
			factor func(n int, content, conf float64) (float64, error)
			error  float64
		}{"OneSided": {ToleranceOneSided, 0}, "Natrella": {ToleranceNatrella, 0.03}} {
			k := must(m.factor(c.n, c.content, c.conf))
			coverage(t, name+at, c.conf, m.error, m.error, func(rng *rand.Rand) bool {
				s := normal(rng, c.n)
				return phi(s.Mean+k*s.SD) >= c.content
			})
		}
		for name, m := range map[string]struct {
			factor func(n int, content, conf float64) (float64, error)
			error  float64
		}{"TwoSided": {ToleranceTwoSided, 0}, "Howe": {ToleranceHowe, 0.005}} {
			k := must(m.factor(c.n, c.content, c.conf))
			coverage(t, name+at, c.conf, m.error, m.error, func(rng *rand.Rand) bool {
				s := normal(rng, c.n)
				return phi(s.Mean+k*s.SD)-phi(s.Mean-k*s.SD) >= c.content
			})
		}
	}
}

// Censored exponential latencies: mean 1, watched for up to 2.5, some of them
// cut short earlier.
func TestCoverageSurvival(t *testing.T) {
	skipShort(t)
	draw := func(rng *rand.Rand, n int) Curve {
		d := make([]Duration, n)
		for i := range d {
			x, end := rng.ExpFloat64(), math.Min(2.5, 8*rng.Float64())
			d[i] = Duration{T: math.Min(x, end), Censored: x > end}
		}
		return must(KaplanMeier(d))
	}
	for _, c := range []struct {
		n int
		p float64
	}{{30, 0.5}, {60, 0.25}, {150, 0.8}} {
		at := fmt.Sprintf(" n=%d p=%v", c.n, c.p)
		truth := -math.Log(1 - c.p)
		coverage(t, "Bounds"+at, 0.95, 0.01, 0.03, func(rng *rand.Rand) bool {
			lower, upper, hasLower, hasUpper, err := draw(rng, c.n).QuantileBounds(c.p, 0.95)
			noError(t, err)
			return (!hasLower || lower <= truth) && (!hasUpper || truth <= upper)
		})
		coverage(t, "Upper"+at, 0.95, 0.015, 0.03, func(rng *rand.Rand) bool {
			upper, ok, err := draw(rng, c.n).QuantileUpper(c.p, 0.95)
			noError(t, err)
			return !ok || truth <= upper
		})
		coverage(t, "Lower"+at, 0.95, 0.015, 0.03, func(rng *rand.Rand) bool {
			lower, ok, err := draw(rng, c.n).QuantileLower(c.p, 0.95)
			noError(t, err)
			return !ok || lower <= truth
		})
		coverage(t, "Limits"+at, 0.95, 0.01, 0.03, func(rng *rand.Rand) bool {
			curve := draw(rng, c.n)
			i := sort.Search(len(curve.Steps), func(i int) bool { return curve.Steps[i].T > truth })
			if i == 0 {
				return true // no event yet: S is 1, no limits
			}
			limits, ok, err := curve.Steps[i-1].Limits(0.95)
			noError(t, err)
			return !ok || limits.holds(1-c.p)
		})
		coverage(t, "RestrictedMean"+at, 0.95, 0.03, 0.01, func(rng *rand.Rand) bool {
			const upTo = 1.0
			curve := draw(rng, c.n)
			mean, se, err := curve.RestrictedMean(upTo)
			noError(t, err)
			z := twoSidedZ(0.95)
			return Interval{mean - z*se, mean + z*se}.holds(1 - math.Exp(-upTo))
		})
	}
}

// Latencies with a time-out: the bound is exact, where it exists.
func TestCoverageTimeOut(t *testing.T) {
	skipShort(t)
	for _, c := range []struct {
		n int
		p float64
	}{{93, 0.95}, {20, 0.5}, {153, 0.9}} {
		truth := -math.Log(1 - c.p)
		coverage(t, fmt.Sprintf("CensoredQuantileUpper n=%d p=%v", c.n, c.p), 0.95, 0, 0.03, func(rng *rand.Rand) bool {
			d := make([]Duration, c.n)
			for i := range d {
				x := rng.ExpFloat64()
				d[i] = Duration{T: math.Min(x, truth+0.5), Censored: x > truth+0.5}
			}
			b := must(CensoredQuantileUpper(d, c.p, 0.95))
			return !b.Exists || b.T >= truth
		})
	}
}

func TestCoverageShift(t *testing.T) {
	skipShort(t)
	for _, c := range []struct {
		m, n  int
		shift float64
		above float64
	}{{6, 5, 0, 0.03}, {20, 15, 0.7, 0.01}, {60, 55, -3, 0.005}} {
		coverage(t, fmt.Sprintf("HodgesLehmann %d and %d", c.m, c.n), 0.95, 0, c.above, func(rng *rand.Rand) bool {
			a, b := exponential(rng, c.m), exponential(rng, c.n)
			for i := range a {
				a[i] += c.shift
			}
			e := must(HodgesLehmann(a, b, 0.95))
			return e.Bounded && e.Interval.holds(c.shift)
		})
	}
}

func TestCoveragePeriod(t *testing.T) {
	skipShort(t)
	for _, c := range []struct {
		n      int
		period float64
	}{{5, 2}, {20, 0.5}, {100, 8}} {
		coverage(t, fmt.Sprintf("FitPeriod n=%d", c.n), 0.95, 0, 0, func(rng *rand.Rand) bool {
			s := make([]float64, c.n)
			for i := range s {
				s[i] = 0.3 + c.period*rng.Float64()
			}
			return must(FitPeriod(s, 0.95)).Interval.holds(c.period)
		})
	}
}
