package sampling

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// R 4.2.2 pbinom, ppois, qbeta; see the head of the file.
func TestOC(t *testing.T) {
	for _, r := range numbers(t, "sampling_oc.csv") {
		p := single(int(r[0]), int(r[1]))
		for i, quality := range []float64{0.005, 0.01, 0.02, 0.05, 0.10} {
			pa, err := p.OC(Binomial, quality)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "binomial", pa, r[2+i], 5e-9) // printed to 9 or 12 digits
		}
		pa, err := p.OC(Poisson, 0.005)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Poisson", pa, r[7], 1e-10)
		for i, at := range []float64{0.95, 0.50, 0.10} {
			quality, err := p.QualityAt(Binomial, at)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "quality", quality, r[8+i], 1e-8) // printed to 9 digits
			pa, err := p.OC(Binomial, quality)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "OC of it", pa, at, 1e-12)
		}
	}
}

// MIL-STD-105E reduced inspection accepts between Ac and Re; R 4.2.2
// pbinom(2, 32, .01).
func TestOCBetweenAcAndRe(t *testing.T) {
	pa, err := Plan{32, 1, 3}.OC(Binomial, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "32, 1/3", pa, 0.99600655276732, 1e-11)
	if p := (Plan{32, 1, 3}); !p.Accepts(2) || p.Accepts(3) {
		t.Error("32, 1/3 accepts 2 and rejects 3")
	}
}

// Poisson: the quantile of a gamma distribution; -ln(pa)/n for Ac 0.
func TestQualityAtPoisson(t *testing.T) {
	for _, pa := range []float64{0.95, 0.5, 0.1} {
		q, err := single(13, 0).QualityAt(Poisson, pa)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Ac 0", q, -math.Log(pa)/13, 1e-12)
		q, err = single(80, 2).QualityAt(Poisson, pa)
		if err != nil {
			t.Fatal(err)
		}
		back, err := single(80, 2).OC(Poisson, q)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "OC of it", back, pa, 1e-12)
	}
}

func TestOCLot(t *testing.T) {
	for _, c := range []struct {
		lot, bad, n, ac int
		want            float64 // R 4.2.2 phyper
	}{
		{2000, 20, 125, 3, 0.967750400207},
		{1000, 10, 80, 1, 0.812641838362},
		{500, 10, 50, 1, 0.736502509138},
		{300, 6, 50, 0, 0.331520430621},
		{5, 2, 2, 0, 0.3},
		{400000, 8000, 1250, 3, 3.2517712936389e-08},
		{500000, 10000, 1250, 21, 0.24448992032268},
		{10, 0, 4, 0, 1},
		{10, 10, 4, 3, 0},
		{10, 10, 4, 4, 1},
		{10, 3, 10, 2, 0}, // the sample is the lot
		{10, 3, 10, 3, 1},
	} {
		got, err := single(c.n, c.ac).OCLot(c.lot, c.bad)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "P(accept)", got, c.want, 1e-11)
	}
}

