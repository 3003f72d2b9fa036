package compare

import (
	"fmt"
	"slices"
	"strings"

	"drench/results/measure"
	"drench/results/stats"
	"drench/results/verdict"
	"drench/rig"
)

// Defaults of Options, and the fewest nights that say anything of a spread.
const (
	defaultBaseline   = 7
	defaultHorizon    = 14
	defaultFalseAlarm = 0.05
	fewestNights      = 3
)

// Nights follows every measure of every scenario and setting, and the verdicts,
// over nights given from the oldest to the newest. The first Baseline nights
// are known to be in order; nights after them are held against them, and
// against all nights before, by checks whose false alarms, all series and all
// nights up to the horizon together, come with no more than the probability
// FalseAlarm. With more nights than the horizon, these are the horizon.
//
// Numbers: the night's mean against the baseline's, with the nights' own
// variance; EWMA and CUSUM of self-starting scores; the means before and after
// each night. Counts: the same two comparisons by exact tests. What signals is
// fitted by a shift, a drift and a burst; the best names the night.
//
// Assumed: nights are independent, their means normal; trials of a night are
// independent, but for what the baseline shows of more scatter.
func Nights(nights []Night, o Options) Trend {
	o = o.nightly(len(nights))
	t := Trend{Baseline: o.Baseline, Horizon: o.Horizon, FalseAlarm: o.FalseAlarm}
	for _, n := range nights {
		t.Nights = append(t.Nights, n.Name)
	}
	lines := follow(nights, o)
	verdicts := 0
	for _, l := range lines {
		verdicts += b2i(l.Measure == VerdictSeries)
	}
	p := newPlan(o, len(lines)-verdicts, verdicts)
	for _, l := range lines {
		l.check(p)
		l.gone(t.Nights)
		t.Series = append(t.Series, l.Series)
		if l.Finding != nil {
			t.Findings = append(t.Findings, *l.Finding)
		}
	}
	t.conclude()
	return t
}

func (o Options) nightly(n int) Options {
	if o.Baseline == 0 {
		o.Baseline = defaultBaseline
	}
	if o.Horizon == 0 {
		o.Horizon = defaultHorizon
	}
	if o.FalseAlarm == 0 {
		o.FalseAlarm = defaultFalseAlarm
	}
	o.Baseline = max(o.Baseline, fewestNights)
	o.Horizon = max(o.Horizon, n, o.Baseline+1)
	return o
}

// series is a series in the making.
type series struct {
	Series
	tallies []tally // of counts
	nights  []int   // of each point, its place among all nights
	ran     []int   // nights in which the scenario ran
	lower   bool    // a lower value is worse
	least   float64 // spreads below it can't matter
	scale   float64 // from a tally's value to the unit
}

// least is the share of a margin below which spreads can't matter.
const least = 1e-3

// follow makes the series of all places and measures that there are.
func follow(nights []Night, o Options) []*series {
	var all []Run
	for _, n := range nights {
		all = append(all, n.Runs...)
	}
	var list []*series
	for _, p := range places(all) {
		for _, name := range append(MeasureNames(), VerdictSeries) {
			if !o.wants(name) {
				continue
			}
			s := &series{Series: Series{Scenario: p.scenario, Setting: p.setting, Measure: name}, scale: 1e9}
			m, _ := marginOf(name)
			s.Kind, s.Unit, s.lower = m.Kind, m.Unit, m.LowerWorse
			if name == VerdictSeries {
				s.Kind, s.Unit = measure.Proportion, rig.Proportion
			}
			if m.each != "" {
				s.scale = 1
			}
			margin, _ := m.resolve(o, at(p, all))
			s.least = least * margin
			for i, n := range nights {
				s.night(i, n.Name, at(p, n.Runs), m)
			}
			if len(s.Points) > 0 {
				list = append(list, s)
			}
		}
	}
	return list
}

// counts tells whether the series is one of counts.
func (s *series) counts() bool { return s.Kind == measure.Proportion || s.Kind == measure.Events }

