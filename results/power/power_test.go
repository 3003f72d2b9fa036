package power

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

const percentShare rig.Share = 1e7

// asker is a question without simulation.
type asker interface{ Answer() (Answer, error) }

func ask(t testing.TB, q asker) Answer {
	t.Helper()
	a, err := q.Answer()
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func near(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*math.Max(1, math.Abs(want))) {
		t.Errorf("%s is %v; want %v", what, got, want)
	}
}

func sizes(a Answer) []float64 {
	var list []float64
	for _, p := range a.Curve {
		list = append(list, p.Size)
	}
	return list
}

// Trials by reliability and confidence with 0, 1, 2, 3 failures: R pbinom; the
// first of each is the success run ln(1-C)/ln R.
func TestSuccessRunTable(t *testing.T) {
	for _, c := range []struct {
		defective rig.Share
		conf      float64
		want      []float64
	}{
		{10, 0.90, []float64{22, 38, 52, 65}}, {10, 0.95, []float64{29, 46, 61, 76}}, {10, 0.99, []float64{44, 64, 81, 97}},
		{5, 0.90, []float64{45, 77, 105, 132}}, {5, 0.95, []float64{59, 93, 124, 153}}, {5, 0.99, []float64{90, 130, 165, 198}},
		{1, 0.90, []float64{230, 388, 531, 667}}, {1, 0.95, []float64{299, 473, 628, 773}}, {1, 0.99, []float64{459, 662, 838, 1001}},
	} {
		a := ask(t, DUTs{Limit: c.defective * percentShare, Confidence: c.conf})
		if got := sizes(a)[:4]; !slices.Equal(got, c.want) || a.Least != c.want[0] {
			t.Errorf("%d %% at %v: %v, at least %v; want %v", c.defective, c.conf, got, a.Least, c.want)
		}
		missed := ask(t, Missed{Limit: c.defective * percentShare, Confidence: c.conf})
		if !slices.Equal(sizes(missed), sizes(a)) {
			t.Errorf("trials %v are other than DUTs %v", sizes(missed), sizes(a))
		}
	}
}

// Wilks, Annals of Mathematical Statistics 12 (1941) 91: the k-th largest.
func TestWilks(t *testing.T) {
	for _, c := range []struct {
		p, conf float64
		want    []float64
	}{{0.95, 0.95, []float64{59, 93, 124, 153}}, {0.99, 0.95, []float64{299}}, {0.95, 0.99, []float64{90}}} {
		a := ask(t, Latency{Quantile: c.p, Confidence: c.conf, Limit: 3 * time.Second, True: 2 * time.Second, Shape: Uniform})
		if got := sizes(a)[:len(c.want)]; !slices.Equal(got, c.want) || a.Least != c.want[0] {
			t.Errorf("%v/%v: %v; want %v", c.p, c.conf, got, c.want)
		}
	}
}

func TestChances(t *testing.T) {
	a := ask(t, Missed{Limit: 5 * percentShare, Confidence: 0.95, True: percentShare})
	near(t, "pass 59", a.Curve[0].Pass, 0.552683477162385, 1e-12) // R .99^59
	last := a.Needed[1]
	near(t, "pass 153", last.Pass, 0.931492652662822, 1e-12) // R pbinom(3, 153, .01)
	if a.Needed[0].Size != 124 || last.Size != 153 || last.Allowed != 3 || a.Needed[0].Power != 0.8 || last.Power != 0.9 || !a.Possible {
		t.Errorf("needed %+v", a.Needed)
	}
	r := ask(t, Rate{Limit: 138888, Confidence: 0.9, True: 27777}) // 0.5 and 0.1 per h, in whole nanohertz
	near(t, "least hours", r.Least, -math.Log(0.1)/(138888*3600e-9), 1e-6)
	near(t, "pass", r.Needed[1].Pass, 0.907465890833405, 1e-5) // R ppois(2, .1*10.64471)
	// All of the law is below the limit.
	sure := ask(t, Latency{Quantile: 0.95, Confidence: 0.95, Limit: 2500 * time.Millisecond, True: 2100 * time.Millisecond, Shape: Uniform})
	if sure.Needed[0].Size != 59 || sure.Needed[1].Pass != 1 {
		t.Errorf("needed %+v", sure.Needed)
	}
}

