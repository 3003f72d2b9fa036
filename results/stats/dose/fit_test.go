package dose

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Tolerances, relative: R iterates to about 1e-10 itself.
const (
	coefficient = 1e-7
	stdError    = 1e-6
	limit       = 1e-6
)

// R 4.2.2: glm(cbind(y, n-y) ~ x, family, epsilon = 1e-14) on Bliss (1935).
func TestMaxLikelihoodBliss(t *testing.T) {
	const null = 284.2024494808
	for _, c := range []struct {
		link                       Link
		b0, b1, se0, se1, cov      float64
		deviance, pearson          float64
		logLik, logLikCoefficients float64
		pDeviance, pPearson        float64
	}{
		{Logit, -60.7174545656, 34.2703257342, 5.18071146332, 2.91214007062, -15.082151006,
			11.2322310974, 10.02681758564, -186.2354032718, -18.7151346573, 0.0814588099273, 0.123527206273},
		{Probit, -34.9352588978, 19.7279342106, 2.64791779947, 1.48723504135, -3.9365438524,
			10.1197581130, 9.513426962, -185.6791667796, -18.1588981651, 0.119698499575, 0.146695206946},
		{CLogLog, -39.5723106061, 22.0411698208, 3.24027261967, 1.79935519098, -5.82865148968,
			3.4464387330, 3.29469383373, -182.342507090, -14.8222384751, 0.751081617251, 0.77105359028},
	} {
		f, err := MaxLikelihood(bliss(t), c.link)
		if err != nil {
			t.Fatal(err)
		}
		name := c.link.String()
		near(t, name+" b0", f.Intercept, c.b0, coefficient)
		near(t, name+" b1", f.Slope, c.b1, coefficient)
		near(t, name+" se b0", math.Sqrt(f.Cov[0][0]), c.se0, stdError)
		near(t, name+" se b1", math.Sqrt(f.Cov[1][1]), c.se1, stdError)
		near(t, name+" cov", f.Cov[0][1], c.cov, stdError)
		near(t, name+" cov", f.Cov[1][0], c.cov, stdError)
		near(t, name+" deviance", f.Deviance, c.deviance, coefficient)
		near(t, name+" null deviance", f.NullDeviance, null, coefficient)
		near(t, name+" X2", f.Pearson, c.pearson, coefficient)
		near(t, name+" logLik", f.LogLik, c.logLik, coefficient)
		near(t, name+" penalised logLik", f.PenalisedLogLik, f.LogLik, 0)
		near(t, name+" logLik with coefficients", f.LogLikBinomial, c.logLikCoefficients, coefficient)
		if f.DF != 6 || f.NullDF != 7 || f.Penalised || f.Separation != Overlap {
			t.Errorf("%s: df %d, null df %d, penalised %v, separation %v", name, f.DF, f.NullDF, f.Penalised, f.Separation)
		}
		g, err := f.GoodnessOfFit()
		if err != nil {
			t.Fatal(err)
		}
		near(t, name+" p of deviance", g.Deviance, c.pDeviance, stdError)
		near(t, name+" p of X2", g.Pearson, c.pPearson, stdError)
	}
}

// R 4.2.2: n * fitted(glm) for the logit on Bliss (1935).
func TestPODFittedCounts(t *testing.T) {
	want := []float64{3.457460505, 9.841672134, 22.451378364, 33.897634755,
		50.095821632, 53.290913343, 59.222158622, 58.742960645}
	f, err := MaxLikelihood(bliss(t), Logit)
	if err != nil {
		t.Fatal(err)
	}
	for i, g := range bliss(t) {
		p, err := f.POD(g.Dose)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "fitted count", float64(g.N)*p, want[i], 1e-8)
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1)} {
		if _, err := f.POD(bad); err == nil || !strings.Contains(err.Error(), "dose is") {
			t.Errorf("POD(%v): error %v", bad, err)
		}
	}
}

