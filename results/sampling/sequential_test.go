package sampling

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func wald(t *testing.T, p0, p1, alpha, beta float64) Sequential {
	t.Helper()
	s, err := Wald(p0, p1, alpha, beta)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// NIST e-Handbook 6.2.6 prints 0.939, 1.205, 0.0397 (from memory) for the first
// row; both computed in R 4.2.2.
func TestWald(t *testing.T) {
	for _, c := range []struct{ p0, p1, alpha, beta, accept, reject, slope float64 }{
		{.01, .10, .05, .10, 0.9388616025667, 1.2053786463005, 0.0397474322109},
		{.01, .05, .05, .10, 1.3638564777734, 1.7510179034188, 0.0249854222336},
	} {
		s := wald(t, c.p0, c.p1, c.alpha, c.beta)
		near(t, "h_a", s.HAccept, c.accept, 1e-12)
		near(t, "h_r", s.HReject, c.reject, 1e-12)
		near(t, "s", s.Slope, c.slope, 1e-11)
	}
	for _, c := range []struct {
		name                string
		p0, p1, alpha, beta float64
		want                string
	}{
		{"p0 = 0", 0, .1, .05, .1, "p0 is 0"},
		{"NaN p0", math.NaN(), .1, .05, .1, "p0 is NaN"},
		{"p1 = 1", .01, 1, .05, .1, "p1 is 1"},
		{"p0 = p1", .1, .1, .05, .1, "p0 is 0.1: want below"},
		{"alpha = 0", .01, .1, 0, .1, "alpha is 0"},
		{"alpha in percent", .01, .1, 5, .1, "alpha is 5"},
		{"NaN beta", .01, .1, .05, math.NaN(), "beta is NaN"},
		{"alpha + beta", .01, .1, .5, .5, "alpha + beta is 1"},
	} {
		_, err := Wald(c.p0, c.p1, c.alpha, c.beta)
		refused(t, c.name, err, c.want)
	}
}

// The first plan's boundaries, R 4.2.2: accept first at n = 24 with 0 bad, at
// 49 with 1; reject with 2 bad up to n = 19, with 3 from 20 to 45.
func TestAt(t *testing.T) {
	s := wald(t, .01, .10, .05, .10)
	for n := 1; n <= 60; n++ {
		accept, reject := -1, 4
		switch {
		case n >= 49:
			accept = 1
		case n >= 24:
			accept = 0
		}
		switch {
		case n <= 19:
			reject = 2
		case n <= 45:
			reject = 3
		}
		if b, err := s.At(n); err != nil || b != (Boundary{n, accept, reject}) {
			t.Errorf("n = %d: %+v, error %v, want %d, %d", n, b, err, accept, reject)
		}
	}
	_, err := s.At(0)
	refused(t, "n = 0", err, "n is 0")
	_, err = Sequential{}.At(1)
	refused(t, "no plan", err, "want one made by Wald")
}

// A boundary that falls on whole numbers is not shifted by rounding: with
// p0 = 0.1, p1 = 0.9, alpha = beta = 0.1 the lines are n/2 -+ 1/2 exactly.
func TestAtWholeNumbers(t *testing.T) {
	s := wald(t, .1, .9, .1, .1)
	for n := 1; n <= 9; n += 2 {
		if b, err := s.At(n); err != nil || b.Accept != (n-1)/2 || b.Reject != (n+1)/2 {
			t.Errorf("n = %d: %+v, error %v", n, b, err)
		}
	}
}

func TestTruncate(t *testing.T) {
	open := wald(t, .01, .10, .05, .10)
	s, err := open.Truncate(50)
	if err != nil {
		t.Fatal(err)
	}
	// 0.0397 times 50 is 1.99: accept with 1 bad, reject with 2
	if b, err := s.At(50); err != nil || b != (Boundary{50, 1, 2}) {
		t.Errorf("at the limit: %+v, error %v", b, err)
	}
	if b, err := s.At(49); err != nil || b != (Boundary{49, 1, 4}) {
		t.Errorf("before the limit: %+v, error %v", b, err)
	}
	_, err = s.At(51)
	refused(t, "beyond the limit", err, "n is 51")
	_, err = open.Truncate(0)
	refused(t, "limit", err, "limit is 0")
	_, err = Sequential{}.Truncate(10)
	refused(t, "no plan", err, "want one made by Wald")
}

func TestJudge(t *testing.T) {
	s := wald(t, .01, .10, .05, .10)
	for _, c := range []struct {
		n, bad int
		want   Outcome
	}{{1, 1, Continue}, {2, 2, Reject}, {23, 0, Continue}, {24, 0, Accept}, {24, 1, Continue}, {24, 3, Reject}} {
		if got, err := s.Judge(c.n, c.bad); err != nil || got != c.want {
			t.Errorf("%d bad of %d: %v, error %v, want %v", c.bad, c.n, got, err, c.want)
		}
	}
	for o, want := range map[Outcome]string{Continue: "continue", Accept: "accept", Reject: "reject", 7: "Outcome(7)"} {
		if o.String() != want {
			t.Errorf("%q, want %q", o.String(), want)
		}
	}
	_, err := s.Judge(5, 6)
	refused(t, "bad", err, "bad is 6")
	_, err = s.Judge(5, -1)
	refused(t, "bad", err, "bad is -1")
	_, err = s.Judge(0, 0)
	refused(t, "n = 0", err, "n is 0")
}

// Wald's approximation gives back alpha and beta; mean sample numbers of the
// first plan 27.957 and 16.447 (R 4.2.2).
func TestApproximate(t *testing.T) {
	s := wald(t, .01, .10, .05, .10)
	for _, c := range []struct{ quality, accept, asn, tolerance float64 }{
		{.01, 0.95, 27.957, 2e-5},
		{.10, 0.10, 16.447, 3e-5},
		// at p = s: h_r/(h_a + h_r), h_a h_r/(s(1-s))
		{s.Slope, 1.2053786463005 / (0.9388616025667 + 1.2053786463005),
			0.9388616025667 * 1.2053786463005 / (0.0397474322109 * (1 - 0.0397474322109)), 1e-10},
		{0, 1, 0.9388616025667 / 0.0397474322109, 1e-10},
		{1, 0, 1.2053786463005 / (1 - 0.0397474322109), 1e-10},
	} {
		p, err := s.Approximate(c.quality)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "accept", p.Accept, c.accept, 1e-10)
		near(t, "ASN", p.ASN, c.asn, c.tolerance)
		near(t, "sum", p.Accept+p.Reject, 1, 1e-15)
	}
	for _, q := range []float64{-0.1, 1.1, math.NaN()} {
		_, err := s.Approximate(q)
		refused(t, "quality", err, "quality is")
		_, err = s.Exact(q)
		refused(t, "quality", err, "quality is")
	}
	_, err := Sequential{}.Approximate(0.1)
	refused(t, "no plan", err, "want one made by Wald")
	_, err = Sequential{}.Exact(0.1)
	refused(t, "no plan", err, "want one made by Wald")
}