// A lot of 50 of which one may be defective: R phyper(0, 2, 48, 34) = 0.0980,
// phyper(0, 2, 48, 33) = 0.111; phyper(1, 2, 48, 48) = 0.0792 (47: 0.1175).
func TestLot(t *testing.T) {
	a := ask(t, DUTs{Limit: 2 * percentShare, Confidence: 0.9, True: 2 * percentShare, Lot: 50})
	if !slices.Equal(sizes(a), []float64{34, 48}) {
		t.Errorf("sizes %v; want 34 and 48", sizes(a))
	}
	near(t, "pass", a.Curve[0].Pass, 0.32, 1e-12) // 16 of 50
	if a.Curve[1].Pass != 1 || a.Curve[1].Fail != 0 {
		t.Errorf("one defective of 50 is allowed: %+v", a.Curve[1])
	}
	worse := ask(t, DUTs{Limit: 2 * percentShare, Confidence: 0.9, True: 4 * percentShare, Lot: 50})
	if worse.Possible || !(worse.Curve[1].Pass <= 0.1) {
		t.Errorf("two defective of 50: %+v", worse)
	}
	// A lot without end is production.
	large := ask(t, DUTs{Limit: 10 * percentShare, Confidence: 0.9, Lot: 100_000})
	if large.Least != 22 {
		t.Errorf("%v from a lot of 100000; want 22", large.Least)
	}
}

func TestImpossible(t *testing.T) {
	for _, c := range []struct {
		q    asker
		want string
	}{
		{Latency{Quantile: 0.95, Confidence: 0.95, Limit: 2 * time.Second, True: 2100 * time.Millisecond, Shape: Uniform},
			"It can't be shown that p95 is below 2 s if the true p95 is 2.1 s: a run of any size passes in at most 5 % of cases."},
		{Missed{Limit: 5 * percentShare, Confidence: 0.95, True: 5 * percentShare}, "It can't be shown that at most 5 % are missed if 5 % are truly missed"},
		{Rate{Limit: 138888, Confidence: 0.9, True: 200000}, "It can't be shown that there are at most 0.5 per h if"},
		{DUTs{Limit: percentShare, Confidence: 0.9, True: 2 * percentShare}, "It can't be shown that at most 1 % are defective if 2 % are truly defective"},
		{Latency{Quantile: 0.95, Confidence: 0.95, Limit: 2 * time.Second, True: 2*time.Second - time.Microsecond, Shape: Uniform},
			"To show with 95 % confidence that p95 is below 2 s takes more than 100000 trials if the true p95 is 1.999999 s: that is too near to the limit."},
		{Missed{Limit: 10, Confidence: 0.95}, "To show with 95 % confidence that at most 1e-06 % are missed takes more than 100000 trials whatever is true."},
		{DUTs{Limit: percentShare, Confidence: 0.9, Lot: 1}, "To show with 90 % confidence that at most 1 % are defective, test 1 DUT, of which none may be defective."},
	} {
		a := ask(t, c.q)
		if a.Possible && len(a.Needed) == 0 || !strings.HasPrefix(a.Sentence, c.want) {
			t.Errorf("%+v: %s; want %s", c.q, a.Sentence, c.want)
		}
		if strings.Contains(c.want, "can't") && (a.Possible || len(a.Needed) > 0 || len(a.Curve) == 0) {
			t.Errorf("%+v: %+v", c.q, a)
		}
	}
}