// R 4.2.2, own Newton code for the logit (Firth, Biometrika 80 (1993) 27),
// cross-checked by direct maximising.
func TestFirthLogit(t *testing.T) {
	for _, c := range []struct {
		name                   string
		groups                 []Group
		b0, b1, se0, se1, pLik float64
		a50, a90               float64
		separation             Separation
	}{
		{"complete", complete(), -4.647349769979, 1.032744393329, 3.198079849, 0.672664781,
			-1.155075209365, 4.5, 6.627558950, Complete},
		{"quasi", quasi(), -4.200299358911, 1.050074839728, 3.068796001, 0.731152850,
			-1.915146122367, 4, 6.092445695, Quasi},
		{"overlap", overlapping(), -2.560349179565, 0.465518032648, 1.841955269, 0.305729847,
			-3.034677645403, 5.5, 10.219955884, Overlap},
		{"beetles", bliss(t), -60.113771323620, 33.930130451140, 5.131141719, 2.884118663,
			-185.2629598988, 1.7716929031612, 1.8364502308851, Overlap},
	} {
		f, err := Firth(c.groups, Logit)
		if err != nil {
			t.Fatal(c.name, err)
		}
		near(t, c.name+" b0", f.Intercept, c.b0, coefficient)
		near(t, c.name+" b1", f.Slope, c.b1, coefficient)
		near(t, c.name+" se b0", math.Sqrt(f.Cov[0][0]), c.se0, stdError)
		near(t, c.name+" se b1", math.Sqrt(f.Cov[1][1]), c.se1, stdError)
		near(t, c.name+" penalised logLik", f.PenalisedLogLik, c.pLik, coefficient)
		if !f.Penalised || f.Separation != c.separation {
			t.Errorf("%s: penalised %v, separation %v", c.name, f.Penalised, f.Separation)
		}
		for _, q := range []struct{ q, want float64 }{{0.5, c.a50}, {0.9, c.a90}} {
			a, err := f.Quantile(q.q)
			if err != nil {
				t.Fatal(c.name, err)
			}
			near(t, c.name+" quantile", a.Value, q.want, coefficient)
		}
	}
}

// R 4.2.2, direct maximising; see the head of the file.
func TestFirthAllLinks(t *testing.T) {
	sets := map[string][]Group{"complete": complete(), "quasi": quasi(), "overlap": overlapping()}
	for _, r := range rows(t, "dose_firth.csv") {
		name := r[0] + " " + r[1]
		link, err := ParseLink(r[1])
		if err != nil {
			t.Fatal(err)
		}
		f, err := Firth(sets[r[0]], link)
		if err != nil {
			t.Fatal(name, err)
		}
		near(t, name+" b0", f.Intercept, number(t, r[2]), 1e-7)
		near(t, name+" b1", f.Slope, number(t, r[3]), 1e-7)
		near(t, name+" penalised logLik", f.PenalisedLogLik, number(t, r[4]), 1e-9)
		for i, q := range []float64{0.5, 0.9} {
			a, err := f.Quantile(q)
			if err != nil {
				t.Fatal(name, err)
			}
			lr, err := f.LikelihoodRatio(q, 0.95, TwoSided)
			if err != nil {
				t.Fatal(name, err)
			}
			near(t, name+" quantile", a.Value, number(t, r[5+3*i]), 1e-7)
			near(t, name+" LR lower", lr.Lower, number(t, r[6+3*i]), limit)
			near(t, name+" LR upper", lr.Upper, number(t, r[7+3*i]), limit)
		}
	}
}

func TestSeparationIsSaidAndNotPrinted(t *testing.T) {
	backwards := complete()
	for i := range backwards {
		backwards[i].Hits = 1 - backwards[i].Hits
	}
	for _, c := range []struct {
		name   string
		groups []Group
		kind   Separation
	}{
		{"complete", complete(), Complete},
		{"complete, falling", backwards, Complete},
		{"quasi", quasi(), Quasi},
		{"quasi at an edge", []Group{{1, 5, 2}, {2, 5, 5}}, Quasi},
		{"two doses", []Group{{1, 5, 0}, {2, 5, 5}}, Complete},
	} {
		for _, link := range []Link{Logit, Probit, CLogLog} {
			f, err := MaxLikelihood(c.groups, link)
			var separated *SeparationError
			if !errors.As(err, &separated) || separated.Kind != c.kind || f != nil {
				t.Errorf("%s, %v: fit %v, error %v", c.name, link, f, err)
				continue
			}
			if !strings.Contains(err.Error(), c.kind.String()+" separation") {
				t.Errorf("%s: error does not say %v: %v", c.name, c.kind, err)
			}
		}
	}
}