// The same recursion written in R 4.2.2.
func TestExact(t *testing.T) {
	first, second := wald(t, .01, .10, .05, .10), wald(t, .01, .05, .05, .10)
	truncated, err := first.Truncate(50)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		plan                         Sequential
		quality, accept, reject, asn float64
	}{
		{first, .01, 0.977952892125717, 0.022047107874276, 30.212726217740087},
		{first, .0397474322109, 0.61863058092750, 0.38136941907249, 39.04686343823310},
		{first, .05, 0.46885884719426, 0.53114115280573, 37.12307144242450},
		{first, .10, 0.099578804682733, 0.900421195317258, 22.369154854153592},
		{truncated, .01, 0.933827774633368, 0.066172225366632, 28.791385838388688},
		{truncated, .10, 0.095036888135599, 0.904963111864402, 21.111125730751631},
		{second, .01, 0.970985732651266, 0.029014267348727, 85.073240439232961},
		{second, .05, 0.10055293110847, 0.89944706889152, 71.04733302143144},
	} {
		p, err := c.plan.Exact(c.quality)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "accept", p.Accept, c.accept, 1e-11)
		near(t, "reject", p.Reject, c.reject, 1e-11)
		near(t, "ASN", p.ASN, c.asn, 1e-11)
		if p.Undecided > 1e-12 {
			t.Errorf("undecided %v", p.Undecided)
		}
	}
	// all good: accepted with the 24th; all bad: rejected with the 2nd
	if p, err := first.Exact(0); err != nil || p != (Performance{Accept: 1, ASN: 24}) {
		t.Errorf("at 0: %+v, error %v", p, err)
	}
	if p, err := first.Exact(1); err != nil || p != (Performance{Reject: 1, ASN: 2}) {
		t.Errorf("at 1: %+v, error %v", p, err)
	}
}

