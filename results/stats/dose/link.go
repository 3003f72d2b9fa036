package dose

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Link is the shape F of the curve POD = F(Intercept + Slope x).
type Link int

const (
	// Logit: F(t) = 1/(1+exp(-t)).
	Logit Link = iota
	// Probit: F is the standard normal distribution function.
	Probit
	// CLogLog: F(t) = 1 - exp(-exp(t)).
	CLogLog
)

var linkNames = [...]string{Logit: "logit", Probit: "probit", CLogLog: "cloglog"}

// String returns the name that ParseLink reads.
func (l Link) String() string {
	if !l.valid() {
		return fmt.Sprintf("Link(%d)", int(l))
	}
	return linkNames[l]
}

// ParseLink reads logit, probit or cloglog.
func ParseLink(name string) (Link, error) {
	for l, s := range linkNames {
		if s == name {
			return Link(l), nil
		}
	}
	return 0, fmt.Errorf("link is %q: want logit, probit or cloglog", name)
}

func (l Link) valid() bool { return l >= 0 && int(l) < len(linkNames) }

// eta returns the t with F(t) = p, 0 < p < 1.
func (l Link) eta(p float64) float64 {
	switch l {
	case Probit:
		return distuv.UnitNormal.Quantile(p)
	case CLogLog:
		return math.Log(-math.Log1p(-p))
	}
	return math.Log(p) - math.Log1p(-p)
}

// terms are what the likelihood and its derivatives need of F at one t, in
// the form that stays exact where F is next to 0 or 1.
type terms struct {
	logHit, logMiss float64 // ln F, ln (1-F)
	hit, miss       float64 // F'/F, F'/(1-F)
	curve           float64 // F''/F'
}

// weight is the Fisher information on t of one trial, F'^2/(F(1-F)).
func (t terms) weight() float64 { return t.hit * t.miss }

// dlogWeight is the derivative of ln weight by t.
func (t terms) dlogWeight() float64 { return 2*t.curve - t.hit + t.miss }

func (l Link) terms(t float64) terms {
	switch l {
	case Probit:
		return terms{
			logHit: logTail(-t), logMiss: logTail(t),
			hit: hazard(-t), miss: hazard(t),
			curve: -t,
		}
	case CLogLog:
		u := math.Exp(min(t, maxLogLog))
		return terms{
			logHit: math.Log(-math.Expm1(-u)), logMiss: -u,
			hit: u / math.Expm1(u), miss: u,
			curve: 1 - u,
		}
	}
	hit, miss := logistic(-t), logistic(t)
	return terms{
		logHit: -softplus(-t), logMiss: -softplus(t),
		hit: hit, miss: miss,
		curve: hit - miss,
	}
}

// maxLogLog keeps exp(exp(t)) finite; 1-F is below 1e-300 there.
const maxLogLog = 6.5

func logistic(t float64) float64 {
	if t < 0 {
		e := math.Exp(t)
		return e / (1 + e)
	}
	return 1 / (1 + math.Exp(-t))
}

// softplus is ln(1+exp(t)).
func softplus(t float64) float64 { return max(t, 0) + math.Log1p(math.Exp(-math.Abs(t))) }

// farTail is where erfc nears underflow and the asymptotic series
// (Abramowitz & Stegun 26.2.12) is exact to rounding.
const farTail = 30

// logTail is ln(1-Phi(t)).
func logTail(t float64) float64 {
	switch {
	case t > farTail:
		r := 1 / (t * t)
		return logDensity(t) - math.Log(t) + math.Log1p(-r*(1-3*r*(1-5*r*(1-7*r))))
	case t < 0:
		return math.Log1p(-distuv.UnitNormal.CDF(t))
	}
	return math.Log(distuv.UnitNormal.CDF(-t))
}

// hazard is phi(t)/(1-Phi(t)).
func hazard(t float64) float64 { return math.Exp(logDensity(t) - logTail(t)) }

func logDensity(t float64) float64 { return distuv.UnitNormal.LogProb(t) }
