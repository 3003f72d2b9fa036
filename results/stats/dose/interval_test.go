package dose

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// R 4.2.2 on Bliss (1935): delta and Fieller from coef and vcov of glm, the
// likelihood ratio from glm with offset.
func TestDoseIntervalsBliss(t *testing.T) {
	for _, c := range []struct {
		link                   Link
		q, a, se               float64
		delta, fieller, ratio  Interval
		upper, upperF, upperLR float64 // one-sided
	}{
		{Logit, 0.5, 1.771720964448, 0.003858055311,
			Interval{1.764159314987, 1.779282613908}, Interval{1.763858171772, 1.779200475432},
			Interval{1.763982103565, 1.779187245791}, 1.778066900720, 1.777997365875, 1.777995595227},
		{Logit, 0.9, 1.835835457971, 0.006192536644,
			Interval{1.823698309176, 1.847972606767}, Interval{1.825055485782, 1.849890516530},
			Interval{1.824561760250, 1.849059951928}, 1.846021274330, 1.847329309009, 1.846771314487},
		{Probit, 0.5, 1.770852362185, 0.003803336808,
			Interval{1.763397959021, 1.778306765350}, Interval{1.763114319494, 1.778193800472},
			Interval{1.763268391524, 1.778170110342}, 1.777108294528, 1.777019730625, 1.777000645697},
		{Probit, 0.9, 1.835813627357, 0.005646951888,
			Interval{1.824745805034, 1.846881449680}, Interval{1.825804783663, 1.848325634080},
			Interval{1.825324101222, 1.848032083941}, 1.845102036651, 1.846090865149, 1.845924114706},
		// cloglog: a and se from R 4.2.2 glm; limits of the se follow
		{CLogLog, 0.5, 1.77875303373, 0.004006530085,
			Interval{1.770900379057, 1.786605688396}, Interval{}, Interval{}, 1.785343189268, 0, 0},
		{CLogLog, 0.9, 1.83322134805, 0.004495896755,
			Interval{1.824409552333, 1.842033143765}, Interval{}, Interval{}, 1.840616440131, 0, 0},
	} {
		f, err := MaxLikelihood(bliss(t), c.link)
		if err != nil {
			t.Fatal(err)
		}
		name := c.link.String()
		a, err := f.Quantile(c.q)
		if err != nil {
			t.Fatal(err)
		}
		near(t, name+" a", a.Value, c.a, coefficient)
		near(t, name+" se", a.SE, c.se, stdError)
		for _, m := range []struct {
			name    string
			of      func(q, level float64, side Side) (Interval, error)
			want    Interval
			oneSide float64
		}{
			{"delta", f.Delta, c.delta, c.upper},
			{"Fieller", f.Fieller, c.fieller, c.upperF},
			{"likelihood ratio", f.LikelihoodRatio, c.ratio, c.upperLR},
		} {
			if m.want == (Interval{}) {
				continue
			}
			both, err := m.of(c.q, 0.95, TwoSided)
			if err != nil {
				t.Fatal(err)
			}
			near(t, name+" "+m.name+" lower", both.Lower, m.want.Lower, limit)
			near(t, name+" "+m.name+" upper", both.Upper, m.want.Upper, limit)
			up, err := m.of(c.q, 0.95, Upper)
			if err != nil {
				t.Fatal(err)
			}
			near(t, name+" "+m.name+" one-sided", up.Upper, m.oneSide, limit)
			if !math.IsInf(up.Lower, -1) {
				t.Errorf("%s %s: an upper bound has a lower end %v", name, m.name, up.Lower)
			}
		}
	}
}

// R 4.2.2, LR one-sided bound on a90 for Bliss (1935).
func TestA9095Bliss(t *testing.T) {
	for link, want := range map[Link]float64{Logit: 1.846771314487, Probit: 1.845924114706} {
		f, err := MaxLikelihood(bliss(t), link)
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.A9095()
		if err != nil {
			t.Fatal(err)
		}
		near(t, link.String()+" a90/95", got, want, limit)
	}
}