func TestPlanRefuses(t *testing.T) {
	good := single(13, 0)
	for _, c := range []struct {
		name    string
		plan    Plan
		model   Model
		quality float64
		want    string
	}{
		{"n = 0", single(0, 0), Binomial, 0.1, "n is 0"},
		{"negative ac", single(5, -1), Binomial, 0.1, "ac is -1"},
		{"re at ac", Plan{5, 1, 1}, Binomial, 0.1, "re is 1"},
		{"negative quality", good, Binomial, -0.1, "quality is -0.1"},
		{"quality above 1", good, Binomial, 1.1, "quality is 1.1"},
		{"NaN quality", good, Binomial, math.NaN(), "quality is NaN"},
		{"negative rate", good, Poisson, -0.1, "quality is -0.1"},
		{"infinite rate", good, Poisson, math.Inf(1), "quality is +Inf"},
		{"NaN rate", good, Poisson, math.NaN(), "quality is NaN"},
		{"model", good, Model(3), 0.1, "model is 3"},
	} {
		_, err := c.plan.OC(c.model, c.quality)
		refused(t, "OC, "+c.name, err, c.want)
		_, err = c.plan.AOQ(c.model, c.quality, 0)
		refused(t, "AOQ, "+c.name, err, c.want)
		_, err = c.plan.ATI(c.model, c.quality, 100)
		refused(t, "ATI, "+c.name, err, c.want)
		if c.model == Binomial {
			_, err = c.plan.ASN(c.quality)
			refused(t, "ASN, "+c.name, err, c.want)
		}
	}
	for _, pa := range []float64{0, 1, -1, 95, math.NaN()} {
		_, err := good.QualityAt(Binomial, pa)
		refused(t, "pa", err, "pa is")
	}
	_, err := single(0, 0).QualityAt(Binomial, 0.5)
	refused(t, "QualityAt, n = 0", err, "n is 0")
	_, err = good.QualityAt(Model(3), 0.5)
	refused(t, "QualityAt, model", err, "model is 3")
	_, err = single(2, 2).QualityAt(Binomial, 0.5)
	refused(t, "QualityAt, accepts all", err, "every sample is accepted")
	_, _, err = single(2, 2).AOQL(Binomial, 0)
	refused(t, "AOQL, accepts all", err, "accepts every sample")
	_, _, err = single(0, 0).AOQL(Binomial, 0)
	refused(t, "AOQL, n = 0", err, "n is 0")

	// lot smaller than the sample
	_, err = good.OCLot(12, 1)
	refused(t, "OCLot", err, "lot is 12")
	_, err = good.AOQ(Binomial, 0.1, 12)
	refused(t, "AOQ", err, "lot is 12")
	_, _, err = good.AOQL(Binomial, 12)
	refused(t, "AOQL", err, "lot is 12")
	_, err = good.ATI(Binomial, 0.1, 12)
	refused(t, "ATI", err, "lot is 12")
	_, err = good.OCLot(20, 21)
	refused(t, "OCLot", err, "bad is 21")
	_, err = good.OCLot(20, -1)
	refused(t, "OCLot", err, "bad is -1")
	_, err = single(0, 0).OCLot(20, 1)
	refused(t, "OCLot, n = 0", err, "n is 0")
}

// The OC falls as quality worsens, from 1 for a perfect process, and a lot's
// OC as bad units are added.
func TestOCIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 400).Draw(t, "n")
		p := single(n, rapid.IntRange(0, n-1).Draw(t, "ac"))
		a, b := rapid.Float64Range(0, 1).Draw(t, "a"), rapid.Float64Range(0, 1).Draw(t, "b")
		for _, m := range []Model{Binomial, Poisson} {
			better, err1 := p.OC(m, min(a, b))
			worse, err2 := p.OC(m, max(a, b))
			perfect, err3 := p.OC(m, 0)
			if err1 != nil || err2 != nil || err3 != nil {
				t.Fatal(err1, err2, err3)
			}
			if worse > better+1e-12 || better > 1 || worse < 0 || perfect != 1 {
				t.Fatalf("OC %v at %v, %v at %v, %v at 0", better, min(a, b), worse, max(a, b), perfect)
			}
		}
		lot := n + rapid.IntRange(0, 1000).Draw(t, "more")
		bad := rapid.IntRange(0, lot-1).Draw(t, "bad")
		before, err1 := p.OCLot(lot, bad)
		after, err2 := p.OCLot(lot, bad+1)
		if err1 != nil || err2 != nil || after > before+1e-12 || before > 1+1e-12 || after < 0 {
			t.Fatalf("lot %d: OC %v with %d bad, %v with one more; errors %v, %v", lot, before, bad, after, err1, err2)
		}
	})
}

