package portable

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// grid calls f with n points spread evenly from lo to hi, ends included.
func grid(lo, hi float64, n int, f func(x float64)) {
	for i := range n + 1 {
		f(lo + (hi-lo)*float64(i)/float64(n))
	}
}

// worst collects the largest error of a function against its reference.
type worst struct{ ulps, at float64 }

func (w *worst) see(x, got float64, want *big.Float) {
	if e := ulps(got, want); e > w.ulps || math.IsNaN(got) {
		*w = worst{e, x}
	}
}

func (w *worst) check(t *testing.T, limit float64) {
	t.Helper()
	if !(w.ulps <= limit) {
		t.Errorf("error of %.4f ulp at %v, want at most %v", w.ulps, w.at, limit)
	}
	t.Logf("largest error %.4f ulp at %v", w.ulps, w.at)
}

func TestExpAccuracy(t *testing.T) {
	var w worst
	see := func(x float64) { w.see(x, Exp(x), bigExp(newBig(x))) }
	grid(-1, 1, 4001, see)
	grid(-745.1, 709.7, 4001, see)
	grid(-1e-8, 1e-8, 101, see)
	w.check(t, 0.9)
}

func TestLogAccuracy(t *testing.T) {
	var w worst
	see := func(x float64) { w.see(x, Log(x), bigLog(x)) }
	grid(0.5, 2, 4001, see)
	grid(1-1e-6, 1+1e-6, 501, see)
	grid(0.01, 1000, 1001, see)
	grid(-1074, 1023, 2097, func(k float64) { see(math.Ldexp(1.37, int(k))) })
	see(math.SmallestNonzeroFloat64)
	see(math.MaxFloat64)
	w.check(t, 0.502)
}

func TestPowAccuracy(t *testing.T) {
	var w worst
	see := func(x, y float64) {
		want := bigPow(x, y)
		if e := want.MantExp(nil); e > -1021 && e < 1024 {
			w.see(x, Pow(x, y), want)
		}
	}
	for _, y := range []float64{-300, -17.3, -2, -2.0 / 3, -0.5, 1e-9, 1.0 / 3, 0.5, 0.687, 1.256, 2, 3, 55.5, 1000} {
		grid(0.01, 8, 401, func(x float64) { see(x, y) })
		grid(-200, 200, 101, func(k float64) { see(math.Pow(10, k), y) })
	}
	for _, x := range []float64{0.85, 0.999999, 1.000001, 647.096} {
		grid(-110, 110, 401, func(y float64) { see(x, y) })
	}
	see(1+0x1p-52, 0x1p61)
	w.check(t, 0.9)
}

func TestSinPiAccuracy(t *testing.T) {
	var s, c worst
	see := func(x float64) {
		s.see(x, SinPi(x), bigSinPi(x))
		// cos πx = sin π(1/2 - x), where the difference is exact
		if half := 0.5 - x; 0.5-half == x && half != math.Trunc(half) {
			c.see(x, CosPi(x), bigSinPi(half))
		}
	}
	grid(-1.5, 1.5, 6001, see)
	grid(-1e-9, 1e-9, 101, see)
	grid(0.5-1e-9, 0.5+1e-9, 101, see)
	grid(1-1e-9, 1+1e-9, 101, see)
	s.check(t, 1)
	c.check(t, 1)
}

// The special cases are those of package math, which documents them. Between
// them package math itself is a coarse guide: near 1 its powers lose half of
// the digits, and of a denormal number its logarithm is wrong on amd64.
func TestSpecialCases(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	special := []float64{
		0, math.Copysign(0, -1), 1, -1, 2, -2, 3, -3, 0.5, -0.5, 1.5, -1.5, inf, -inf, nan,
		5e-324, -5e-324, 1e-310, math.MaxFloat64, -math.MaxFloat64, 0x1p53, -0x1p53, 0x1p53 - 1,
		1 - 0x1p-53, 1 + 0x1p-52, 709.7, 709.9, -700, -746, 1e300, -1e300, 1e-300,
	}
	check := func(name string, got, want float64, args ...float64) {
		t.Helper()
		near := math.Abs(got-want) <= 1e-7*math.Abs(want) || math.Abs(got-want) <= 5e-324
		if math.Float64bits(got) != math.Float64bits(want) &&
			!(math.IsNaN(got) && math.IsNaN(want)) && !(near && got != 0 && want != 0) {
			t.Errorf("%s(%v) = %v, want %v", name, args, got, want)
		}
	}
	for _, x := range special {
		check("Exp", Exp(x), math.Exp(x), x)
		if x <= 0 || x >= 0x1p-1022 {
			check("Log", Log(x), math.Log(x), x)
		}
		for _, y := range special {
			check("Pow", Pow(x, y), math.Pow(x, y), x, y)
		}
	}
}