func TestRefused(t *testing.T) {
	good := Latency{Quantile: 0.95, Confidence: 0.95, Limit: 2, True: 1, Shape: Uniform}
	change := func(f func(*Latency)) Latency { l := good; f(&l); return l }
	for _, c := range []struct {
		q    asker
		want string
	}{
		{change(func(l *Latency) { l.Quantile = 1 }), "quantile is 1; expected"},
		{change(func(l *Latency) { l.Limit = 0 }), "expected both above 0"},
		{change(func(l *Latency) { l.U = -1 }), "uncertainty is -1ns; expected 0 or more"},
		{change(func(l *Latency) { l.Confidence = 0.5 }), "confidence is 0.5; expected"},
		{change(func(l *Latency) { l.Confidence = math.NaN() }), "confidence is NaN; expected"},
		{change(func(l *Latency) { l.From = 1 }), "the shortest latency is 1ns; expected"},
		{change(func(l *Latency) { l.Shape = Normal }), "the standard deviation of latency is 0s; expected one above 0"},
		{change(func(l *Latency) { l.Shape = "triangular" }), `shape is "triangular"; expected uniform, normal or lognormal`},
		{Missed{Limit: 0, Confidence: 0.9}, "limit is 0 %; expected"},
		{Missed{Limit: whole, Confidence: 0.9}, "limit is 100 %; expected"},
		{Missed{Limit: 1, Confidence: 0.9, True: -1}, "true is -1e-07 %; expected"},
		{DUTs{Limit: 1, Confidence: 1}, "confidence is 1; expected"},
		{DUTs{Limit: 1, Confidence: 0.9, Lot: -1}, "lot is -1; expected"},
		{Rate{Limit: 0, Confidence: 0.9}, "expected a rate above 0"},
		{Rate{Limit: 1, Confidence: 0.9, True: -1}, "expected a rate of 0 or more"},
		{Rate{Limit: 1, Confidence: 0}, "confidence is 0; expected"},
	} {
		if _, err := c.q.Answer(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v; want %s", c.q, err, c.want)
		}
	}
}

// Each shape has the quantile and the standard deviation that it is given.
func TestLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := Latency{
			Quantile: rapid.Float64Range(0.5, 0.99).Draw(t, "quantile"),
			True:     time.Duration(rapid.Int64Range(1e9, 5e9).Draw(t, "true")),
			SD:       time.Duration(rapid.Int64Range(1e6, 3e9).Draw(t, "sd")),
			From:     time.Duration(rapid.Int64Range(0, 9e8).Draw(t, "from")),
			Shape:    rapid.SampledFrom([]Shape{Uniform, Normal, LogNormal}).Draw(t, "shape"),
		}
		law, _, err := q.law()
		if err != nil {
			t.Fatal(err)
		}
		if got := law.CDF(float64(q.True)); math.Abs(got-q.Quantile) > 1e-9 {
			t.Fatalf("F(true) is %v; want %v", got, q.Quantile)
		}
		switch l := law.(type) {
		case distuv.LogNormal:
			if math.Abs(l.StdDev()/float64(q.SD)-1) > 1e-6 {
				t.Fatalf("sd is %v; want %v", l.StdDev(), q.SD)
			}
		case distuv.Normal:
			if l.StdDev() != float64(q.SD) {
				t.Fatalf("sd is %v; want %v", l.StdDev(), q.SD)
			}
		case distuv.Uniform:
			if l.Min != float64(q.From) {
				t.Fatalf("starts at %v; want %v", l.Min, q.From)
			}
		}
	})
	// From z = 2.5 on not every standard deviation has a lognormal.
	_, err := Latency{Quantile: 0.9999, Confidence: 0.95, Limit: 3e9, True: 2e9, SD: 2e9, Shape: LogNormal}.Answer()
	if err != nil && !strings.Contains(err.Error(), "no lognormal distribution") {
		t.Error(err)
	}
}

// The smallest run is the smallest one: no smaller passes often enough, and the
// verdict keeps its confidence.
func TestSmallest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rig.Share(rapid.Int64Range(1e8, 4e8).Draw(t, "limit"))
		truth := rig.Share(rapid.Int64Range(0, int64(limit)/2).Draw(t, "true"))
		conf := rapid.SampledFrom([]float64{0.8, 0.9, 0.95}).Draw(t, "confidence")
		a, err := Missed{Limit: limit, Confidence: conf, True: truth}.Answer()
		if err != nil {
			t.Fatal(err)
		}
		for _, need := range a.Needed {
			if n := bySearch(limit, truth, conf, need.Power); n != int(need.Size) {
				t.Fatalf("%v for power %v; by search %d", need.Size, need.Power, n)
			}
		}
		for _, p := range a.Curve {
			if math.Abs(p.Pass+p.Inconc+p.Fail-1) > 1e-12 || p.Fail > 1-conf+1e-12 {
				t.Fatalf("%+v", p)
			}
		}
	})
}

