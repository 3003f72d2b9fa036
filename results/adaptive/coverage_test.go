package adaptive

import (
	"math"
	"math/rand/v2"
	"testing"
)

// truth is a device: the dose that it detects half of the time, and how many
// times that it detects nine times in ten. Doses are in nl, as a timeline has
// them.
type truth struct{ a50, ratio float64 }

func (c truth) a90() float64 { return c.a50 * c.ratio }

func (c truth) detects(r *rand.Rand, dose int64) bool {
	return r.Float64() < 1/(1+math.Exp(-ln9*math.Log(float64(dose)/c.a50)/math.Log(c.ratio)))
}

// search makes trials until the plan is settled, at most n.
func (c truth) search(t *testing.T, r *rand.Rand, d *Doses, n int) []DoseTrial {
	t.Helper()
	var seen []DoseTrial
	for len(seen) < n {
		next, err := d.Next(seen)
		if err != nil {
			t.Fatal(err)
		}
		if next.Settled {
			break
		}
		seen = append(seen, DoseTrial{next.Dose, c.detects(r, next.Dose)})
	}
	return seen
}

func ready(t *testing.T, p DosePlan) *Doses {
	t.Helper()
	d, err := p.Doses()
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// study is what many searches at one truth come to.
type study struct {
	both, upper float64 // share of 95 % intervals of a90 that hold it: two-sided, one-sided
	error       float64 // root mean square of the error of ln a90
	trials      float64 // mean
	width       float64 // mean of the two-sided interval's upper end over its lower
}

// learn sums up studies.
func learn(t *testing.T, c truth, studies int, make func() []DoseTrial) study {
	t.Helper()
	var s study
	n := float64(studies)
	for range studies {
		trials := make()
		s.trials += float64(len(trials)) / n
		th, err := NewThreshold(trials)
		if err != nil { // all hits or all misses: no interval, so none that holds it
			s.error += 1 / n // a factor of e
			continue
		}
		lower, upper := th.Dose(0.9, 0.025), th.Dose(0.9, 0.975)
		if lower <= c.a90() && c.a90() <= upper {
			s.both += 1 / n
		}
		if c.a90() <= th.Dose(0.9, 0.95) {
			s.upper += 1 / n
		}
		s.width += upper / lower / n
		e := math.Log(th.Dose(0.9, 0.5) / c.a90())
		s.error += e * e / n
	}
	s.error = math.Sqrt(s.error)
	return s
}

// TestCoverage holds the intervals to their name although each dose was chosen
// by the answers before it, and the search ends when its interval is narrow: of
// 1000 studies at each of three truths, 93 to 97 % of the 95 % intervals of a90
// hold it (three Monte-Carlo standard errors are 2 %).
//
// What was tried and is not used: on 40 such trials the likelihood-ratio interval
// of package dose covers 88 to 93 %, Fieller's 95 to 97 %, but its bounds 98 to
// 100 % once the search ends early.
//
// A device with a curve steeper than a90/a50 = 1.3 is near the edge of the
// prior; there the intervals are too long rather than too short.
func TestCoverage(t *testing.T) {
	if testing.Short() {
		t.Skip("Monte-Carlo coverage")
	}
	d := ready(t, DosePlan{Low: 8_000, High: 400_000, Ratio: 2, Least: 16})
	for _, c := range []struct {
		truth
		studies     int
		least, most float64
	}{
		{truth{30_000, 2}, 1000, 0.93, 0.97},
		{truth{120_000, 1.6}, 1000, 0.93, 0.97},
		{truth{60_000, 3}, 1000, 0.93, 0.97},
		{truth{60_000, 1.2}, 300, 0.93, 1},
	} {
		r := rand.New(rand.NewPCG(3, 4))
		s := learn(t, c.truth, c.studies, func() []DoseTrial { return c.search(t, r, d, 60) })
		t.Logf("%+v: %+.3f", c.truth, s)
		if s.both < c.least || s.both > c.most {
			t.Errorf("%+v: the 95 %% interval covers %.3f, want %v to %v", c.truth, s.both, c.least, c.most)
		}
		if s.upper < c.least-0.01 || s.upper > 1 {
			t.Errorf("%+v: the upper bound covers %.3f", c.truth, s.upper)
		}
	}
}

// TestEconomy: chosen doses take half the trials of the fixed series of the drip
// scenario, or fewer, for the same error of a90.
func TestEconomy(t *testing.T) {
	if testing.Short() {
		t.Skip("Monte-Carlo comparison")
	}
	const fixedTrials, chosenTrials, studies = 64, 32, 200
	series := []int64{50_000, 100_000, 200_000, 400_000}
	d := ready(t, DosePlan{Low: 16_667, High: 400_000})
	for _, c := range []truth{{30_000, 1.5}, {60_000, 1.3}, {75_000, 2}, {140_000, 1.3}, {250_000, 1.5}} {
		r := rand.New(rand.NewPCG(5, 6))
		fixed := learn(t, c, studies, func() (list []DoseTrial) {
			for i := range fixedTrials {
				x := series[i%len(series)]
				list = append(list, DoseTrial{x, c.detects(r, x)})
			}
			return list
		})
		chosen := learn(t, c, studies, func() []DoseTrial { return c.search(t, r, d, chosenTrials) })
		t.Logf("%+v: fixed %+.3f, chosen %+.3f", c, fixed, chosen)
		if chosen.error > fixed.error {
			t.Errorf("%+v: %d chosen doses err by %.3f, %d of the series by %.3f", c, chosenTrials, chosen.error, fixedTrials, fixed.error)
		}
	}
}
