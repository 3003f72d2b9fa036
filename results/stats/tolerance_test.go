package stats

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func TestToleranceFactors(t *testing.T) {
	for _, c := range []struct {
		n                        int
		content, conf            float64
		oneSided, howe, twoSided float64
	}{ // R qt with ncp, qchisq, integrate; the first row is the case of NIST e-Handbook 7.2.6.3
		{43, .90, .99, 1.87395360585798, 2.21731589665363, 2.22282517379},
		{5, .95, .95, 4.20268074126, 5.09352589186, 5.07687453206},
		{10, .95, .95, 2.91096341308, 3.38191349051, 3.39342947869},
		{10, .90, .95, 2.35464013183, 2.83819127024, 2.85631084859},
		{30, .95, .95, 2.21983753204, 2.54963529517, 2.55489281328},
		{50, .95, .95, 2.06499341775, 2.37876933426, 2.38155974212},
		{100, .95, .95, 1.92653885051, 2.23280292137, 2.23388202304},
	} {
		k1, err := ToleranceOneSided(c.n, c.content, c.conf)
		noError(t, err)
		near(t, "one-sided", k1, c.oneSided, 1e-8)
		k2, err := ToleranceTwoSided(c.n, c.content, c.conf)
		noError(t, err)
		near(t, "two-sided", k2, c.twoSided, 1e-8)
		howe, err := ToleranceHowe(c.n, c.content, c.conf)
		noError(t, err)
		near(t, "Howe", howe, c.howe, 1e-9)
	}
}

// NIST e-Handbook 7.2.6.3, silicon wafers: mean 97.07, s 0.0268, n 43, content
// 0.90, confidence 0.99; the limits as the page's calculator prints them.
func TestToleranceNIST(t *testing.T) {
	const mean, s = 97.07, 0.0268
	k, err := ToleranceNatrella(43, 0.90, 0.99)
	noError(t, err)
	near(t, "Natrella", k, 1.87518958127703, 1e-9) // R
	nearAbs(t, "printed k1", k, 1.8752, 0.5e-4)
	nearAbs(t, "one-sided upper", mean+k*s, 97.120255, 0.5e-6)
	nearAbs(t, "one-sided lower", mean-k*s, 97.019745, 0.5e-6)
	howe, err := ToleranceHowe(43, 0.90, 0.99)
	noError(t, err)
	nearAbs(t, "printed k2", howe, 2.217, 0.5e-3)
	nearAbs(t, "two-sided lower", mean-howe*s, 97.010576, 0.5e-6)
	nearAbs(t, "two-sided upper", mean+howe*s, 97.12942, 0.5e-5)
}

// gonum's noncentral t sums the same law as a series; they must agree where
// the series holds.
func TestNoncentralT(t *testing.T) {
	for _, nu := range []float64{1, 2, 9, 99, 400} {
		for _, ncp := range []float64{-2, 0, 1, 5, 20} {
			for _, shift := range []float64{-2, -0.5, 0.1, 1, 3} {
				x := ncp + shift
				nearAbs(t, "noncentral t", noncentralT(x, nu, ncp), distuv.NoncentralT{Nu: nu, Mu: ncp}.CDF(x), 2e-11)
			}
		}
	}
}

func TestToleranceEdges(t *testing.T) {
	for _, c := range []struct{ content, conf float64 }{{.5, .95}, {.2, .9}, {.999, .999}, {.9, .05}} {
		for _, n := range []int{2, 3, 1000, 100000} {
			k, err := ToleranceOneSided(n, c.content, c.conf)
			noError(t, err)
			rootN := math.Sqrt(float64(n))
			nearAbs(t, "confidence back", noncentralT(k*rootN, float64(n-1), distuv.UnitNormal.Quantile(c.content)*rootN), c.conf, 2e-11)
			if _, err := ToleranceTwoSided(n, c.content, c.conf); err != nil {
				t.Error(err)
			}
		}
	}
	// n = 2, content p: with z1, z2 standard normal, k1 at p = 0.5 is
	// TInv(g; 1)/sqrt 2 = tan(pi(g-1/2))/sqrt 2, by hand.
	k, err := ToleranceOneSided(2, 0.5, 0.95)
	noError(t, err)
	near(t, "n = 2", k, math.Tan(math.Pi*0.45)/math.Sqrt2, 1e-10)
	for _, f := range []func(n int, content, conf float64) (float64, error){ToleranceOneSided, ToleranceTwoSided, ToleranceHowe, ToleranceNatrella} {
		for _, n := range []int{0, 1} {
			_, err := f(n, 0.9, 0.9)
			refused(t, "n", err, "n is")
		}
		_, err := f(10, 1, 0.9)
		refused(t, "content", err, "content is 1")
		_, err = f(10, 0.9, math.NaN())
		refused(t, "conf", err, "conf is NaN")
	}
	_, err = ToleranceNatrella(2, 0.9, 0.99)
	refused(t, "n too small", err, "n is 2")
}