// Regress is maximum likelihood where that exists, Firth's fit elsewhere.
func TestRegressFallsBack(t *testing.T) {
	f, err := Regress(overlapping(), Logit)
	if err != nil || f.Penalised {
		t.Fatalf("overlap: penalised %v, error %v", f.Penalised, err)
	}
	// R 4.2.2 glm
	near(t, "ML b0", f.Intercept, -3.721881685, 1e-9)
	near(t, "ML b1", f.Slope, 0.676705761, 1e-8)
	for _, groups := range [][]Group{complete(), quasi()} {
		f, err := Regress(groups, Logit)
		if err != nil {
			t.Fatal(err)
		}
		want, err := Firth(groups, Logit)
		if err != nil {
			t.Fatal(err)
		}
		if !f.Penalised || f.Separation == Overlap {
			t.Errorf("penalised %v, separation %v", f.Penalised, f.Separation)
		}
		near(t, "slope", f.Slope, want.Slope, 0)
	}
}

func TestRefusedData(t *testing.T) {
	for _, c := range []struct {
		name   string
		groups []Group
		want   string
		is     error
	}{
		{"n = 0", nil, "n is 0 trials", nil},
		{"n = 0 in groups", []Group{{1, 0, 0}, {2, 0, 0}}, "n is 0 trials", nil},
		{"n = 1", []Group{{1, 1, 1}}, "n is 1 trials", nil},
		{"n = 2", []Group{{1, 1, 0}, {2, 1, 1}}, "n is 2 trials", nil},
		{"all hits", []Group{{1, 5, 5}, {2, 5, 5}}, "hits is 10 of n = 10", ErrOneOutcome},
		{"no hits", []Group{{1, 5, 0}, {2, 5, 0}}, "hits is 0 of n = 10", ErrOneOutcome},
		{"single dose level", []Group{{3, 5, 2}, {3, 5, 4}}, "dose is 3 throughout", ErrOneDose},
		{"single level with trials", []Group{{3, 5, 2}, {4, 0, 0}}, "dose is 3 throughout", ErrOneDose},
		{"NaN dose", []Group{{1, 5, 2}, {math.NaN(), 5, 4}}, "group 1: dose is NaN", nil},
		{"infinite dose", []Group{{math.Inf(-1), 5, 2}, {1, 5, 4}}, "group 0: dose is -Inf", nil},
		{"negative n", []Group{{1, -1, 0}}, "n is -1", nil},
		{"negative hits", []Group{{1, 5, -1}}, "hits is -1", nil},
		{"more hits than trials", []Group{{1, 5, 6}}, "hits is 6", nil},
	} {
		for name, fit := range map[string]func([]Group, Link) (*Fit, error){
			"MaxLikelihood": MaxLikelihood, "Firth": Firth, "Regress": Regress,
		} {
			f, err := fit(c.groups, Logit)
			if f != nil || err == nil || !strings.Contains(err.Error(), c.want) || (c.is != nil && !errors.Is(err, c.is)) {
				t.Errorf("%s, %s: fit %v, error %v, want %q", name, c.name, f, err, c.want)
			}
		}
	}
	if _, err := Regress(complete(), Link(7)); err == nil || !strings.Contains(err.Error(), "link is Link(7)") {
		t.Errorf("unknown link: error %v", err)
	}
}

func TestGoodnessOfFitNeedsThreeDoses(t *testing.T) {
	f, err := MaxLikelihood([]Group{{1, 10, 3}, {2, 10, 8}}, Logit)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.GoodnessOfFit(); err == nil || !strings.Contains(err.Error(), "n is 2 distinct doses") {
		t.Errorf("error %v", err)
	}
	near(t, "saturated deviance", 1+f.Deviance, 1, 1e-12)
}

