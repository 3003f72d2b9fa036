package stats

import (
	"math"
	"slices"
	"testing"
)

// Freireich et al., Blood 21 (1963) 699: weeks in remission (data from
// memory; the sums agree with the published 9 and 21 events).
var (
	sixMP   = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
	placebo = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"
)

type kmRow struct {
	t             float64
	atRisk, d     int
	s, se, lo, hi float64
}

func TestKaplanMeier(t *testing.T) {
	for _, c := range []struct {
		name, data string
		tol, tolCI float64
		rows       []kmRow
	}{ // R survival 3.5-3, survfit(conf.type = "log-log"), 95 %
		{"6-MP", sixMP, 5e-11, 1e-11, []kmRow{
			{6, 21, 3, 0.85714285714, 0.076360354832, 0.619717955266, 0.951551747648},
			{7, 17, 1, 0.80672268908, 0.086935285180, 0.563146564622, 0.922809019200},
			{10, 15, 1, 0.75294117647, 0.096349652994, 0.503199510800, 0.889361835170},
			{13, 12, 1, 0.69019607843, 0.106814707775, 0.431610222486, 0.849065963350},
			{16, 11, 1, 0.62745098039, 0.114053865257, 0.367510855988, 0.804912189470},
			{22, 7, 1, 0.53781512605, 0.128233751693, 0.267778936767, 0.746790717640},
			{23, 6, 1, 0.44817927171, 0.134591456756, 0.188052005959, 0.680142628500},
		}},
		{"placebo", placebo, 5e-11, 1e-9, []kmRow{
			{1, 21, 2, 0.90476190476, 0.06405644849, 0.670045882, 0.975294149},
			{2, 19, 2, 0.80952380952, 0.08568908675, 0.568905060, 0.923888829},
			{3, 17, 1, 0.76190476190, 0.09294286409, 0.519391415, 0.893257110},
			{4, 16, 2, 0.66666666667, 0.10286889997, 0.425350436, 0.825044009},
			{5, 14, 2, 0.57142857143, 0.10798984943, 0.337976954, 0.749240710},
			{8, 12, 4, 0.38095238095, 0.10597116957, 0.183066549, 0.577788678},
			{11, 8, 2, 0.28571428571, 0.09858079419, 0.116561326, 0.481819648},
			{12, 6, 2, 0.19047619048, 0.08568908675, 0.059481701, 0.377434891},
			{15, 4, 1, 0.14285714286, 0.07636035483, 0.035657355, 0.321161575},
			{17, 3, 1, 0.09523809524, 0.06405644849, 0.016259260, 0.261249982},
			{22, 2, 1, 0.04761904762, 0.04647143205, 0.003324463, 0.197044906},
			{23, 1, 1, 0, 0, 0, 0},
		}},
	} {
		curve, err := KaplanMeier(durations(c.data))
		noError(t, err)
		if len(curve.Steps) != len(c.rows) {
			t.Fatalf("%s: %d steps; want %d", c.name, len(curve.Steps), len(c.rows))
		}
		for i, want := range c.rows {
			got := curve.Steps[i]
			if got.T != want.t || got.AtRisk != want.atRisk || got.Events != want.d {
				t.Errorf("%s step %d: %+v; want %+v", c.name, i, got, want)
			}
			nearAbs(t, "S", got.S, want.s, c.tol)
			nearAbs(t, "SE", got.SE, want.se, c.tol)
			ci, ok, err := got.Limits(0.95)
			noError(t, err)
			if ok != (want.s > 0) {
				t.Errorf("%s step %d: limits known: %v", c.name, i, ok)
			}
			nearAbs(t, "lower", ci.Lower, want.lo, c.tolCI)
			nearAbs(t, "upper", ci.Upper, want.hi, c.tolCI)
			near(t, "At", curve.At(want.t), got.S, 0)
			near(t, "At just before", curve.At(math.Nextafter(want.t, 0)), func() float64 {
				if i == 0 {
					return 1
				}
				return curve.Steps[i-1].S
			}(), 0)
		}
	}
}

func TestKaplanMeierQuantiles(t *testing.T) {
	type bound struct {
		t  float64
		ok bool
	}
	for _, c := range []struct {
		name, data           string
		p                    float64
		point, lower, higher bound
	}{ // R survfit(conf.type = "log-log"), quantile()
		{"6-MP", sixMP, 0.5, bound{23, true}, bound{13, true}, bound{}},
		{"placebo", placebo, 0.5, bound{8, true}, bound{4, true}, bound{11, true}},
		{"6-MP", sixMP, 0.1, bound{6, true}, bound{6, true}, bound{10, true}},
		{"6-MP", sixMP, 0.25, bound{13, true}, bound{6, true}, bound{22, true}},
		{"6-MP", sixMP, 0.75, bound{}, bound{23, true}, bound{}},
		{"6-MP", sixMP, 0.9, bound{}, bound{}, bound{}},
		{"placebo", placebo, 0.1, bound{2, true}, bound{1, true}, bound{3, true}},
		{"placebo", placebo, 0.25, bound{4, true}, bound{1, true}, bound{5, true}},
		{"placebo", placebo, 0.75, bound{12, true}, bound{8, true}, bound{22, true}},
		{"placebo", placebo, 0.9, bound{17, true}, bound{12, true}, bound{}},
	} {
		curve, err := KaplanMeier(durations(c.data))
		noError(t, err)
		var got bound
		got.t, got.ok = curve.Quantile(c.p)
		if got != c.point {
			t.Errorf("%s: %v; want %v", c.name, got, c.point)
		}
		lower, upper, hasLower, hasUpper, err := curve.QuantileBounds(c.p, 0.95)
		noError(t, err)
		if got := (bound{lower, hasLower}); got != c.lower {
			t.Errorf("%s lower: %v; want %v", c.name, got, c.lower)
		}
		if got := (bound{upper, hasUpper}); got != c.higher {
			t.Errorf("%s upper: %v; want %v", c.name, got, c.higher)
		}
		// One-sided at 97.5 % is the same bound.
		var one bound
		one.t, one.ok, err = curve.QuantileLower(c.p, 0.975)
		noError(t, err)
		if one != c.lower {
			t.Errorf("%s one-sided lower: %v; want %v", c.name, one, c.lower)
		}
		one.t, one.ok, err = curve.QuantileUpper(c.p, 0.975)
		noError(t, err)
		if one != c.higher {
			t.Errorf("%s one-sided upper: %v; want %v", c.name, one, c.higher)
		}
	}
}

