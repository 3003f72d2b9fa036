package stats

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestGarwood(t *testing.T) {
	for _, c := range []struct {
		x            int
		exposure     float64
		lower, upper float64
	}{ // R poisson.test(x, T), 95 %
		{0, 1, 0, 3.68887945411394},
		{1, 1, 0.0253178079842899, 5.57164339093890},
		{3, 1, 0.618672122895602, 8.76727306974232},
		{10, 1, 4.79538869613243, 18.3903560420178},
		{0, 8, 0, 0.461109931764242},
		{0, 720, 0, 0.00512344368626935},
		{2, 168, 0.00144172189609503, 0.0430040932602617},
	} {
		got, err := Garwood(c.x, c.exposure, 0.95)
		noError(t, err)
		near(t, "lower", got.Lower, c.lower, 1e-9)
		near(t, "upper", got.Upper, c.upper, 1e-9)
		// A one-sided bound at 97.5 % is the same limit.
		lower, err := GarwoodLower(c.x, c.exposure, 0.975)
		noError(t, err)
		near(t, "one-sided lower", lower, c.lower, 1e-9)
	}
}

func TestGarwoodUpper(t *testing.T) {
	for _, c := range []struct {
		x                    int
		exposure, conf, want float64
		source               string
	}{
		{0, 1, 0.95, 2.99573227355399, "-ln 0.05"},
		{0, 1, 0.90, 2.30258509299405, "-ln 0.1"},
		{0, 720, 0.95, 0.00416073926882, "R poisson.test"},
		{2, 168, 0.95, 0.0374749620349523, "R poisson.test"},
	} {
		got, err := GarwoodUpper(c.x, c.exposure, c.conf)
		noError(t, err)
		near(t, c.source, got, c.want, 1e-9)
	}
}

func TestGarwoodRefusals(t *testing.T) {
	for _, f := range []func(x int, exposure, conf float64) error{
		func(x int, e, conf float64) error { _, err := Garwood(x, e, conf); return err },
		func(x int, e, conf float64) error { _, err := GarwoodLower(x, e, conf); return err },
		func(x int, e, conf float64) error { _, err := GarwoodUpper(x, e, conf); return err },
	} {
		refused(t, "x", f(-1, 1, 0.95), "x is -1")
		for _, e := range []float64{0, -1, math.NaN(), math.Inf(1)} {
			refused(t, "exposure", f(1, e, 0.95), "exposure is")
		}
		for _, conf := range []float64{0, 1, math.NaN()} {
			refused(t, "conf", f(1, 1, conf), "conf is")
		}
	}
}

func TestCompareRates(t *testing.T) {
	for _, c := range []struct {
		x1     int
		t1     float64
		x2     int
		t2     float64
		conf   float64
		want   RateComparison
		source string
	}{
		{11, 800, 21, 3011, 0.95, RateComparison{1.9714880952381, true, Interval{0.858426403391639, 4.27726594365407}, true, 0.0796686330333295}, "R poisson.test, the example of its help page"},
		{2, 168, 9, 168, 0.95, RateComparison{0.222222222222222, true, Interval{0.0233646410530492, 1.07363843582995}, true, 0.0654296875}, "R poisson.test"},
		{0, 8, 3, 16, 0.95, RateComparison{0, true, Interval{0, 4.83990378670678}, true, 0.555555555555556}, "R poisson.test"},
		{4, 10, 0, 5, 0.90, RateComparison{0, false, Interval{0.448534067681907, 0}, false, 0.308641975308642}, "R poisson.test"},
		{30, 100, 30, 100, 0.95, RateComparison{1, true, Interval{0.582433799750595, 1.71693332431636}, true, 1}, "R poisson.test"},
		{100, 1000, 160, 1200, 0.99, RateComparison{0.75, true, Interval{0.533411773434797, 1.04648451415509}, true, 0.0248698617792014}, "R poisson.test"},
		{0, 8, 0, 16, 0.95, RateComparison{P: 1}, "no event: by definition"},
	} {
		got, err := CompareRates(c.x1, c.t1, c.x2, c.t2, c.conf)
		noError(t, err)
		near(t, c.source+" ratio", got.Ratio, c.want.Ratio, 1e-9)
		near(t, c.source+" lower", got.Interval.Lower, c.want.Interval.Lower, 1e-9)
		near(t, c.source+" upper", got.Interval.Upper, c.want.Interval.Upper, 1e-9)
		near(t, c.source+" p", got.P, c.want.P, 1e-10)
		if got.HasRatio != c.want.HasRatio || got.HasUpper != c.want.HasUpper {
			t.Errorf("%d/%v against %d/%v: %+v; want %+v", c.x1, c.t1, c.x2, c.t2, got, c.want)
		}
	}
}

func TestCompareRatesRefusals(t *testing.T) {
	_, err := CompareRates(-1, 1, 1, 1, 0.95)
	refused(t, "x1", err, "x1 is -1")
	_, err = CompareRates(1, 1, -1, 1, 0.95)
	refused(t, "x2", err, "x2 is -1")
	_, err = CompareRates(1, 0, 1, 1, 0.95)
	refused(t, "exposure1", err, "exposure1 is 0")
	_, err = CompareRates(1, 1, 1, math.NaN(), 0.95)
	refused(t, "exposure2", err, "exposure2 is NaN")
	_, err = CompareRates(1, 1, 1, 1, 1)
	refused(t, "conf", err, "conf is 1")
}

// The two-sided p-value must be the plain sum over all outcomes, and swapping
// the two exposures must change nothing but the direction of the ratio.
func TestCompareRatesSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x1, x2 := rapid.IntRange(0, 60).Draw(t, "x1"), rapid.IntRange(0, 60).Draw(t, "x2")
		t1, t2 := rapid.Float64Range(0.1, 10).Draw(t, "t1"), rapid.Float64Range(0.1, 10).Draw(t, "t2")
		got, err := CompareRates(x1, t1, x2, t2, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		swapped, err := CompareRates(x2, t2, x1, t1, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		if n := x1 + x2; n > 0 {
			b := distuv.Binomial{N: float64(n), P: t1 / (t1 + t2)}
			for k := 0; k <= n; k++ {
				if b.LogProb(float64(k)) <= b.LogProb(float64(x1))+1e-7 {
					sum += b.Prob(float64(k))
				}
			}
			if math.Abs(got.P-sum) > 1e-10 {
				t.Fatalf("p %v; want %v", got.P, sum)
			}
		}
		if math.Abs(got.P-swapped.P) > 1e-10 {
			t.Fatalf("p %v, swapped %v", got.P, swapped.P)
		}
		if got.HasUpper && x1 > 0 && math.Abs(got.Interval.Upper*swapped.Interval.Lower-1) > 1e-9 {
			t.Fatalf("upper %v, swapped lower %v", got.Interval.Upper, swapped.Interval.Lower)
		}
	})
}