// night adds a night's point, if its runs say something. Runs that the rig ended
// as errors say nothing.
func (s *series) night(i int, name string, runs []Run, m Margin) {
	runs = slices.DeleteFunc(slices.Clone(runs), func(r Run) bool { return r.Verdict == verdict.Error })
	if len(runs) > 0 {
		s.ran = append(s.ran, i)
	}
	p := Point{Night: name}
	for _, r := range runs {
		p.Runs = append(p.Runs, r.ID)
	}
	if !s.counts() {
		if !p.number(found(m.Measure, runs)) {
			return
		}
	} else {
		g := found(s.Measure, runs)
		t := g.tally(m)
		if s.Measure == VerdictSeries {
			t = verdicts(runs)
		}
		if t.empty() {
			return
		}
		p.N, p.Count, p.Exposure, p.Value = t.of, t.x, g.exposure(), s.scale*t.value()
		s.tallies = append(s.tallies, t)
	}
	s.Points = append(s.Points, p)
	s.nights = append(s.nights, i)
}

// verdicts counts the runs that failed, of those that were judged.
func verdicts(runs []Run) tally {
	var t tally
	for _, r := range runs {
		switch r.Verdict {
		case verdict.Fail:
			t.x++
			t.of++
		case verdict.Pass:
			t.of++
		}
	}
	return t
}

// number fills in the mean of a night's values. The standard error of single
// values is their uncertainty, that of others comes from their spread.
func (p *Point) number(g group) bool {
	if len(g) > 0 && g[0].Kind == measure.Curve {
		return p.curve(g)
	}
	all, ok := g.pool()
	if all.n == 0 {
		return false
	}
	if !ok { // one value
		v := g.values()
		p.N, p.Value = 1, v[0]
	} else {
		p.N, p.Value, p.SE = all.n, all.mean, all.sd/sqrt(all.n)
	}
	for _, m := range g {
		for _, x := range m.Samples {
			if m.Kind == measure.Single {
				p.SE = max(p.SE, float64(x.U))
			}
		}
	}
	return true
}

// first is the index of the first point after the baseline nights.
func (s *series) first(p plan) int {
	i, _ := slices.BinarySearch(s.nights, p.baseline)
	return i
}

// check looks for a change, and says how the series stands.
func (s *series) check(p plan) {
	first := s.first(p)
	if first < fewestNights || first == len(s.Points) {
		s.State, s.Reason = TooShort, fmt.Sprintf("%s of the baseline and %d after it; it takes %d and 1", number(first, "night"), len(s.Points)-first, fewestNights)
		s.rate()
		return
	}
	if s.counts() {
		s.checkCounts(p, first)
		return
	}
	s.checkNumbers(p, first)
}

// gone tells of a series that ended though its scenario did not: a device that
// has stopped altogether must not look as good as before. (A verdict is missing
// where a run was inconclusive, which its own measures explain.)
func (s *series) gone(names []string) {
	last := s.nights[len(s.nights)-1]
	since, _ := slices.BinarySearch(s.ran, last+1)
	if since == len(s.ran) || s.Finding != nil || s.Measure == VerdictSeries {
		return
	}
	s.State, s.Reason = Gone, fmt.Sprintf("nothing on it since night %s, though the scenario ran", names[s.ran[since]])
}

// signals are the first nights at which each check signalled.
type signals struct {
	at    int
	names []string
}

func (g *signals) add(name string, at int) {
	if at == stats.NoSignal {
		return
	}
	if len(g.names) == 0 || at < g.at {
		g.at = at
	}
	g.names = append(g.names, name)
}

func (s *series) checkNumbers(p plan, first int) {
	base := spreadOf(s.Points[:first], s.least)
	s.Centre, s.Between, s.Within = base.mean, root(base.between()), root(base.within)
	var g signals
	g.add("night against baseline", s.eachNight(first, p.perNight(p.measure/4), func(i int) float64 { return base.against(s.Points[i]) }))
	g.add("means before and after", s.eachSplit(first, p.perSplit(p.measure/4), func(k, n int) float64 { return split(s.Points[:k], s.Points[k:n], s.least) }))
	ewma, cusum := s.charts(p, first, s.least)
	for _, c := range []struct {
		name string
		at   int
	}{{"EWMA", ewma}, {"CUSUM", cusum}} {
		if c.at != stats.NoSignal {
			g.add(c.name, first+c.at)
		}
	}
	if len(g.names) == 0 {
		s.State, s.Reason = Steady, fmt.Sprintf("no change is shown in %s after %d of the baseline", number(len(s.Points)-first, "night"), first)
		return
	}
	s.found(g, fitNumbers(s.Points, first, g.at))
}

