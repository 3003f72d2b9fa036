package compare

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// scatter is by how much runs of one side differ from each other, in variance,
// over what chance within the runs explains; on so many degrees of freedom.
type scatter struct {
	ratio float64
	df    int
	p     float64 // of as large a ratio by chance
}

// differ is the level at which runs of one side are taken to differ.
const differ = 0.05

// scatter compares the runs' means with the spread within the runs: the F
// ratio of an analysis of variance in which runs are nested in sides (Snedecor
// and Cochran, Statistical Methods, from memory).
func (g group) scatter(h group) scatter {
	var among, within float64
	var df, inner int
	for _, side := range []group{g, h} {
		all, ok := side.pool()
		if !ok {
			continue
		}
		runs := side.moments()
		for _, m := range runs {
			among += float64(m.n) * (m.mean - all.mean) * (m.mean - all.mean)
			within += float64(m.n-1) * m.sd * m.sd
			inner += m.n - 1
		}
		df += len(runs) - 1
	}
	if df < 1 || inner < 1 || within <= 0 {
		return scatter{p: 1}
	}
	f := among / float64(df) / (within / float64(inner))
	return scatter{f, df, distuv.F{D1: float64(df), D2: float64(inner)}.Survival(f)}
}

// scatterOfCounts does the same for counts, by Pearson's chi-square.
func (g group) scatterOfCounts(h group, m Margin) scatter {
	chi, df := 0.0, 0
	for _, side := range []group{g, h} {
		var all []tally
		for _, x := range side {
			if t := tallyOf(x, m); !t.empty() {
				all = append(all, t)
			}
		}
		if len(all) > 1 {
			chi += pearson(all)
			df += len(all) - 1
		}
	}
	if df < 1 {
		return scatter{p: 1}
	}
	return scatter{chi / float64(df), df, distuv.ChiSquared{K: float64(df)}.Survival(chi)}
}

// widen makes interval and p-value hold for runs that differ by more than the
// trials in them explain: the standard error grows by the root of the ratio,
// and is taken as known to so many degrees of freedom (quasi-likelihood:
// McCullagh and Nelder, Generalized Linear Models, 2nd ed. (1989), section
// 4.5; from memory). The p-value is then that of the interval.
func (s scatter) widen(e *estimate, conf float64) {
	if s.p >= differ || s.ratio <= 1 || !e.bounded {
		return
	}
	t := distuv.StudentsT{Sigma: 1, Nu: float64(s.df)}.Quantile((1 + conf) / 2)
	f := math.Sqrt(s.ratio) * t / distuv.UnitNormal.Quantile((1+conf)/2)
	lower, upper := f*(e.diff-e.interval.Lower), f*(e.interval.Upper-e.diff)
	e.interval = Interval{e.diff - lower, e.diff + upper}
	if half := map[bool]float64{true: lower, false: upper}[e.diff > 0]; half > 0 { // on the side of no difference
		e.p = max(e.p, twoSided(s.df, t*e.diff/half))
	}
	e.notes = append(e.notes, fmt.Sprintf("runs of one side differ from each other by more than their trials explain (variance ratio %.1f, p %s); interval and p allow for that", s.ratio, chance(s.p)))
}