func TestProfileSlope(t *testing.T) {
	for _, c := range []struct {
		name         string
		groups       []Group
		fit          func([]Group, Link) (*Fit, error)
		link         Link
		lower, upper float64
		tolerance    float64
	}{
		// R 4.2.2, own profile (optimize, uniroot); confint interpolates to
		// 28.854028–40.300689 and 16.914885–22.739831.
		{"Bliss", bliss(t), MaxLikelihood, Logit, 28.85390708, 40.30052722, limit},
		{"Bliss, confint", bliss(t), MaxLikelihood, Logit, 28.854028, 40.300689, 1e-4},
		{"Bliss", bliss(t), MaxLikelihood, Probit, 16.91480764, 22.7397356, limit},
		{"Bliss, confint", bliss(t), MaxLikelihood, Probit, 16.914885, 22.739831, 1e-4},
		{"Bliss", bliss(t), MaxLikelihood, CLogLog, 18.6902452, 25.72246133, limit},
		// R 4.2.2, profile penalised likelihood with the whole information
		{"complete", complete(), Firth, Logit, 0.13414, 5.7465, 1e-4},
		{"quasi", quasi(), Firth, Logit, 0.06875, 4.9136, 1e-4},
	} {
		f, err := c.fit(c.groups, c.link)
		if err != nil {
			t.Fatal(c.name, err)
		}
		got, err := f.ProfileSlope(0.95, TwoSided)
		if err != nil {
			t.Fatal(c.name, err)
		}
		near(t, c.name+" lower", got.Lower, c.lower, c.tolerance)
		near(t, c.name+" upper", got.Upper, c.upper, c.tolerance)
		low, err := f.ProfileSlope(0.975, Lower)
		if err != nil {
			t.Fatal(c.name, err)
		}
		near(t, c.name+" one-sided", low.Lower, got.Lower, 1e-9)
		if !math.IsInf(low.Upper, 1) {
			t.Errorf("%s: a lower bound has an upper end %v", c.name, low.Upper)
		}
	}
	// printed with five decimals only
	f, err := Firth(overlapping(), Logit)
	if err != nil {
		t.Fatal(err)
	}
	got, err := f.ProfileSlope(0.95, TwoSided)
	if err != nil || math.Abs(got.Lower-0.00049) > 1e-5 || math.Abs(got.Upper-1.2678) > 1e-4 {
		t.Errorf("overlap: %v, error %v", got, err)
	}
}

// flatData barely shows a slope, so that a90 has no upper bound.
func flatData() []Group { return []Group{{1, 20, 9}, {2, 20, 10}, {3, 20, 11}} }

func TestUnboundedEndsAreInfinite(t *testing.T) {
	f, err := MaxLikelihood(flatData(), Logit)
	if err != nil {
		t.Fatal(err)
	}
	for name, of := range map[string]func(q, level float64, side Side) (Interval, error){
		"Fieller": f.Fieller, "likelihood ratio": f.LikelihoodRatio,
	} {
		i, err := of(0.9, 0.95, TwoSided)
		if err != nil {
			t.Fatal(name, err)
		}
		if !math.IsInf(i.Upper, 1) || math.IsInf(i.Lower, 0) || i.Lower < 2 {
			t.Errorf("%s for a90: %v, want (above the doses of even odds, +Inf)", name, i)
		}
		i, err = of(0.1, 0.95, TwoSided)
		if err != nil {
			t.Fatal(name, err)
		}
		if !math.IsInf(i.Lower, -1) || math.IsInf(i.Upper, 0) || i.Upper > 2 {
			t.Errorf("%s for a10: %v, want (-Inf, below the doses of even odds)", name, i)
		}
		i, err = of(0.5, 0.95, TwoSided)
		if err != nil {
			t.Fatal(name, err)
		}
		if !math.IsInf(i.Lower, -1) || !math.IsInf(i.Upper, 1) {
			t.Errorf("%s for a50: %v, want no bounds", name, i)
		}
	}
	if a, err := f.A9095(); err != nil || !math.IsInf(a, 1) {
		t.Errorf("a90/95 = %v, %v, want +Inf", a, err)
	}
}