// A fit to two doses goes through both observed rates, whatever the link.
func TestSaturatedFitIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		link := rapid.SampledFrom([]Link{Logit, Probit, CLogLog}).Draw(t, "link")
		n := rapid.IntRange(2, 200).Draw(t, "n")
		low := rapid.IntRange(1, n-1).Draw(t, "low")
		high := rapid.IntRange(1, n-1).Draw(t, "high")
		x := rapid.Float64Range(-1e3, 1e3).Draw(t, "x")
		d := rapid.Float64Range(1e-3, 1e3).Draw(t, "d")
		f, err := MaxLikelihood([]Group{{x, n, low}, {x + d, n, high}}, link)
		if err != nil {
			t.Fatal(err)
		}
		for i, hits := range []int{low, high} {
			p, err := f.POD(x + float64(i)*d)
			want := float64(hits) / float64(n)
			if err != nil || math.Abs(p-want) > 1e-7 {
				t.Fatalf("POD %v, error %v, want %v", p, err, want)
			}
		}
	})
}

// The fit does not depend on the order of the groups, on how they are split,
// or on the unit of dose.
func TestFitInvariance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		link := rapid.SampledFrom([]Link{Logit, Probit, CLogLog}).Draw(t, "link")
		shift := rapid.Float64Range(-100, 100).Draw(t, "shift")
		scale := rapid.Float64Range(1e-3, 1e3).Draw(t, "scale")
		base := overlapping()
		var moved []Group
		for _, i := range rapid.Permutation([]int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}).Draw(t, "order") {
			g := base[i]
			moved = append(moved, Group{Dose: shift + scale*g.Dose, N: 1, Hits: g.Hits}, Group{Dose: shift + scale*g.Dose})
		}
		for _, fit := range []func([]Group, Link) (*Fit, error){MaxLikelihood, Firth} {
			want, err1 := fit(base, link)
			got, err2 := fit(moved, link)
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			if math.Abs(got.Slope*scale-want.Slope) > 1e-7*want.Slope || math.Abs(got.Deviance-want.Deviance) > 1e-7 {
				t.Fatalf("slope %v deviance %v, want %v %v", got.Slope*scale, got.Deviance, want.Slope, want.Deviance)
			}
		}
	})
}

func TestParseLink(t *testing.T) {
	for _, l := range []Link{Logit, Probit, CLogLog} {
		if got, err := ParseLink(l.String()); err != nil || got != l {
			t.Errorf("ParseLink(%q) = %v, %v", l, got, err)
		}
	}
	if _, err := ParseLink("cauchit"); err == nil || !strings.Contains(err.Error(), `"cauchit"`) {
		t.Errorf("error %v", err)
	}
	if got := Link(9).String(); got != "Link(9)" {
		t.Errorf("String() = %q", got)
	}
	if got := Separation(9).String(); got != "Separation(9)" {
		t.Errorf("String() = %q", got)
	}
}

// The derivatives of each link agree with differences of its logarithms, from
// one tail to the other.
func TestLinkDerivatives(t *testing.T) {
	const h = 1e-5
	for _, c := range []struct {
		link   Link
		lo, hi float64 // where the logarithms and weights do not underflow
	}{{Logit, -45, 45}, {Probit, -36, 36}, {CLogLog, -45, 5}} {
		for x := c.lo; x <= c.hi; x += 0.37 {
			a, b, z := c.link.terms(x-h), c.link.terms(x), c.link.terms(x+h)
			for _, d := range []struct {
				name      string
				got, want float64
			}{
				{"F'/F", b.hit, (z.logHit - a.logHit) / (2 * h)},
				{"F'/(1-F)", b.miss, (a.logMiss - z.logMiss) / (2 * h)},
				{"(ln w)'", b.dlogWeight(), (math.Log(z.weight()) - math.Log(a.weight())) / (2 * h)},
			} {
				if !(math.Abs(d.got-d.want) <= 1e-6*(1+math.Abs(d.want))) {
					t.Errorf("%v at %v: %s = %v, differences give %v", c.link, x, d.name, d.got, d.want)
				}
			}
		}
	}
}
