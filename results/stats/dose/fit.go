package dose

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Fit is a fitted curve POD = F(Intercept + Slope x).
type Fit struct {
	Link       Link
	Penalised  bool       // fitted with the penalty of Firth
	Separation Separation // of the data; Overlap when fitted by ML

	Intercept float64       // dimensionless
	Slope     float64       // per unit of dose
	Cov       [2][2]float64 // inverse expected information at the estimate

	LogLik          float64 // without binomial coefficients, without penalty
	LogLikBinomial  float64 // with binomial coefficients, without penalty
	PenalisedLogLik float64 // LogLik + ½ ln det information; LogLik when not penalised

	Deviance     float64 // against one free POD per dose
	NullDeviance float64 // of a POD that does not depend on the dose
	Pearson      float64 // X²
	DF, NullDF   int     // distinct doses less 2, less 1

	problem problem
	best    vec   // the estimate in the problem's scale
	at      point // the objective there
}

// MaxLikelihood fits by maximum likelihood (Fisher scoring). It returns a
// *SeparationError when hits and misses are separated by dose, as then the
// likelihood has no finite maximum, and an error wrapping ErrOneOutcome or
// ErrOneDose when there is no curve to fit.
func MaxLikelihood(groups []Group, link Link) (*Fit, error) {
	merged, err := prepare(groups, link)
	if err != nil {
		return nil, err
	}
	if kind := separation(merged); kind != Overlap {
		return nil, fmt.Errorf("fit dose-response by maximum likelihood: %w", &SeparationError{kind})
	}
	return newProblem(merged, link, false).fit(merged)
}

// Firth fits by maximising the likelihood times the square root of the
// determinant of the expected information (Jeffreys' prior): Firth,
// Biometrika 80 (1993) 27. The answer is finite for separated data too.
//
// For the logit this is Firth's reduced-bias estimate. For the other links it
// is the same penalty and as finite (Kosmidis & Firth, Biometrika 108 (2021)
// 71), but not his reduced-bias estimate, which differs for links that are
// not canonical.
//
// It returns an error wrapping ErrOneOutcome or ErrOneDose when there is no
// curve to fit.
func Firth(groups []Group, link Link) (*Fit, error) {
	merged, err := prepare(groups, link)
	if err != nil {
		return nil, err
	}
	return newProblem(merged, link, true).fit(merged)
}

// Regress fits by maximum likelihood, or with Firth's penalty where the data
// are separated; Fit.Penalised and Fit.Separation say which it was and why.
func Regress(groups []Group, link Link) (*Fit, error) {
	f, err := MaxLikelihood(groups, link)
	if _, separated := errors.AsType[*SeparationError](err); separated {
		return Firth(groups, link)
	}
	return f, err
}

func prepare(groups []Group, link Link) ([]Group, error) {
	if !link.valid() {
		return nil, fmt.Errorf("link is %v: want logit, probit or cloglog", link)
	}
	merged, err := merge(groups)
	if err != nil {
		return nil, fmt.Errorf("fit dose-response: %w", err)
	}
	return merged, nil
}

func (p problem) fit(groups []Group) (*Fit, error) {
	n, hits := totals(groups)
	pooled := float64(hits) / float64(n)
	b, q, err := p.maximise(vec{p.link.eta(pooled), 0})
	if err != nil {
		return nil, fmt.Errorf("fit dose-response, %v link: %w", p.link, err)
	}
	f := &Fit{
		Link: p.link, Penalised: p.penalised, Separation: separation(groups),
		Intercept: b[0] - b[1]*p.centre/p.scale,
		Slope:     b[1] / p.scale,
		Cov:       p.unscaledCov(q.info.inverse()),
		LogLik:    q.logLik,
		DF:        len(groups) - 2, NullDF: len(groups) - 1,
		problem: p, best: b, at: q,
	}
	f.PenalisedLogLik = q.value
	if p.penalised {
		// det of the information in the user's dose unit
		f.PenalisedLogLik += math.Log(p.scale)
	}
	f.LogLikBinomial = q.logLik + logCoefficients(groups)
	for _, g := range p.groups {
		t := p.link.terms(b[0] + b[1]*g.Dose)
		f.Deviance += deviance(g, t.logHit, t.logMiss)
		f.NullDeviance += deviance(g, math.Log(pooled), math.Log1p(-pooled))
		f.Pearson += pearson(g, t)
	}
	return f, nil
}

// unscaledCov takes a covariance to the user's dose unit: b0 = c0 - c1 m/s,
// b1 = c1/s.
func (p problem) unscaledCov(c sym) [2][2]float64 {
	r := p.centre / p.scale
	cross := (c.m01 - r*c.m11) / p.scale
	return [2][2]float64{
		{c.quad(vec{1, -r}), cross},
		{cross, c.m11 / (p.scale * p.scale)},
	}
}

func logCoefficients(groups []Group) (sum float64) {
	for _, g := range groups {
		sum += combin.LogGeneralizedBinomial(float64(g.N), float64(g.Hits))
	}
	return sum
}

// deviance is twice the log-likelihood that the group loses against its own
// hit rate.
func deviance(g Group, logHit, logMiss float64) float64 {
	n, hits, misses := float64(g.N), float64(g.Hits), float64(g.N-g.Hits)
	return 2 * (weighted(hits, math.Log(hits/n)-logHit) + weighted(misses, math.Log(misses/n)-logMiss))
}

// pearson is (hits - n F)²/(n F (1-F)).
func pearson(g Group, t terms) float64 {
	n := float64(g.N)
	hit, miss := math.Exp(t.logHit), math.Exp(t.logMiss)
	d := float64(g.Hits)*miss - float64(g.N-g.Hits)*hit
	return d * d / (n * hit * miss)
}

// POD returns the fitted probability of detection at a finite dose.
func (f *Fit) POD(dose float64) (float64, error) {
	if math.IsNaN(dose) || math.IsInf(dose, 0) {
		return 0, fmt.Errorf("dose is %v: want a finite number", dose)
	}
	return math.Exp(f.Link.terms(f.Intercept + f.Slope*dose).logHit), nil
}

// Goodness is a test of the fitted curve against one free POD per dose.
type Goodness struct {
	DF       int     // degrees of freedom
	Deviance float64 // p-value of the deviance
	Pearson  float64 // p-value of Pearson's X²
}

// GoodnessOfFit compares the deviance and Pearson's X² with chi-square on
// Fit.DF degrees of freedom (McCullagh & Nelder, Generalized Linear Models,
// 4.4, from memory). The approximation wants several expected hits and misses at most
// doses (common practice, no source: about five); with one trial a dose the
// p-values mean nothing. It returns an error when two doses leave no degree
// of freedom.
func (f *Fit) GoodnessOfFit() (Goodness, error) {
	if f.DF < 1 {
		return Goodness{}, fmt.Errorf("goodness of fit: n is %d distinct doses: want 3 or more, as two parameters are fitted", f.DF+2)
	}
	chi := distuv.ChiSquared{K: float64(f.DF)}
	return Goodness{DF: f.DF, Deviance: chi.Survival(f.Deviance), Pearson: chi.Survival(f.Pearson)}, nil
}