func TestTrigSpecialCases(t *testing.T) {
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if s, c := SinPi(x), CosPi(x); !math.IsNaN(s) || !math.IsNaN(c) {
			t.Errorf("SinPi(%v), CosPi = %v, %v, want NaN, NaN", x, s, c)
		}
	}
	tests := []struct{ x, sin, cos float64 }{
		{0, 0, 1}, {0.5, 1, 0}, {1, 0, -1}, {1.5, -1, 0}, {2, 0, 1}, {-0.5, -1, 0},
		{-1, 0, -1}, {1e6 + 0.5, 1, 0}, {0x1p60, 0, 1}, {0x1p52 + 1, 0, -1},
		{1.0 / 6, 0.5, math.Sqrt(3) / 2}, {0.25, math.Sqrt2 / 2, math.Sqrt2 / 2},
	}
	for _, test := range tests {
		if s := SinPi(test.x); math.Abs(s-test.sin) > 0x1p-53 {
			t.Errorf("SinPi(%v) = %v, want %v", test.x, s, test.sin)
		}
		if c := CosPi(test.x); math.Abs(c-test.cos) > 0x1p-53 {
			t.Errorf("CosPi(%v) = %v, want %v", test.x, c, test.cos)
		}
	}
	if s := SinPi(math.Copysign(0, -1)); !math.Signbit(s) || s != 0 {
		t.Errorf("SinPi(-0) = %v, want -0", s)
	}
}

// A power that is a representable number comes out exact.
func TestPowExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := rapid.Int64Range(2, 1<<20).Draw(t, "base")
		n := rapid.IntRange(1, 52).Draw(t, "n")
		exact := new(big.Int).Exp(big.NewInt(base), big.NewInt(int64(n)), nil)
		if exact.BitLen() > 53 {
			t.Skip("not representable")
		}
		want := float64(exact.Int64())
		if got := Pow(float64(base), float64(n)); got != want {
			t.Fatalf("Pow(%d, %d) = %v, want %v", base, n, got, want)
		}
		if got := Pow(want, 1/float64(n)); n&(n-1) == 0 && got != float64(base) {
			t.Fatalf("Pow(%v, 1/%d) = %v, want %d", want, n, got, base)
		}
	})
}

func TestExpLogMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-700, 700).Draw(t, "x")
		next := math.Nextafter(x, 1000)
		if a, b := Exp(x), Exp(next); a > b {
			t.Fatalf("Exp falls from %v to %v after %v", a, b, x)
		}
		y := Exp(x)
		if a, b := Log(y), Log(math.Nextafter(y, math.Inf(1))); a > b {
			t.Fatalf("Log falls from %v to %v after %v", a, b, y)
		}
	})
}

func TestPoly(t *testing.T) {
	tests := []struct {
		x    float64
		c    []float64
		want float64
	}{
		{3, nil, 0},
		{3, []float64{7}, 7},
		{3, []float64{2, -1, 5}, 20},
		{math.Inf(1), []float64{1, 0}, math.Inf(1)},
		// The product 1 + 2^-29 + 2^-60 is rounded before the sum: fused, 2^-60 would stay.
		{1 + 0x1p-30, []float64{1 + 0x1p-30, -1 - 0x1p-29}, 0},
	}
	for _, test := range tests {
		if got := Poly(test.x, test.c...); got != test.want {
			t.Errorf("Poly(%v, %v) = %v, want %v", test.x, test.c, got, test.want)
		}
	}
}

func BenchmarkElementary(b *testing.B) {
	for name, f := range map[string]func(x float64) float64{
		"Exp": Exp, "Log": Log, "SinPi": SinPi,
		"Pow": func(x float64) float64 { return Pow(x, 1.256) },
	} {
		b.Run(name, func(b *testing.B) {
			var total float64
			for i := range b.N {
				total += f(float64(i&1023)*0.01 + 0.5)
			}
			if math.IsNaN(total) {
				b.Fatal("NaN")
			}
		})
	}
}
