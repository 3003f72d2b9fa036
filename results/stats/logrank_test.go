package stats

import (
	"math"
	"testing"
)

func TestLogRank(t *testing.T) {
	got, err := LogRank(durations(sixMP), durations(placebo))
	noError(t, err)
	// R survdiff; text books print chi-square 16.79 (from memory).
	if got.Observed != [2]int{9, 21} {
		t.Errorf("observed %v; want 9 and 21", got.Observed)
	}
	near(t, "expected 6-MP", got.Expected[0], 19.2505009480311, 1e-9)
	near(t, "expected placebo", got.Expected[1], 10.7494990519689, 1e-9)
	near(t, "variance", got.Variance, 6.2569605736755, 1e-9)
	near(t, "chi-square", got.ChiSq, 16.7929409892165, 1e-9)
	near(t, "p", got.P, 4.16880911e-05, 1e-8)
	swapped, err := LogRank(durations(placebo), durations(sixMP))
	noError(t, err)
	near(t, "p swapped", swapped.P, got.P, 1e-12)
}

func TestLogRankRefusals(t *testing.T) {
	d := durations("1 2")
	_, err := LogRank(nil, d)
	refused(t, "a", err, "durations in a is 0")
	_, err = LogRank(d, nil)
	refused(t, "b", err, "durations in b is 0")
	_, err = LogRank(d, []Duration{{T: math.NaN()}})
	refused(t, "NaN", err, "b[0].T is NaN")
	_, err = LogRank(durations("1+ 2+"), durations("3+"))
	refused(t, "all censored", err, "no event while a and b are both watched")
	_, err = LogRank(durations("1+ 2+"), durations("3 4"))
	refused(t, "one after the other", err, "no event while a and b are both watched")
}

func TestRestrictedMean(t *testing.T) {
	for _, c := range []struct {
		name, data     string
		upTo, mean, se float64
	}{ // R survfit, summary(rmean = upTo)
		{"6-MP", sixMP, 35, 23.28739495798, 2.82746762337},
		{"6-MP", sixMP, 10, 9.277310924369747, 0.326769115387444},
		{"6-MP", sixMP, 20, 16.11652661064426, 1.25156019600505},
		{"placebo", placebo, 23, 8.66666666667, 1.37739004126},
		{"placebo", placebo, 10, 6.619047619047619, 0.733012268851333},
		{"placebo", placebo, 20, 8.42857142857143, 1.26808268250392},
		{"placebo", placebo, 100, 8.66666666667, 1.37739004126}, // nothing left after 23
		{"all censored", "3+ 5+", 5, 5, 0},
	} {
		curve, err := KaplanMeier(durations(c.data))
		noError(t, err)
		mean, se, err := curve.RestrictedMean(c.upTo)
		noError(t, err)
		near(t, c.name+" mean", mean, c.mean, 1e-11)
		near(t, c.name+" se", se, c.se, 1e-10)
	}
	curve, err := KaplanMeier(durations(sixMP))
	noError(t, err)
	_, _, err = curve.RestrictedMean(36)
	refused(t, "beyond", err, "expected at most 35")
	for _, upTo := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		_, _, err = curve.RestrictedMean(upTo)
		refused(t, "upTo", err, "upTo is")
	}
}