// Sampling is symmetric: bad units in the sample, or sampled units among the
// bad.
func TestHypergeometricSymmetry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lot := rapid.IntRange(2, 100_000).Draw(t, "lot")
		n, bad := rapid.IntRange(1, min(lot, 500)).Draw(t, "n"), rapid.IntRange(1, min(lot, 500)).Draw(t, "bad")
		c := rapid.IntRange(0, min(n, bad)).Draw(t, "c")
		a, b := hypergeometric(c, n, bad, lot), hypergeometric(c, bad, n, lot)
		if math.Abs(a-b) > 1e-12 {
			t.Fatalf("%v and %v", a, b)
		}
	})
}

func TestAOQL(t *testing.T) {
	for _, c := range []struct {
		name            string
		plan            Plan
		model           Model
		limit, incoming float64
		tolerance       float64
	}{
		// closed form for Ac 0: p (1-p)^n has its maximum at 1/(n+1)
		{"13/0", single(13, 0), Binomial, math.Pow(13.0/14, 13) / 14, 1.0 / 14, 1e-12},
		// R 4.2.2 optimize, good to about 1e-7 in the incoming quality
		{"80/1", single(80, 1), Binomial, 0.010459470158516, 0.020002247290524, 1e-7},
		{"125/3", single(125, 3), Binomial, 0.015543257486301, 0.023433252677152, 1e-7},
		{"200/7", single(200, 7), Binomial, 0.022428437367768, 0.028977353192653, 1e-7},
		// Poisson: Dodge & Romig's y = n AOQL, 0.3679 0.8400 1.3711 1.9424
		// 2.5435 3.1682 as printed (from memory), to more digits by R 4.2.2
		{"Ac 0", single(1, 0), Poisson, math.Exp(-1), 1, 1e-12},
		{"Ac 1", single(1, 1), Poisson, 0.83996209465718, (1 + math.Sqrt(5)) / 2, 1e-12},
		{"Ac 2", single(1, 2), Poisson, 1.3711016049003, 2.2695308396488, 1e-7},
		{"Ac 3", single(1, 3), Poisson, 1.9423809380502, 2.9451861483287, 1e-7},
		{"Ac 5", single(1, 5), Poisson, 3.1681848156895, 4.3490476399124, 1e-7},
	} {
		limit, incoming, err := c.plan.AOQL(c.model, 0)
		if err != nil {
			t.Fatal(c.name, err)
		}
		near(t, c.name+" AOQL", limit, c.limit, c.tolerance)
		near(t, c.name+" at", incoming, c.incoming, c.tolerance)
	}
	// MIL-STD-105E table V-A, percent (from memory): 36.79/n, cut to two digits
	for n, want := range map[int]float64{2: 18, 5: 7.4, 8: 4.6, 13: 2.8} {
		limit, _, err := single(n, 0).AOQL(Poisson, 0)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(100*limit-want) > 0.005*math.Pow(10, math.Ceil(math.Log10(want))) {
			t.Errorf("n = %d, Ac 0: AOQL %.4f %%, printed %v", n, 100*limit, want)
		}
	}
}

// By hand: 13/0 at 5 %, Pa 0.513342083280 (R 4.2.2), lot of 130.
func TestRectifyingInspection(t *testing.T) {
	p := single(13, 0)
	aoq, err := p.AOQ(Binomial, 0.05, 130)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "AOQ", aoq, 0.05*0.513342083280*0.9, 1e-10)
	ati, err := p.ATI(Binomial, 0.05, 130)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "ATI", ati, 13+(1-0.513342083280)*117, 1e-10)
	limit, _, err := p.AOQL(Binomial, 130)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "AOQL", limit, 0.9*math.Pow(13.0/14, 13)/14, 1e-12)
}

// R 4.2.2: sum(pbinom(1, 0:79, p)); Ac 0 in closed form, (1-(1-p)^n)/p.
func TestASN(t *testing.T) {
	for q, want := range map[float64]float64{0.01: 74.33186522592, 0.05: 37.948616655335, 0.1: 19.976210554387} {
		got, err := single(80, 1).ASN(q)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "80/1", got, want, 1e-11)
	}
	got, err := single(13, 0).ASN(0.05)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "13/0", got, (1-math.Pow(0.95, 13))/0.05, 1e-12)
	for q, want := range map[float64]float64{0: 80, 1: 2} {
		if got, err := single(80, 1).ASN(q); err != nil || got != want {
			t.Errorf("80/1 at %v: %v, error %v, want %v", q, got, err, want)
		}
	}
}

