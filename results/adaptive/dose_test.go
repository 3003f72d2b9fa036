package adaptive

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"drench/results/stats/dose"

	"pgregory.net/rapid"
)

// TestStaircase: the search goes up and down by equal steps of the logarithm
// until it has turned twice, whatever the plan's end.
func TestStaircase(t *testing.T) {
	d := ready(t, DosePlan{Low: 100, High: 25_600, Ratio: 2, Least: 1}) // 8 steps of a factor of 2
	var seen []DoseTrial
	for i, want := range []struct {
		dose int64
		hit  bool // the answer to it
	}{{1600, true}, {800, true}, {400, false}, {800, false}} {
		a, err := d.Next(seen)
		if err != nil || a.Phase != Staircase || math.Abs(math.Log2(float64(a.Dose)/float64(want.dose))) > 0.13 { // half the spacing of 33 doses
			t.Errorf("trial %d: %+v %v, want about %d", i+1, a, err, want.dose)
		}
		seen = append(seen, DoseTrial{a.Dose, want.hit})
	}
	seen = append(seen, DoseTrial{1600, true})
	if a, err := d.Next(seen); err != nil || a.Phase != Model {
		t.Errorf("after two turns: %+v %v", a, err)
	}
	// It stays within the doses.
	for _, hit := range []bool{true, false} {
		var same []DoseTrial
		for range 20 {
			a, _ := d.Next(same)
			same = append(same, DoseTrial{a.Dose, hit})
		}
		want := int64(25_600)
		if hit {
			want = 100
		}
		if a, err := d.Next(same); err != nil || a.Dose != want || a.Settled {
			t.Errorf("all %v: %+v %v", hit, a, err)
		}
	}
}

// TestDosesAllowed: every dose is within the plan and on its grid, the same
// trials give the same dose, and their order changes only the staircase.
func TestDosesAllowed(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := DosePlan{Low: rapid.Int64Range(1000, 20_000).Draw(rt, "low"), Ratio: 1.5, Least: 4}
		p.High = p.Low * rapid.Int64Range(4, 40).Draw(rt, "range")
		if rapid.Bool().Draw(rt, "drops") {
			p.Step = p.Low
		}
		d, err := p.Doses()
		if err != nil {
			rt.Fatal(err)
		}
		var seen []DoseTrial
		for range rapid.IntRange(1, 12).Draw(rt, "trials") {
			a, err := d.Next(seen)
			if err != nil {
				rt.Fatal(err)
			}
			if a.Settled {
				if a.Upper > p.Ratio*a.Lower || len(seen) < p.Least || !mixed(seen) {
					rt.Fatalf("settled at %+v after %v", a, seen)
				}
				break
			}
			if a.Dose < p.Low || a.Dose > p.High || p.Step > 0 && a.Dose%p.Step != 0 {
				rt.Fatalf("dose %d of %+v", a.Dose, p)
			}
			if again, _ := d.Next(slices.Clone(seen)); again != a {
				rt.Fatalf("%+v, then %+v", a, again)
			}
			seen = append(seen, DoseTrial{a.Dose, rapid.Bool().Draw(rt, "hit")})
		}
	})
}

func TestDosePlanErrors(t *testing.T) {
	for _, c := range []struct {
		plan DosePlan
		want string
	}{
		{DosePlan{Low: 0, High: 10}, "a smallest above 0"},
		{DosePlan{Low: 10, High: 10}, "a larger one"},
		{DosePlan{Low: 10, High: 20, Step: -1}, "step is -1"},
		{DosePlan{Low: 10, High: 20, Ratio: 1}, "ratio is 1"},
		{DosePlan{Low: 10, High: 25, Step: 10}, "at least 3 doses"},
	} {
		if _, err := c.plan.Doses(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.plan, err, c.want)
		}
	}
	if _, err := ready(t, DosePlan{Low: 10, High: 1000}).Next([]DoseTrial{{0, true}}); err == nil {
		t.Error("a dose of 0 was taken")
	}
}

func TestThresholdErrors(t *testing.T) {
	if _, err := NewThreshold([]DoseTrial{{5, true}, {6, true}}); !errors.Is(err, ErrOneOutcome) {
		t.Errorf("hits only: %v", err)
	}
	if _, err := NewThreshold(nil); !errors.Is(err, ErrOneOutcome) {
		t.Errorf("no trials: %v", err)
	}
	if _, err := NewThreshold([]DoseTrial{{5, true}, {-6, false}}); err == nil || errors.Is(err, ErrOneOutcome) {
		t.Errorf("a dose below 0: %v", err)
	}
}

// TestThresholdAgrees: with many trials the prior does not matter, and the
// posterior's middle and ends are those of maximum likelihood (package dose,
// which has published values).
func TestThresholdAgrees(t *testing.T) {
	c := truth{60_000, 1.8}
	r := rand.New(rand.NewPCG(1, 2))
	var trials []DoseTrial
	var groups []dose.Group
	for _, x := range []int64{20_000, 40_000, 60_000, 80_000, 120_000, 160_000} {
		g := dose.Group{Dose: math.Log(float64(x)), N: 400}
		for range g.N {
			hit := c.detects(r, x)
			trials = append(trials, DoseTrial{x, hit})
			if hit {
				g.Hits++
			}
		}
		groups = append(groups, g)
	}
	fit, err := dose.MaxLikelihood(groups, dose.Logit)
	if err != nil {
		t.Fatal(err)
	}
	th, err := NewThreshold(trials)
	if err != nil {
		t.Fatal(err)
	}
	ratio, err := fit.LikelihoodRatio(0.9, 0.95, dose.TwoSided)
	if err != nil {
		t.Fatal(err)
	}
	half, _ := fit.Quantile(0.5)
	ninety, _ := fit.Quantile(0.9)
	for _, v := range []struct {
		name      string
		got, want float64
	}{
		{"a50", th.Dose(0.5, 0.5), half.Value}, {"a90", th.Dose(0.9, 0.5), ninety.Value},
		{"lower end", th.Dose(0.9, 0.025), ratio.Lower}, {"upper end", th.Dose(0.9, 0.975), ratio.Upper},
	} {
		if math.Abs(math.Log(v.got)-v.want) > 0.03 { // the spacing of the grid is 0.04
			t.Errorf("%s is %.4g, want %.4g", v.name, v.got, math.Exp(v.want))
		}
	}
}

// TestThresholdRises: a dose detected more surely is larger, and so is a bound
// that is surer.
func TestThresholdRises(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		trials := []DoseTrial{{1000, false}, {3000, true}}
		for range rapid.IntRange(0, 30).Draw(rt, "trials") {
			trials = append(trials, DoseTrial{rapid.Int64Range(500, 9000).Draw(rt, "dose"), rapid.Bool().Draw(rt, "hit")})
		}
		th, err := NewThreshold(trials)
		if err != nil {
			rt.Fatal(err)
		}
		last := 0.0
		for _, pod := range []float64{0.1, 0.5, 0.9, 0.99} {
			for _, prob := range []float64{0.05, 0.5, 0.95} {
				if prob == 0.5 && th.Dose(pod, prob) <= last {
					rt.Fatalf("dose with POD %v is %v, after %v", pod, th.Dose(pod, prob), last)
				}
				if th.Dose(pod, prob) > th.Dose(pod, prob+0.04) {
					rt.Fatalf("bounds fall at POD %v", pod)
				}
			}
			last = th.Dose(pod, 0.5)
		}
	})
}
