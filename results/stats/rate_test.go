package stats

import (
	"math"
	"testing"
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
