package study

import (
	"math"
	"math/rand/v2"

	"drench/results/stats/uncertainty"

	"gonum.org/v1/gonum/stat/distuv"
)

const draws = 20_000

// band is the 95 % interval of GRR by generalized inference: each mean square
// is drawn from its distribution, χ² over its degrees of freedom, and the
// variances are solved for as in the analysis (Hamada and Weerahandi, Journal
// of Quality Technology 32 (2000) 241, from memory). With two or three rigs or
// operators it is wide at the top, and that is the truth: two of them say
// little about all.
func (r *Result) band() (uncertainty.Interval, error) {
	duts, repeats := float64(len(r.DUTs)), float64(r.Repeats)
	sample, err := uncertainty.Propagate(1, draws, func(src *rand.Rand) float64 {
		draw := func(e uncertainty.Effect) float64 { return e.SS / distuv.ChiSquared{K: float64(e.DF), Src: src}.Rand() }
		by, rest, both := draw(r.Appraisers), r.Repeatability, 0.0
		if r.Pooled {
			rest.SS, rest.DF = rest.SS+r.Interactions.SS, rest.DF+r.Interactions.DF
		}
		within := draw(rest)
		if both = within; !r.Pooled {
			both = draw(r.Interactions)
		}
		return math.Sqrt(within + max(0, (both-within)/repeats) + max(0, (by-both)/(duts*repeats)))
	})
	if err != nil {
		return uncertainty.Interval{}, err
	}
	return sample.Symmetric(0.95)
}
