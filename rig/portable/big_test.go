package portable

import (
	"math"
	"math/big"
)

// The references are computed to 320 bits from series alone.
const refBits = 320

func newBig(x float64) *big.Float { return new(big.Float).SetPrec(refBits).SetFloat64(x) }

func bigZero() *big.Float { return new(big.Float).SetPrec(refBits) }

// bigExp returns e^x: the Taylor series of x/2^k, squared k times.
func bigExp(x *big.Float) *big.Float {
	k := max(0, x.MantExp(nil)+16)
	r := bigZero().SetMantExp(x, -k)
	total, term := newBig(1), newBig(1)
	for n := 1.0; n < 40; n++ {
		term.Mul(term, r)
		term.Quo(term, newBig(n))
		total.Add(total, term)
	}
	for range k {
		total.Mul(total, total)
	}
	return total
}

// bigLog returns ln x by one step of Halley's iteration from math.Log, whose
// error it brings to the third power. (Of a denormal number math.Log is wrong
// by far on some processors, so it sees the mantissa alone.)
func bigLog(x float64) *big.Float {
	f, k := math.Frexp(x)
	start := math.Log(x)
	if x < 0x1p-1022 {
		start = math.Log(f) + float64(k)*math.Ln2
	}
	y := newBig(start)
	e := bigExp(y)
	step := bigZero().Sub(newBig(x), e)
	step.Quo(step, e.Add(e, newBig(x)))
	return y.Add(y, step.Mul(step, newBig(2)))
}

func bigPow(x, y float64) *big.Float {
	l := bigLog(x)
	return bigExp(l.Mul(l, newBig(y)))
}

// bigSinPi returns sin(πx) for |x| <= 2 from its Taylor series.
func bigSinPi(x float64) *big.Float {
	pi, _, err := big.ParseFloat(
		"3.14159265358979323846264338327950288419716939937510582097494459230781640628620899862803482534211706798", 10, refBits, big.ToNearestEven)
	if err != nil {
		panic(err)
	}
	a := pi.Mul(pi, newBig(x))
	square := bigZero().Mul(a, a)
	total, term := bigZero().Set(a), bigZero().Set(a)
	for n := 2.0; n < 100; n += 2 {
		term.Mul(term, square)
		term.Quo(term, newBig(-n*(n+1)))
		total.Add(total, term)
	}
	return total
}

// ulps returns how far got is from want, in units in the last place of want.
func ulps(got float64, want *big.Float) float64 {
	d := bigZero().Sub(newBig(got), want)
	exp := max(want.MantExp(nil)-53, -1074)
	e, _ := d.SetMantExp(d, -exp).Float64()
	return math.Abs(e)
}
