package stats

import "testing"

func TestUniformLaw(t *testing.T) {
	latencies := []float64{.03, .21, .38, .55, .71, .92, 1.08, 1.27, 1.49, 1.60, 1.77, 1.99}
	for _, c := range []struct{ from, to, d, p float64 }{ // scipy kstest
		{0, 2, 0.0783333333333, 0.999988413},
		{0.5, 2.1, 0.302083333333, 0.181412869},
	} {
		got, err := UniformLaw(latencies, c.from, c.to)
		noError(t, err)
		near(t, "D", got.D, c.d, 1e-11)
		near(t, "P", got.P, c.p, 1e-8)
	}
}

func TestKolmogorovCriticalValues(t *testing.T) {
	// scipy kstwo.ppf, printed to 6 digits: the level must lie between the
	// p-values half a digit to either side.
	levels := []float64{0.10, 0.05, 0.01}
	for n, row := range map[int][]float64{
		5: {0.509449, 0.563275, 0.668531}, 10: {0.368662, 0.409246, 0.488932}, 20: {0.264731, 0.294075, 0.352411},
		30: {0.217560, 0.241703, 0.289864}, 50: {0.169592, 0.188406, 0.226037}, 100: {0.120663, 0.134028, 0.160809},
	} {
		for i, d := range row {
			above, below := kolmogorovExact(n, d-0.5e-6), kolmogorovExact(n, d+0.5e-6)
			if !(below <= levels[i] && levels[i] <= above) {
				t.Errorf("n %d D %v: p from %v to %v; want it to hold %v", n, d, below, above, levels[i])
			}
		}
	}
	for i, x := range []float64{1.2238478702, 1.3580986393, 1.6276236115} { // n large
		near(t, "limit", kolmogorovLimit(x), levels[i], 1e-9)
	}
}
