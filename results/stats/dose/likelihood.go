package dose

import (
	"errors"
	"math"
)

// vec is (intercept, slope), or a direction or gradient in that plane.
type vec [2]float64

func (v vec) plus(s float64, w vec) vec { return vec{v[0] + s*w[0], v[1] + s*w[1]} }

func (v vec) dot(w vec) float64 { return v[0]*w[0] + v[1]*w[1] }

// sym is a symmetric 2x2 matrix.
type sym struct{ m00, m01, m11 float64 }

func (s sym) det() float64 { return s.m00*s.m11 - s.m01*s.m01 }

func (s sym) quad(v vec) float64 {
	return v[0]*v[0]*s.m00 + 2*v[0]*v[1]*s.m01 + v[1]*v[1]*s.m11
}

func (s sym) inverse() sym {
	d := s.det()
	return sym{s.m11 / d, -s.m01 / d, s.m00 / d}
}

func (s sym) times(v vec) vec {
	return vec{s.m00*v[0] + s.m01*v[1], s.m01*v[0] + s.m11*v[1]}
}

// problem is a set of merged groups under one link, its doses centred and
// scaled so that both parameters are of order one.
type problem struct {
	link          Link
	groups        []Group // Dose holds (dose-centre)/scale
	centre, scale float64
	penalised     bool // maximise the likelihood times sqrt(det information)
}

func newProblem(groups []Group, link Link, penalised bool) problem {
	var n, sum, squares float64
	for _, g := range groups {
		n += float64(g.N)
		sum += float64(g.N) * g.Dose
	}
	p := problem{link: link, penalised: penalised, centre: sum / n}
	for _, g := range groups {
		d := g.Dose - p.centre
		squares += float64(g.N) * d * d
	}
	p.scale = math.Sqrt(squares / n)
	for _, g := range groups {
		g.Dose = p.scaled(g.Dose)
		p.groups = append(p.groups, g)
	}
	return p
}

func (p problem) scaled(dose float64) float64 { return (dose - p.centre) / p.scale }

func (p problem) unscaled(t float64) float64 { return p.centre + p.scale*t }

// point is the objective and its derivatives at one (intercept, slope).
type point struct {
	logLik float64 // without binomial coefficients
	value  float64 // what is maximised: logLik, or logLik + ½ ln det info
	score  vec     // gradient of value
	info   sym     // expected (Fisher) information of the likelihood
}

// at evaluates the problem at b. Where b is so far out that nothing is left
// in floating point, value is -Inf.
func (p problem) at(b vec) point {
	var q point
	for _, g := range p.groups {
		t := p.link.terms(b[0] + b[1]*g.Dose)
		n, hits, misses := float64(g.N), float64(g.Hits), float64(g.N-g.Hits)
		q.logLik += weighted(hits, t.logHit) + weighted(misses, t.logMiss)
		u := weighted(hits, t.hit) - weighted(misses, t.miss)
		q.score = q.score.plus(u, vec{1, g.Dose})
		w := n * t.weight()
		q.info.m00 += w
		q.info.m01 += w * g.Dose
		q.info.m11 += w * g.Dose * g.Dose
	}
	q.value = q.logLik
	if p.penalised {
		p.penalise(b, &q)
	}
	if math.IsNaN(q.value) || math.IsNaN(q.score[0]) || math.IsNaN(q.score[1]) {
		q.value = math.Inf(-1)
	}
	return q
}

// penalise adds ½ ln det info to the value and its gradient,
// ½ Σ h (ln w)' (1, x), h the leverages, to the score.
func (p problem) penalise(b vec, q *point) {
	q.value += 0.5 * math.Log(q.info.det())
	cov := q.info.inverse()
	for _, g := range p.groups {
		t := p.link.terms(b[0] + b[1]*g.Dose)
		x := vec{1, g.Dose}
		leverage := float64(g.N) * t.weight() * cov.quad(x)
		q.score = q.score.plus(0.5*leverage*t.dlogWeight(), x)
	}
}

// weighted is n*x with 0 for n = 0 whatever x is.
func weighted(n, x float64) float64 {
	if n == 0 {
		return 0
	}
	return n * x
}

const (
	maxSteps = 200
	maxTries = 100
	// converged bounds the squared length of the last step in standard
	// errors: 1e-10 of one.
	converged = 1e-20
	// flattened is how far a line search brings the slope down.
	flattened = 0.1
)

var errNoConvergence = errors.New("the fit did not converge")

// maximise climbs to the maximum by Fisher scoring (iteratively re-weighted
// least squares) with a line search.
func (p problem) maximise(start vec) (vec, point, error) {
	b, q := start, p.at(start)
	for range maxSteps {
		step := q.info.inverse().times(q.score)
		if q.score.dot(step) < converged {
			return b, q, nil
		}
		fraction, at, ok := p.climb(b, q, step, math.Inf(1))
		if !ok {
			return b, q, errNoConvergence
		}
		b, q = b.plus(fraction, step), at
	}
	return b, q, errNoConvergence
}

// climb looks along the step, up to most times it, for a point no lower than
// the start (bar rounding) where the slope has flattened out, by false
// position on the slope. The penalty's curvature is not in the information, so
// whole scoring steps can overshoot or creep. It returns the fraction of the
// step.
func (p problem) climb(b vec, from point, step vec, most float64) (float64, point, bool) {
	slack := 1e-13 * (1 + math.Abs(from.value))
	slope := from.score.dot(step)
	lo, loSlope := 0.0, slope
	hi, hiSlope := math.Inf(1), 0.0
	fraction := min(1, most)
	for range maxTries {
		q := p.at(b.plus(fraction, step))
		left := q.score.dot(step)
		rose := q.value >= from.value-slack
		switch {
		case rose && (math.Abs(left) <= flattened*slope || (left > 0 && fraction == most)):
			return fraction, q, true
		case rose && left > 0:
			lo, loSlope = fraction, left
		case left < 0:
			hi, hiSlope = fraction, left
		default: // over the top and beyond the next valley, or off the end
			hi, hiSlope = fraction, -loSlope
		}
		if math.IsInf(hi, 1) {
			fraction = min(4*lo, most)
			continue
		}
		fraction = lo + (hi-lo)*min(max(loSlope/(loSlope-hiSlope), 0.1), 0.9)
	}
	return 0, from, false
}

// line is the set origin + s*direction of parameter points, s >= floor.
type line struct {
	origin, direction vec
	floor             float64 // -Inf for a whole line
}

// along climbs to the maximum of the objective on the line from the start s.
func (p problem) along(l line, s float64) (float64, point, error) {
	s = max(s, l.floor)
	q := p.at(l.origin.plus(s, l.direction))
	for range maxSteps {
		slope := q.score.dot(l.direction)
		bend := q.info.quad(l.direction)
		if slope*slope < converged*bend || (s == l.floor && slope <= 0) {
			return s, q, nil
		}
		step := slope / bend
		most := math.Inf(1)
		if step < 0 {
			most = (l.floor - s) / step
		}
		fraction, at, ok := p.climb(l.origin.plus(s, l.direction), q, vec{}.plus(step, l.direction), most)
		if !ok {
			return s, q, errNoConvergence
		}
		s, q = max(s+fraction*step, l.floor), at
		if fraction == most {
			s = l.floor
		}
	}
	return s, q, errNoConvergence
}
