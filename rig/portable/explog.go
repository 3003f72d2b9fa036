package portable

import "math"

// ln 2 in two parts. The first has 33 bits, so that its product with a binary
// exponent is exact.
const (
	ln2Hi = 0x1.62e42feep-1
	ln2Lo = math.Ln2 - ln2Hi
)

// One third in two parts.
const (
	thirdHi = 0x1.5555555555555p-2
	thirdLo = 1.0/3 - thirdHi
)

// Arguments of exp beyond these overflow, or vanish below half of the smallest
// denormal number.
const (
	expOverflow  = 7.09782712893383973096e+02
	expUnderflow = -7.45133219101941108420e+02
)

// Exp returns e^x within 0.9 units in the last place (1 for a denormal
// result). The special cases are those of math.Exp.
func Exp(x float64) float64 {
	if math.IsNaN(x) {
		return x
	}
	return exp(double{hi: x})
}

// exp returns e^(x.hi + x.lo): x = k ln 2 + r with |r| <= (ln 2)/2, then
// e^r = 1 + (r + r² P(r)) with P from the Taylor series. The bracket is below
// one half and in error by less than half a unit of the result, so that a power
// which is a representable number comes out exact.
func exp(x double) float64 {
	switch {
	case x.hi > expOverflow:
		return math.Inf(1)
	case x.hi < expUnderflow:
		return 0
	}
	k := math.Floor(float64(x.hi*math.Log2E) + 0.5)
	r := sum(x.hi-float64(k*ln2Hi), x.lo-float64(k*ln2Lo))
	// (e^r - 1 - r)/r²: 1/(n+2)! up to n = 12, the first term left out is below 2^-62.
	p := Poly(r.hi,
		1.0/87178291200, 1.0/6227020800, 1.0/479001600, 1.0/39916800, 1.0/3628800,
		1.0/362880, 1.0/40320, 1.0/5040, 1.0/720, 1.0/120, 1.0/24, 1.0/6, 1.0/2)
	small := float64(float64(r.hi*r.hi)*p) + (r.lo + float64(r.hi*r.lo))
	return math.Ldexp(1+(r.hi+small), int(k))
}

// Log returns the natural logarithm of x, almost always correctly rounded. The
// special cases are those of math.Log.
func Log(x float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	}
	return log(x).hi
}

// log returns the logarithm of a finite x > 0 to about 64 bits:
// x = 2^k f with f in [√½, √2), s = (f-1)/(f+1), z = s² <= 0.0295,
// ln f = 2 artanh s = 2s (1 + z (1/3 + z Q(z))). Only the terms that matter at
// that width are carried double.
func log(x float64) double {
	f, k := math.Frexp(x)
	if f < math.Sqrt2/2 {
		f += f
		k--
	}
	s := quotient(f-1, sum(f, 1))
	z := s.times(s)
	// Q: 1/(2n+5) up to n = 10, the first term left out is below 2^-60 of it.
	q := Poly(z.hi,
		1.0/25, 1.0/23, 1.0/21, 1.0/19, 1.0/17, 1.0/15, 1.0/13, 1.0/11, 1.0/9, 1.0/7, 1.0/5)
	c := sum(thirdHi, float64(z.hi*q))
	c.lo += thirdLo
	half := s.plus(s.times(z.times(c)))
	ln := double{2 * half.hi, 2 * half.lo}
	n := float64(k)
	return renormal(float64(n*ln2Hi), float64(n*ln2Lo)).plus(ln)
}

// Pow returns x^y within 0.9 units in the last place (1 for a denormal
// result), and exactly where the power is a representable number. The special
// cases are those of math.Pow.
func Pow(x, y float64) float64 {
	switch {
	case y == 0 || x == 1:
		return 1
	case math.IsNaN(x) || math.IsNaN(y):
		return math.NaN()
	case x < 0 && y != math.Trunc(y) && !math.IsInf(x, -1):
		return math.NaN()
	}
	sign := 1.0
	if math.Signbit(x) && isOdd(y) {
		sign = -1
	}
	return math.Copysign(powAbs(math.Abs(x), y), sign)
}

// powAbs returns x^y for x >= 0 and y not 0, neither of them NaN.
func powAbs(x, y float64) float64 {
	// Beyond this y every x but 1 overflows or vanishes.
	const hugeY = 0x1p65
	switch {
	case x == 1:
		return 1
	case x == 0 || math.IsInf(x, 0) || math.Abs(y) > hugeY:
		if (x > 1) == (y > 0) {
			return math.Inf(1)
		}
		return 0
	}
	l := log(x)
	p := product(y, l.hi)
	p.lo += float64(y * l.lo)
	return exp(renormal(p.hi, p.lo))
}

// isOdd tells whether y is an odd integer.
func isOdd(y float64) bool { return math.Abs(math.Mod(y, 2)) == 1 }
