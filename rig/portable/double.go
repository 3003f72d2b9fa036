package portable

// double is an unevaluated sum hi + lo with |lo| at most half a unit in the
// last place of hi: about 106 bits, enough to carry a logarithm through a
// power without loss. The error-free sum and product are Knuth's and Dekker's
// (T. J. Dekker, Numer. Math. 18 (1971) 224).
type double struct{ hi, lo float64 }

// sum returns a + b without error.
func sum(a, b float64) double {
	s := a + b
	bb := s - a
	return double{s, (a - (s - bb)) + (b - bb)}
}

// renormal returns a + b without error, given |a| >= |b| or a = 0.
func renormal(a, b float64) double {
	s := a + b
	return double{s, b - (s - a)}
}

// halves splits a into two parts of 26 bits, so that products of parts are
// exact. It overflows beyond 2^996.
func halves(a float64) (hi, lo float64) {
	t := float64(0x1p27*a) + a
	hi = t - (t - a)
	return hi, a - hi
}

// product returns a * b without error, short of underflow. (A fused
// multiply-add would do it in two instructions, and in slow software on a
// processor without it.)
func product(a, b float64) double {
	p := float64(a * b)
	ah, al := halves(a)
	bh, bl := halves(b)
	e := float64(ah*bh) - p
	e += float64(ah * bl)
	e += float64(al * bh)
	e += float64(al * bl)
	return double{p, e}
}

func (a double) plus(b double) double {
	s := sum(a.hi, b.hi)
	return renormal(s.hi, s.lo+(a.lo+b.lo))
}

func (a double) times(b double) double {
	p := product(a.hi, b.hi)
	return renormal(p.hi, p.lo+(float64(a.hi*b.lo)+float64(a.lo*b.hi)))
}

// quotient returns a / b for an exact a.
func quotient(a float64, b double) double {
	q := a / b.hi
	p := product(q, b.hi)
	rest := ((a - p.hi) - p.lo) - float64(q*b.lo)
	return renormal(q, rest/b.hi)
}