// A plan too fine to decide in the horizon says so.
func TestExactHorizon(t *testing.T) {
	p, err := wald(t, .01, .0106, .05, .05).Exact(.0103)
	if err != nil || p.Undecided < 0.5 || p.ASN < openHorizon/2 || p.ASN > openHorizon {
		t.Errorf("%+v, error %v", p, err)
	}
}

// anyWald draws a plan that decides before too long.
func anyWald(t *rapid.T) Sequential {
	p0 := rapid.Float64Range(0.005, 0.4).Draw(t, "p0")
	p1 := p0 + rapid.Float64Range(0.05, 0.5).Draw(t, "p1 - p0")
	s, err := Wald(p0, p1, rapid.Float64Range(0.01, 0.3).Draw(t, "alpha"), rapid.Float64Range(0.01, 0.3).Draw(t, "beta"))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Probabilities sum to 1; worse quality is accepted less; truncation shortens.
func TestExactProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyWald(t)
		limit := rapid.IntRange(1, 100).Draw(t, "limit")
		short, err := s.Truncate(limit)
		if err != nil {
			t.Fatal(err)
		}
		a, b := rapid.Float64Range(0, 1).Draw(t, "a"), rapid.Float64Range(0, 1).Draw(t, "b")
		for _, plan := range []Sequential{s, short} {
			better, err1 := plan.Exact(min(a, b))
			worse, err2 := plan.Exact(max(a, b))
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			for _, p := range []Performance{better, worse} {
				if math.Abs(p.Accept+p.Reject+p.Undecided-1) > 1e-12 || p.ASN < 1-1e-12 {
					t.Fatalf("%+v", p)
				}
			}
			if worse.Accept > better.Accept+1e-12 {
				t.Fatalf("accepts %v at %v, %v at %v", better.Accept, min(a, b), worse.Accept, max(a, b))
			}
		}
		open, err1 := s.Exact(a)
		cut, err2 := short.Exact(a)
		if err1 != nil || err2 != nil || cut.ASN > min(open.ASN, float64(limit))+1e-9 || cut.Undecided != 0 {
			t.Fatalf("open %+v, cut at %d %+v, errors %v, %v", open, limit, cut, err1, err2)
		}
	})
}

// Against every sequence of good and bad units there is, judged one by one.
func TestExactByEnumeration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(1, 10).Draw(t, "limit")
		s, err := anyWald(t).Truncate(limit)
		if err != nil {
			t.Fatal(err)
		}
		q := rapid.Float64Range(0, 1).Draw(t, "quality")
		var want Performance
		for sequence := range 1 << limit {
			bad, chance := 0, 1.0
			outcome, n := Continue, 0
			for ; n < limit; n++ {
				if sequence>>n&1 == 1 {
					bad++
				}
				if outcome, err = s.Judge(n+1, bad); err != nil {
					t.Fatal(err)
				}
				if outcome != Continue {
					break
				}
			}
			for i := range limit {
				if sequence>>i&1 == 1 {
					chance *= q
				} else {
					chance *= 1 - q
				}
			}
			want.ASN += chance * float64(n+1)
			if outcome == Accept {
				want.Accept += chance
			} else {
				want.Reject += chance
			}
		}
		got, err := s.Exact(q)
		if err != nil || math.Abs(got.Accept-want.Accept) > 1e-12 || math.Abs(got.Reject-want.Reject) > 1e-12 || math.Abs(got.ASN-want.ASN) > 1e-10 {
			t.Fatalf("%+v, error %v, enumeration gives %+v", got, err, want)
		}
	})
}