func TestFallingDetectionHasNoDose(t *testing.T) {
	f, err := MaxLikelihood([]Group{{1, 20, 15}, {2, 20, 10}, {3, 20, 4}}, Probit)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Quantile(0.9); !errors.Is(err, ErrSlope) {
		t.Errorf("Quantile: error %v", err)
	}
	if _, err := f.A9095(); !errors.Is(err, ErrSlope) {
		t.Errorf("A9095: error %v", err)
	}
	for name, of := range map[string]func(q, level float64, side Side) (Interval, error){
		"Delta": f.Delta, "Fieller": f.Fieller, "LikelihoodRatio": f.LikelihoodRatio,
	} {
		if _, err := of(0.9, 0.95, TwoSided); !errors.Is(err, ErrSlope) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

func TestRefusedIntervals(t *testing.T) {
	f, err := MaxLikelihood(bliss(t), Logit)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		q, level float64
		side     Side
		want     string
	}{
		{0, 0.95, TwoSided, "q is 0"},
		{1, 0.95, TwoSided, "q is 1"},
		{math.NaN(), 0.95, TwoSided, "q is NaN"},
		{0.9, 0, TwoSided, "level is 0"},
		{0.9, 1, TwoSided, "level is 1"},
		{0.9, 95, TwoSided, "level is 95"},
		{0.9, math.NaN(), TwoSided, "level is NaN"},
		{0.9, 0.5, Upper, "level is 0.5"},
		{0.9, 0.95, Side(5), "side is 5"},
	} {
		for name, of := range map[string]func(q, level float64, side Side) (Interval, error){
			"Delta": f.Delta, "Fieller": f.Fieller, "LikelihoodRatio": f.LikelihoodRatio,
		} {
			if _, err := of(c.q, c.level, c.side); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s(%v, %v, %v): error %v, want %q", name, c.q, c.level, c.side, err, c.want)
			}
		}
	}
	if _, err := f.ProfileSlope(1.2, TwoSided); err == nil || !strings.Contains(err.Error(), "level is 1.2") {
		t.Errorf("ProfileSlope: error %v", err)
	}
	if _, err := f.Quantile(1.2); err == nil || !strings.Contains(err.Error(), "q is 1.2") {
		t.Errorf("Quantile: error %v", err)
	}
}

func TestIntervalJSON(t *testing.T) {
	got, err := json.Marshal(Interval{Lower: 1.5, Upper: math.Inf(1)})
	if err != nil || string(got) != `{"lower":1.5,"upper":null}` {
		t.Errorf("%s, error %v", got, err)
	}
}

// Every interval holds the estimate, and more confidence widens it.
func TestIntervalsNest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		link := rapid.SampledFrom([]Link{Logit, Probit, CLogLog}).Draw(t, "link")
		var groups []Group
		for x := 1; x <= 5; x++ {
			groups = append(groups, Group{float64(x), 8, rapid.IntRange(0, 8).Draw(t, "hits")})
		}
		f, err := Regress(groups, link)
		if errors.Is(err, ErrOneOutcome) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		q := rapid.Float64Range(0.05, 0.95).Draw(t, "q")
		a, err := f.Quantile(q)
		if errors.Is(err, ErrSlope) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		level := rapid.Float64Range(0.5, 0.98).Draw(t, "level")
		for _, of := range []func(q, level float64, side Side) (Interval, error){f.Delta, f.Fieller, f.LikelihoodRatio} {
			in, err1 := of(q, level, TwoSided)
			out, err2 := of(q, level+0.015, TwoSided)
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			slack := 1e-9 * (1 + math.Abs(a.Value))
			if !(in.Lower <= a.Value+slack && a.Value <= in.Upper+slack) {
				t.Fatalf("%v does not hold %v", in, a.Value)
			}
			if out.Lower > in.Lower+slack || out.Upper < in.Upper-slack {
				t.Fatalf("%v at more confidence is inside %v", out, in)
			}
		}
	})
}
