package virtual

import (
	"math"
	"slices"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/portable"
)

// kolmogorov is the largest distance between the sample's distribution and the
// uniform one on [lo, hi].
func kolmogorov(sample []float64, lo, hi float64) float64 {
	sorted := slices.Sorted(slices.Values(sample))
	n, d := float64(len(sorted)), 0.0
	for i, x := range sorted {
		f := min(max((x-lo)/(hi-lo), 0), 1)
		d = max(d, f-float64(i)/n, float64(i+1)/n-f)
	}
	return d
}

// The example sample has D = 0.0783333333333 against U(0, 2) and
// 0.302083333333 against U(0.5, 2.1) (scipy kstest).
func TestKolmogorov(t *testing.T) {
	x := []float64{.03, .21, .38, .55, .71, .92, 1.08, 1.27, 1.49, 1.60, 1.77, 1.99}
	near(t, "D against U(0, 2)", kolmogorov(x, 0, 2), 0.0783333333333, 1e-12)
	near(t, "D against U(0.5, 2.1)", kolmogorov(x, 0.5, 2.1), 0.302083333333, 1e-12)
}

// latencies gives doses at random phases and returns how long after the true
// wetting the detect line answers, in seconds.
func latencies(t *testing.T, c Config, p profile, n int) []float64 {
	d := newDriver(t, c, p, 7)
	d.forget = true
	phase := portable.NewRand(11)
	d.power()
	d.prime()
	var found []float64
	for range n {
		d.run(after(phase.Uniform(4, 8)))
		d.dose(20*rig.Microlitre, 30*rig.MlPerMin)
		ev, ok := d.edge(rig.Detect, 1, 5*time.Second)
		if !ok {
			t.Fatal("a dose is not detected")
		}
		truth := d.b.Truth()
		found = append(found, ev.At.Sub(truth[len(truth)-1].At).Seconds())
		d.dry()
		d.run(3 * time.Second)
		if d.ask(rig.Detect) != 0 {
			t.Fatal("detect does not clear")
		}
	}
	return found
}

// A DUT that samples every T, and that one drop suffices for, answers a random
// event within a latency that is uniform on ((N-1)T + c, NT + c] (derived).
// The critical values of the Kolmogorov-Smirnov test, two-sided at 1 %, are
// those of scipy's kstwo.
func TestLatencyIsUniform(t *testing.T) {
	c := exactWater()
	c.Film.Spread = time.Millisecond
	const n, critical = 100, 0.160809
	for _, test := range []struct {
		readings int
		period   time.Duration
	}{{1, 2 * time.Second}, {3, 500 * time.Millisecond}} {
		p := readProfile(t, "testdata/conductive.yaml")
		p.Model.Thresholds, p.Model.Release = []int{300, 300, 300}, 250
		p.Sampling.Readings, p.Sampling.Period = test.readings, test.period
		p.Settings["period_ms"] = map[time.Duration]string{2 * time.Second: "2000", 500 * time.Millisecond: "500"}[test.period]
		conversion := p.Sampling.Conversion.Seconds()
		lo := float64(test.readings-1)*test.period.Seconds() + conversion
		hi := lo + test.period.Seconds()
		found := latencies(t, c, p, n)
		if d := kolmogorov(found, lo, hi); d > critical {
			t.Errorf("%d readings every %v: D = %v against U(%v, %v), more than %v", test.readings, test.period, d, lo, hi, critical)
		}
		if least, most := slices.Min(found), slices.Max(found); least < lo || most > hi+0.005 {
			t.Errorf("%d readings every %v: latencies from %v to %v, want within %v and %v", test.readings, test.period, least, most, lo, hi)
		}
		// And the test can tell: half a period less is another law.
		if d := kolmogorov(found, lo, hi-test.period.Seconds()/2); d <= critical {
			t.Errorf("the latencies would suit half a period as well: D = %v", d)
		}
	}
}

// With drift, noise and all scatter, one drop, or a drizzle of 4 s, stays well
// under every stock DUT's threshold, and three drops are well over it.
func TestStockThresholds(t *testing.T) {
	for _, name := range []string{"conductive-2s", "latching-2s", "capacitive-500ms"} {
		t.Run(name, func(t *testing.T) {
			p := readProfile(t, name)
			for seed := range uint64(8) {
				d := newDriver(t, Default(), p, seed)
				d.power()
				threshold := float64(p.Model.Thresholds[p.Model.Level-1])
				share := func(give func()) float64 {
					give()
					d.run(1500 * time.Millisecond)
					diff := float64(d.b.w.dut.sensor.read()) - d.b.w.dut.baseline
					d.dry()
					d.run(40 * time.Second) // less than lets the line drain back
					return diff / threshold
				}
				d.prime()
				d.run(time.Minute)
				for range 4 {
					one := share(func() { d.dose(d.b.w.cfg.Drip.Drop, 30*rig.MlPerMin) })
					three := share(func() { d.dose(50*rig.Microlitre, 30*rig.MlPerMin) })
					drizzle := share(func() {
						d.set(rig.PumpSpray, int64((rig.Rain(1.11 * float64(rig.MmPerMin))).Flow(25*rig.SqCm)))
						d.run(4 * time.Second)
						d.set(rig.PumpSpray, 0)
					})
					if one > 0.9 || drizzle > 0.9 || three < 1.1 || math.IsNaN(one) {
						t.Errorf("seed %d: one drop makes %.2f, a drizzle %.2f, three drops %.2f of the threshold", seed, one, drizzle, three)
					}
				}
			}
		})
	}
}
