package stats

import (
	"math"
	"testing"
)

func absoluteRankShift(a, b []float64) float64 {
	r, _ := rankSum(a, b)
	return math.Abs(r - float64(len(a)*len(b))/2)
}

// With Mann and Whitney's count as statistic the test must find its exact
// p-values: R wilcox.test 0.125541125541126 and 0.254412254412254.
func TestPermutationTest(t *testing.T) {
	const draws = 40000
	for _, c := range []struct {
		a, b []float64
		p    float64
	}{{samplesB, samplesA, 0.125541125541126}, {hollanderX, hollanderY, 0.254412254412254}} {
		got, err := PermutationTest(c.a, c.b, absoluteRankShift, draws, 1)
		noError(t, err)
		nearAbs(t, "p", got.P, c.p, 4*math.Sqrt(c.p*(1-c.p)/draws))
		again, err := PermutationTest(c.a, c.b, absoluteRankShift, draws, 1)
		noError(t, err)
		if again != got {
			t.Errorf("a second call gave %+v; want %+v", again, got)
		}
	}
	if samplesB[0] != 2.5 || samplesA[0] != 1.1 {
		t.Error("the samples were changed")
	}
	// Equal samples: no arrangement does worse.
	same, err := PermutationTest([]float64{1, 1}, []float64{1}, absoluteRankShift, 99, 1)
	noError(t, err)
	near(t, "equal samples", same.P, 1, 0)
}

func TestPermutationTestRefusals(t *testing.T) {
	ok := []float64{1, 2}
	_, err := PermutationTest(nil, ok, absoluteRankShift, 9, 1)
	refused(t, "a", err, "a has 0 values")
	_, err = PermutationTest(ok, []float64{math.NaN()}, absoluteRankShift, 9, 1)
	refused(t, "b", err, "b[0] is NaN")
	_, err = PermutationTest(ok, ok, nil, 9, 1)
	refused(t, "statistic", err, "statistic is nil")
	_, err = PermutationTest(ok, ok, func(a, b []float64) float64 { return math.NaN() }, 9, 1)
	refused(t, "NaN", err, "is NaN")
	_, err = PermutationTest(ok, ok, absoluteRankShift, 0, 1)
	refused(t, "draws", err, "draws is 0")
}