// bySearch tries all sizes.
func bySearch(limit, truth rig.Share, conf, power float64) int {
	for n := 1; ; n++ {
		pass := 0.0
		for x := range n + 1 {
			// x pass if so few are improbable at the limit.
			if (distuv.Binomial{N: float64(n), P: part(limit)}).CDF(float64(x)) > (1-conf)*(1+1e-12) {
				break
			}
			pass = distuv.Binomial{N: float64(n), P: part(truth)}.CDF(float64(x))
		}
		if pass >= power {
			return n
		}
	}
}

// A better DUT never needs more, a stricter limit never less, and at the limit
// itself a run passes no more often than the confidence allows.
func TestMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rig.Share(rapid.Int64Range(2e7, 3e8).Draw(t, "limit"))
		truth := rig.Share(rapid.Int64Range(0, int64(limit)*2/3).Draw(t, "true"))
		better := rig.Share(rapid.Int64Range(0, int64(truth)).Draw(t, "better"))
		conf := rapid.SampledFrom([]float64{0.8, 0.9, 0.95, 0.99}).Draw(t, "confidence")
		questions := map[string][3]asker{
			"missed": {Missed{limit, conf, truth}, Missed{limit, conf, better}, Missed{limit, conf, limit}},
			"rate":   {Rate{rig.Rate(limit), conf, rig.Rate(truth)}, Rate{rig.Rate(limit), conf, rig.Rate(better)}, Rate{rig.Rate(limit), conf, rig.Rate(limit)}},
			"duts":   {DUTs{limit, conf, truth, 0}, DUTs{limit, conf, better, 0}, DUTs{limit, conf, limit, 0}},
		}
		for name, q := range questions {
			a, b, c := ask3(t, q)
			for i := range a.Needed {
				if b.Needed[i].Size > a.Needed[i].Size {
					t.Fatalf("%s: a better DUT needs %v, a worse one %v", name, b.Needed[i].Size, a.Needed[i].Size)
				}
			}
			for _, p := range c.Curve {
				if p.Pass > 1-conf+1e-9 || p.Fail > 1-conf+1e-9 {
					t.Fatalf("%s: at the limit %+v with confidence %v", name, p, conf)
				}
			}
		}
		strict, err := Missed{limit / 2, conf, 0}.Answer()
		if err != nil {
			t.Fatal(err)
		}
		if loose, _, _ := ask3(t, questions["missed"]); strict.Least < loose.Least {
			t.Fatalf("half the limit needs %v, the limit %v", strict.Least, loose.Least)
		}
	})
}

func ask3(t *rapid.T, q [3]asker) (a, b, c Answer) {
	for i, to := range []*Answer{&a, &b, &c} {
		var err error
		if *to, err = q[i].Answer(); err != nil {
			t.Fatal(err)
		}
	}
	return a, b, c
}

func TestText(t *testing.T) {
	var b strings.Builder
	if err := ask(t, Missed{Limit: 50 * percentShare, Confidence: 0.75, True: 10 * percentShare}).WriteText(&b); err != nil {
		t.Fatal(err)
	}
	// By hand: 2 trials pass with 0.9^2, 5 with 0.9^5 + 5 0.1 0.9^4.
	const want = `To show with 75 % confidence that at most 50 % are missed, run 5 trials, of which at most 1 may be missed. If 10 % are truly missed, that passes in 91.9 % of cases. With 2 trials it is 81 %.

   trials   missed      pass   inconc    fail
        2        0    81.0 %   19.0 %   0.0 %
        5        1    91.9 %    8.1 %   0.0 %
`
	if !strings.HasPrefix(b.String(), want) || !strings.Contains(b.String(), "\n\nAssumed: Trials are alike") {
		t.Errorf("%s; want %s", b.String(), want)
	}
	for p, want := range map[float64]string{1: "100 %", 0: "0 %", 0.99999: "more than 99.9 %", 0.00001: "less than 0.1 %", 0.95: "95 %", 0.8764: "87.6 %"} {
		if got := percent(p); got != want {
			t.Errorf("%v is %s; want %s", p, got, want)
		}
	}
}
