package compare

import (
	"math"

	"drench/results/stats"

	"gonum.org/v1/gonum/stat/distuv"
)

// Charts of scores: the weight of the newest value of the EWMA, and the
// allowance of the CUSUM in standard deviations (half of a shift of one).
const (
	lambda    = 0.25
	allowance = 0.5
)

// verdictShare of the false-alarm rate goes to the series of verdicts, which
// have so little data that a smaller share would show nothing; the rest goes to
// the measures.
const verdictShare = 1.0 / 3

// plan shares the false-alarm rate out. All limits hold for the whole horizon
// from the first night on, so that looking every morning costs nothing.
type plan struct {
	baseline, horizon int
	measure, verdict  float64 // level of one series
	width, high       float64 // of the EWMA in its standard deviations; of the CUSUM
}

// newPlan gives each series of verdicts the same level, and each series of
// measures (Bonferroni), and each of the four checks of a number, or the two of
// a count, the same of that.
func newPlan(o Options, measures, verdicts int) plan {
	share := verdictShare
	if measures == 0 || verdicts == 0 {
		share = float64(b2i(measures == 0))
	}
	p := plan{baseline: o.Baseline, horizon: o.Horizon,
		measure: o.FalseAlarm * (1 - share) / float64(max(measures, 1)), verdict: o.FalseAlarm * share / float64(max(verdicts, 1))}
	if measures == 0 {
		return p
	}
	n := p.horizon - p.baseline
	p.width = solve(func(w float64) float64 { return ewmaTail(ewmaLimit(w, lambda), lambda, n) }, p.measure/4)
	// Both sums exceed h no more often than each of them, added up.
	p.high = solve(func(h float64) float64 { return 2 * cusumTail(h, allowance, n) }, p.measure/4)
	return p
}

// perNight is the level of one night's comparison with the baseline, and
// perSplit that of one way to split the nights so far in two, if the check as a
// whole may use a level.
func (p plan) perNight(level float64) float64 { return level / float64(p.horizon-p.baseline) }
func (p plan) perSplit(level float64) float64 {
	n := float64(p.horizon - p.baseline)
	return level / (n * (n + 1) / 2)
}

// spread is what is known of a group of nights: n means, their own mean, and
// the variance of one of them.
type spread struct {
	n        int
	mean     float64
	variance float64 // between the nights' means, not below within
	within   float64 // mean square of their standard errors
}

// spreadOf estimates a group's spread. The variance is taken as no less than
// the nights' own standard errors, nor than what can't matter, explain: few
// nights may lie closely together by chance.
func spreadOf(points []Point, least float64) spread {
	s := spread{n: len(points)}
	for _, p := range points {
		s.mean += p.Value / float64(s.n)
		s.within += p.SE * p.SE / float64(s.n)
	}
	for _, p := range points {
		if s.n > 1 {
			s.variance += (p.Value - s.mean) * (p.Value - s.mean) / float64(s.n-1)
		}
	}
	s.variance = max(s.variance, s.within, least*least)
	return s
}

// between is the variance component of the nights, the rest being within them
// (method of moments for a random effect; DerSimonian and Laird, Controlled
// Clinical Trials 7 (1986) 177, from memory).
func (s spread) between() float64 { return max(0, s.variance-s.within) }

// against is the two-sided p-value of a night against the baseline nights, with
// the variance of a night and that of the baseline's mean, on the degrees of
// freedom of the baseline.
func (s spread) against(p Point) float64 {
	se := math.Sqrt(s.between() + p.SE*p.SE + s.variance/float64(s.n))
	return twoSided(s.n-1, (p.Value-s.mean)/se)
}

func twoSided(df int, t float64) float64 {
	return 2 * distuv.StudentsT{Sigma: 1, Nu: float64(df)}.Survival(math.Abs(t))
}

// split is the two-sided p-value of two groups of nights having one mean:
// Student's test with the pooled variance, which has the floor of spreadOf.
func split(before, after []Point, least float64) float64 {
	a, b := spreadOf(before, 0), spreadOf(after, 0)
	n := len(before) + len(after)
	sum := 0.0
	for _, g := range []struct {
		points []Point
		mean   float64
	}{{before, a.mean}, {after, b.mean}} {
		for _, p := range g.points {
			sum += (p.Value - g.mean) * (p.Value - g.mean)
		}
	}
	within := (float64(a.n)*a.within + float64(b.n)*b.within) / float64(n)
	v := max(sum/float64(n-2), within, least*least)
	return twoSided(n-2, (b.mean-a.mean)/math.Sqrt(v*(1/float64(a.n)+1/float64(b.n))))
}

// score is where a night stands against all nights before it:
//
//	U = PhiInv(F(T; n-2)), T = sqrt((n-1)/n) (x_n - mean)/s
//
// with mean and s of the n-1 nights before. While nothing changes, scores are
// independent standard normal values, however few nights there are, if nights
// are normal. With the floor of spreadOf they are closer to 0, never farther.
//
// Source: Hawkins, The Statistician 36 (1987) 299; Quesenberry, J. Quality
// Technology 23 (1991) 213 (both from memory).
func score(before []Point, p Point, least float64) float64 {
	const most = 8 // beyond it the tail of the normal distribution has no digits
	s := spreadOf(before, least)
	n := float64(s.n + 1)
	t := math.Sqrt((n-1)/n) * (p.Value - s.mean) / math.Sqrt(s.variance)
	tail := distuv.StudentsT{Sigma: 1, Nu: n - 2}.Survival(math.Abs(t))
	u := -distuv.UnitNormal.Quantile(max(tail, 1e-300))
	return math.Copysign(min(u, most), t)
}

// charts draws EWMA and CUSUM of the scores of the nights from first on, and
// returns the indices of the nights at which they signal.
func (s *Series) charts(p plan, first int, least float64) (ewma, cusum int) {
	var scores []float64
	for i := first; i < len(s.Points); i++ {
		scores = append(scores, score(s.Points[:i], s.Points[i], least))
	}
	e, err := stats.EWMA(scores, 0, 1, lambda, p.width)
	c, err2 := stats.CUSUM(scores, 0, allowance, p.high)
	if err != nil || err2 != nil { // no scores
		return stats.NoSignal, stats.NoSignal
	}
	s.CUSUMLimit = p.high
	for i := range scores {
		q := &s.Points[first+i]
		q.Score, q.EWMA, q.EWMALimit = &scores[i], &e.Points[i].Z, &e.Points[i].Upper
		q.High, q.Low = &c.Points[i].High, &c.Points[i].Low
	}
	return e.Signal, c.Signal
}