func (s *series) checkCounts(p plan, first int) {
	s.rate()
	deff := designEffect(s.tallies[:first])
	sum := func(part []tally) (t tally) {
		for _, x := range part {
			t = t.plus(x)
		}
		return t.effective(deff)
	}
	test := func(a, b []tally) float64 {
		p, err := alike(sum(a), sum(b))
		if err != nil {
			return 1
		}
		return p
	}
	night, halves := p.measure/2, p.measure/2
	if s.Measure == VerdictSeries {
		night, halves = 0, p.verdict // a few runs of one night can't tell
	}
	var g signals
	g.add("night against baseline", s.eachNight(first, p.perNight(night), func(i int) float64 { return test(s.tallies[:first], s.tallies[i:i+1]) }))
	g.add("rate before and after", s.eachSplit(first, p.perSplit(halves), func(k, n int) float64 { return test(s.tallies[:k], s.tallies[k:n]) }))
	if len(g.names) > 0 {
		c := fitCounts(s.tallies, first, g.at)
		c.before, c.after = s.scale*c.before, s.scale*c.after
		s.found(g, c)
		return
	}
	s.unchanged()
}

// eachNight tests the nights after the baseline, and returns the first whose
// p-value is at most level.
func (s *series) eachNight(first int, level float64, test func(i int) float64) int {
	at := stats.NoSignal
	for i := first; i < len(s.Points); i++ {
		p := min(test(i), 1)
		s.Points[i].P = &p
		if at == stats.NoSignal && p <= level {
			at = i
		}
	}
	return at
}

// eachSplit tests all ways to split the nights so far, 0 to n-1, at a night k
// after the baseline, and returns the first night n-1 with a p-value of at most
// level.
func (s *series) eachSplit(first int, level float64, test func(k, n int) float64) int {
	for n := first + 1; n <= len(s.Points); n++ {
		for k := first; k < n; k++ {
			if test(k, n) <= level {
				return n - 1
			}
		}
	}
	return stats.NoSignal
}

// found books a change.
func (s *series) found(g signals, c change) {
	s.State = Changed
	f := &Finding{Scenario: s.Scenario, Setting: s.Setting, Measure: s.Measure, Shape: c.shape, Night: s.Points[c.at].Night,
		Signal: s.Points[g.at].Night, Worse: (c.after > c.before) != s.lower, Before: c.before, After: c.after, Checks: g.names}
	word := "better"
	if f.Worse {
		word = "worse"
	}
	show := func(v float64) string { return Format(v, s.Unit) }
	if s.Measure == measure.BeatGap {
		show = func(v float64) string { return precise(v, s.Unit) }
	}
	how := map[Shape]string{
		Shift: "from night %s on it is %s, was %s", Drift: "from night %s on it drifts: %s in the last night, was %s", Burst: "in night %s alone it was %s, is %s else",
	}[c.shape]
	f.Reason = fmt.Sprintf("%s %s: "+how, s.Measure, word, f.Night, show(f.After), show(f.Before))
	if c.shape == Shift && c.at == len(s.Points)-1 {
		f.Reason += "; one night can't tell a lasting change from a passing one"
	}
	f.Reason += fmt.Sprintf(" (%s; shown since night %s)", list(g.names), f.Signal)
	s.Finding, s.Reason = f, f.Reason
}

// conclude finds the trend's verdict.
func (t *Trend) conclude() {
	var worse, better, gone []string
	told := false
	for _, s := range t.Series {
		told = told || s.State != TooShort
		if s.State == Gone {
			gone = append(gone, fmt.Sprintf("%s (%s): %s", s.Measure, place{s.Scenario, s.Setting}, s.Reason))
		}
	}
	for _, f := range t.Findings {
		if f.Worse {
			worse = append(worse, f.Reason)
		} else {
			better = append(better, f.Reason)
		}
	}
	switch {
	case len(worse) > 0:
		t.Verdict, t.Reason = verdict.Fail, strings.Join(append(worse, better...), "; ")
	case len(gone) > 0:
		t.Verdict, t.Reason = verdict.Inconc, strings.Join(gone, "; ")
	case !told:
		t.Verdict, t.Reason = verdict.Inconc, fmt.Sprintf("%s; it takes %d of the baseline and one more", number(len(t.Nights), "night"), t.Baseline)
	case len(better) > 0:
		t.Verdict, t.Reason = verdict.Pass, strings.Join(better, "; ")
	default:
		t.Verdict, t.Reason = verdict.Pass, fmt.Sprintf("no change is shown in %d series", len(t.Series))
	}
}