// Trials with no miss allowed, smallest n with (1-q)^n <= beta; R 4.2.2.
func TestZeroAcceptance(t *testing.T) {
	for _, c := range []struct {
		quality, beta float64
		n             int
	}{
		{0.10, 0.10, 22}, {0.10, 0.05, 29}, {0.10, 0.01, 44},
		{0.05, 0.10, 45}, {0.05, 0.05, 59}, {0.05, 0.01, 90},
		{0.01, 0.10, 230}, {0.01, 0.05, 299}, {0.01, 0.01, 459},
		{0.5, 0.25, 2}, {0.5, 0.5, 1}, {0.9, 0.5, 1}, {0.9, 0.01, 2}, // to the last bit
	} {
		p, err := ZeroAcceptance(c.quality, c.beta)
		if err != nil || p != single(c.n, 0) {
			t.Errorf("quality %v, beta %v: %+v, error %v, want n = %d", c.quality, c.beta, p, err, c.n)
		}
	}
	for _, bad := range []float64{0, 1, -1, 5, math.NaN()} {
		_, err := ZeroAcceptance(bad, 0.1)
		refused(t, "quality", err, "quality is")
		_, err = ZeroAcceptance(0.1, bad)
		refused(t, "beta", err, "beta is")
		_, err = ZeroAcceptanceLot(10, 1, bad)
		refused(t, "beta", err, "beta is")
	}
	_, err := ZeroAcceptance(1e-12, 0.1)
	refused(t, "hopeless quality", err, "quality is 1e-12")
	_, err = ZeroAcceptanceLot(0, 1, 0.1)
	refused(t, "lot", err, "lot is 0")
	_, err = ZeroAcceptanceLot(10, 0, 0.1)
	refused(t, "bad", err, "bad is 0")
	_, err = ZeroAcceptanceLot(10, 11, 0.1)
	refused(t, "bad", err, "bad is 11")
}

// The sample found is enough and one unit less is not, by the OC.
func TestZeroAcceptanceIsSmallest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		beta := rapid.Float64Range(0.001, 0.99).Draw(t, "beta")
		quality := rapid.Float64Range(0.001, 0.99).Draw(t, "quality")
		p, err := ZeroAcceptance(quality, beta)
		if err != nil {
			t.Fatal(err)
		}
		if pa, err := p.OC(Binomial, quality); err != nil || pa > beta*(1+1e-11) {
			t.Fatalf("n = %d accepts with %v, error %v, beta %v", p.N, pa, err, beta)
		}
		if pa := math.Pow(1-quality, float64(p.N-1)); p.N > 1 && pa <= beta*(1-1e-11) {
			t.Fatalf("n = %d is one too many: %v, beta %v", p.N, pa, beta)
		}
		lot := rapid.IntRange(1, 2000).Draw(t, "lot")
		bad := rapid.IntRange(1, lot).Draw(t, "bad")
		p, err = ZeroAcceptanceLot(lot, bad, beta)
		if err != nil {
			t.Fatal(err)
		}
		if pa, err := p.OCLot(lot, bad); err != nil || pa > beta*(1+1e-11) {
			t.Fatalf("lot %d, %d bad: n = %d accepts with %v, error %v, beta %v", lot, bad, p.N, pa, err, beta)
		}
		if p.N > 1 {
			if pa, err := single(p.N-1, 0).OCLot(lot, bad); err != nil || pa <= beta*(1-1e-11) {
				t.Fatalf("lot %d, %d bad: n = %d is one too many: %v, error %v, beta %v", lot, bad, p.N, pa, err, beta)
			}
		}
	})
}
