package portable

import "math"

// π in two parts.
const (
	piHi = 0x1.921fb54442d18p+1
	piLo = math.Pi - piHi
)

// SinPi returns sin(πx) within 1 unit in the last place. Half turns as the
// unit of the argument make its reduction exact for every x. The sine of an
// infinity is NaN.
func SinPi(x float64) float64 {
	r, quarters := reduce(x)
	y := sinQuarters(r, quarters)
	if math.Signbit(x) {
		return -y
	}
	return y
}

// CosPi returns cos(πx), as SinPi does the sine.
func CosPi(x float64) float64 {
	r, quarters := reduce(x)
	return sinQuarters(r, quarters+1)
}

// reduce returns π|x| less whole quarter turns, within ±π/4, and how many
// quarter turns were taken off, 0 to 4. Only the product with π is rounded.
func reduce(x float64) (r double, quarters int) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return double{hi: math.NaN()}, 0
	}
	halfTurns := math.Mod(math.Abs(x), 2)
	q := math.Floor(float64(2*halfTurns) + 0.5)
	halfTurns -= float64(q / 2)
	r = product(halfTurns, piHi)
	return renormal(r.hi, r.lo+float64(halfTurns*piLo)), int(q)
}

// sinQuarters returns the sine of r plus so many quarter turns.
func sinQuarters(r double, quarters int) float64 {
	switch quarters % 4 {
	case 0:
		return sin(r)
	case 1:
		return cos(r)
	case 2:
		return 0 - sin(r) // a whole half turn gives +0
	default:
		return 0 - cos(r)
	}
}

// sin returns the sine of |r| <= π/4 by its Taylor series to r^17.
func sin(r double) float64 {
	z := float64(r.hi * r.hi)
	p := Poly(z,
		1.0/355687428096000, -1.0/1307674368000, 1.0/6227020800, -1.0/39916800,
		1.0/362880, -1.0/5040, 1.0/120, -1.0/6)
	// sin(hi + lo) = sin hi + lo cos hi
	tail := r.lo - float64(r.lo*float64(z/2))
	return r.hi + (float64(float64(z*r.hi)*p) + tail)
}

// cos returns the cosine of |r| <= π/4 by its Taylor series to r^16.
func cos(r double) float64 {
	z := float64(r.hi * r.hi)
	p := Poly(z,
		1.0/20922789888000, -1.0/87178291200, 1.0/479001600, -1.0/3628800,
		1.0/40320, -1.0/720, 1.0/24)
	// 1 - z/2 with its rounding error kept, and cos(hi + lo) = cos hi - lo sin hi
	head := 1 - float64(z/2)
	lost := (1 - head) - float64(z/2)
	return head + (lost + (float64(float64(z*z)*p) - float64(r.hi*r.lo)))
}
