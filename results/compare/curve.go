package compare

import (
	"errors"
	"fmt"
	"math"

	"drench/results/stats/dose"
)

// curves compares the doses that are detected every other time: of all points
// of the curve the one that is known best. Each comes from a logit curve over
// the logarithm of the dose, with limits by likelihood ratio (package dose);
// the difference from both as squareAndAdd has it (Zou and Donner), the p-value
// from their logarithms and standard errors.
func (q estimating) curves() (estimate, error) {
	e := estimate{method: "a50 of logit curves, interval from likelihood ratios"}
	var at [2]half
	for i, side := range []struct {
		of *Side
		g  group
	}{{&e.base, q.base}, {&e.now, q.now}} {
		var err error
		at[i], err = side.g.halfway(q.conf)
		*side.of = Side{N: at[i].n, Value: at[i].dose}
		if err != nil {
			e.why = err.Error()
			return e, nil
		}
		side.of.Text = fmt.Sprintf("a50 %s (n %d)", Format(at[i].dose, q.margin.Unit), at[i].n)
	}
	a, b := at[0], at[1]
	e.diff = b.dose - a.dose
	e.interval = Interval{e.diff - math.Hypot(b.dose-b.lower, a.upper-a.dose), e.diff + math.Hypot(b.upper-b.dose, a.dose-a.lower)}
	e.p, e.tested = twoSidedNormal((b.log-a.log)/math.Hypot(a.se, b.se)), true
	if e.bounded = !math.IsInf(a.upper, 0) && !math.IsInf(b.upper, 0); !e.bounded {
		e.why = "too few trials to bound the curve"
		return e, nil
	}
	e.needed = q.larger(e.interval, a.n, b.n)
	return e, nil
}

// half is the dose that is detected every other time.
type half struct {
	n                  int
	dose, lower, upper float64
	log, se            float64 // of its logarithm
}

// halfway fits the curve of all runs of a side.
func (g group) halfway(conf float64) (half, error) {
	var h half
	var trials []dose.Group
	for _, m := range g {
		for _, t := range m.Graded {
			if t.Dose <= 0 {
				continue // has no logarithm
			}
			trials = append(trials, dose.Group{Dose: math.Log(float64(t.Dose)), N: 1, Hits: b2i(t.Hit)})
		}
	}
	if h.n = len(trials); h.n == 0 {
		return h, errors.New("one side has no trial")
	}
	fit, err := dose.Regress(trials, dose.Logit)
	if err != nil {
		return h, err
	}
	q, err := fit.Quantile(0.5)
	if err != nil {
		return h, err
	}
	i, err := fit.LikelihoodRatio(0.5, conf, dose.TwoSided)
	if err != nil {
		return h, err
	}
	h.log, h.se = q.Value, q.SE
	h.dose, h.lower, h.upper = math.Exp(q.Value), math.Exp(i.Lower), math.Exp(i.Upper)
	return h, nil
}

// curve fills in a night's point by the curve of its runs.
func (p *Point) curve(g group) bool {
	h, err := g.halfway(defaultConfidence)
	if err != nil {
		return false
	}
	p.N, p.Value, p.SE = h.n, h.dose, h.dose*h.se
	return true
}