func TestKaplanMeierEdges(t *testing.T) {
	all, err := KaplanMeier(durations("3+ 5+ 5+"))
	noError(t, err)
	if len(all.Steps) != 0 || all.Events != 0 || all.N != 3 || all.Last != 5 || all.At(9) != 1 {
		t.Errorf("all censored: %+v", all)
	}
	if _, ok := all.Quantile(0.5); ok {
		t.Error("all censored: there is a median")
	}
	if _, _, hasLower, hasUpper, err := all.QuantileBounds(0.5, 0.95); err != nil || hasLower || hasUpper {
		t.Error("all censored: there are bounds", err)
	}
	// One event: the curve drops to 0, where there is no band.
	one, err := KaplanMeier(durations("4"))
	noError(t, err)
	if m, ok := one.Quantile(0.5); !ok || m != 4 {
		t.Errorf("one event: median %v, %v", m, ok)
	}
	if _, _, hasLower, hasUpper, err := one.QuantileBounds(0.5, 0.95); err != nil || hasLower || hasUpper {
		t.Error("one event: there are bounds", err)
	}
	// S comes to exactly 1-p by way of rounding: 10 events, median at the 5th.
	ten, err := KaplanMeier(durations("1 2 3 4 5 6 7 8 9 10"))
	noError(t, err)
	for i := 1; i <= 9; i++ {
		if q, ok := ten.Quantile(float64(i) / 10); !ok || q != float64(i) {
			t.Errorf("quantile %d/10: %v, %v; want %d", i, q, ok, i)
		}
	}
	for _, p := range []float64{0, 1, math.NaN()} {
		if _, ok := ten.Quantile(p); ok {
			t.Errorf("quantile %v exists", p)
		}
		_, _, _, _, err := ten.QuantileBounds(p, 0.95)
		refused(t, "p", err, "p is")
		_, _, err = ten.QuantileUpper(0.5, p)
		refused(t, "conf", err, "conf is")
		_, _, err = ten.QuantileLower(p, 0.5)
		refused(t, "p", err, "p is")
		_, _, err = ten.Steps[0].Limits(p)
		refused(t, "conf", err, "conf is")
	}
	_, err = KaplanMeier(nil)
	refused(t, "nothing", err, "durations in d is 0")
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		_, err = KaplanMeier([]Duration{{T: 1}, {T: bad}})
		refused(t, "time", err, "d[1].T is")
	}
}

func TestCensoredQuantileUpper(t *testing.T) {
	// Times 1..n, the last few timed out.
	timedOut := func(n, censored int) []Duration {
		d := make([]Duration, n)
		for i := range d {
			d[i] = Duration{T: float64(i + 1)}
			if i >= n-censored {
				d[i] = Duration{T: float64(n - censored + 1), Censored: true}
			}
		}
		slices.Reverse(d)
		return d
	}
	mixed := durations(sixMP)
	for _, c := range []struct {
		name    string
		d       []Duration
		p, conf float64
		want    QuantileBound
	}{
		{"58, too few", timedOut(58, 0), 0.95, 0.95, QuantileBound{Exact: true}}, // Wilks: 59, 93, 124
		{"59", timedOut(59, 0), 0.95, 0.95, QuantileBound{59, true, true}},
		{"59, one timed out", timedOut(59, 1), 0.95, 0.95, QuantileBound{Exact: true}},
		{"93, one timed out", timedOut(93, 1), 0.95, 0.95, QuantileBound{92, true, true}},
		{"124, two timed out", timedOut(124, 2), 0.95, 0.95, QuantileBound{122, true, true}},
		{"124, all timed out", timedOut(124, 124), 0.95, 0.95, QuantileBound{Exact: true}},
		{"timed out at the last event", durations("1 2 3 4 5 6 7 8 8+ 8+"), 0.3, 0.95, QuantileBound{6, true, true}}, // P(X >= 6; 10, 0.3) = 0.047
		// One-sided at 97.5 % is R's two-sided survfit bound at 95 %.
		{"cut short, 25 %", mixed, 0.25, 0.975, QuantileBound{22, true, false}},
		{"cut short, 50 %", mixed, 0.5, 0.975, QuantileBound{}},
		{"cut short, too few", mixed, 0.95, 0.95, QuantileBound{Exact: true}},
	} {
		got, err := CensoredQuantileUpper(c.d, c.p, c.conf)
		noError(t, err)
		if got != c.want {
			t.Errorf("%s: %+v; want %+v", c.name, got, c.want)
		}
	}
	_, err := CensoredQuantileUpper(nil, 0.5, 0.95)
	refused(t, "nothing", err, "durations in d is 0")
	_, err = CensoredQuantileUpper(mixed, 0, 0.95)
	refused(t, "p", err, "p is 0")
	_, err = CensoredQuantileUpper(mixed, 0.5, 1)
	refused(t, "conf", err, "conf is 1")
}
