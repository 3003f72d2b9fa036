package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"drench/results/measure"
	"drench/results/stats"
	"drench/results/verdict"
	"drench/rig"
)

// Defaults of Options.
const (
	defaultQ          = 0.05
	defaultConfidence = 0.90
)

// filled returns the options with defaults for what is 0.
func (o Options) filled() Options {
	if o.Q == 0 {
		o.Q = defaultQ
	}
	if o.Confidence == 0 {
		o.Confidence = defaultConfidence
	}
	return o
}

func (o Options) wants(name string) bool { return len(o.Only) == 0 || slices.Contains(o.Only, name) }

// Runs compares runs with a baseline: each scenario with itself, setting by
// setting, all runs of a side together. If both sides have a scenario with one
// setting each, these two are compared although they differ. Runs that ended as
// errors are left out, and said to be.
//
// Each measure that both sides have gets a word:
//   - same, if the interval of the difference lies within the margins;
//   - else worse or better, if its adjusted p-value is at most Q;
//   - else can't tell.
//
// Same is the test of Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15
// (1987) 657; p-values are adjusted over all measures of the comparison by
// stats.BenjaminiHochberg.
func Runs(base, now []Run, o Options) Comparison {
	o = o.filled()
	c := Comparison{Q: o.Q, Confidence: o.Confidence}
	base, now = c.sound(base), c.sound(now)
	var counts []bool // whether it matters that a measure can't be told
	for _, p := range c.pairs(base, now) {
		c.marginless(p)
		for _, m := range Margins() {
			if d, ok := c.difference(p, m, o); ok {
				c.Differences = append(c.Differences, d)
				counts = append(counts, limited(m.Measure, p.now) || limited(m.Measure, p.base))
			}
		}
	}
	c.adjust()
	for i := range c.Differences {
		c.Differences[i].decide(o)
	}
	c.conclude(counts)
	return c
}

// sound leaves out runs that the rig ended as errors.
func (c *Comparison) sound(runs []Run) []Run {
	var kept []Run
	for _, r := range runs {
		if r.Verdict == verdict.Error {
			c.note("run %d of %s is left out: it ended as an error (%s)", r.ID, r.Scenario, r.Reason)
			continue
		}
		kept = append(kept, r)
	}
	return kept
}

func (c *Comparison) note(format string, args ...any) {
	c.Notes = append(c.Notes, fmt.Sprintf(format, args...))
}

// place is a scenario with a setting.
type place struct{ scenario, setting string }

func (p place) String() string {
	if p.setting == "" {
		return p.scenario
	}
	return p.scenario + ", " + p.setting
}

// pair is what is compared with what.
type pair struct {
	place
	base, now []Run
}

// places lists the scenarios and settings of runs, in order of name.
func places(runs []Run) []place {
	var list []place
	for _, r := range runs {
		if p := (place{r.Scenario, r.Setting}); !slices.Contains(list, p) {
			list = append(list, p)
		}
	}
	slices.SortFunc(list, func(a, b place) int {
		if c := strings.Compare(a.scenario, b.scenario); c != 0 {
			return c
		}
		return strings.Compare(a.setting, b.setting)
	})
	return list
}

func at(p place, runs []Run) []Run {
	var list []Run
	for _, r := range runs {
		if r.Scenario == p.scenario && r.Setting == p.setting {
			list = append(list, r)
		}
	}
	return list
}

// settings lists the places of one scenario.
func settings(scenario string, all []place) []place {
	var list []place
	for _, p := range all {
		if p.scenario == scenario {
			list = append(list, p)
		}
	}
	return list
}

// pairs finds what to compare with what, and notes what has no partner.
func (c *Comparison) pairs(base, now []Run) []pair {
	left, right := places(base), places(now)
	var list []pair
	for _, p := range right {
		partner := p
		if a, b := settings(p.scenario, left), settings(p.scenario, right); len(a) == 1 && len(b) == 1 && a[0] != p {
			partner = a[0]
			c.note("%s is compared with %s of the baseline", p, partner)
		}
		if !slices.Contains(left, partner) {
			c.note("%s is not in the baseline", p)
			continue
		}
		q := pair{p, at(partner, base), at(p, now)}
		c.unlike(q)
		list = append(list, q)
	}
	for _, p := range left {
		if len(settings(p.scenario, right)) == 0 || len(settings(p.scenario, left)) > 1 && !slices.Contains(right, p) {
			c.note("%s is in the baseline only", p)
		}
	}
	return list
}

// unlike notes what else differs between the sides.
func (c *Comparison) unlike(p pair) {
	for _, x := range []struct {
		what string
		of   func(Run) string
	}{
		{"scripts", func(r Run) string { return r.Script }},
		{"devices", func(r Run) string { return r.DUT }},
	} {
		first := x.of(p.base[0])
		if slices.ContainsFunc(slices.Concat(p.base, p.now), func(r Run) bool { return x.of(r) != first }) {
			c.note("%s: the runs have different %s, which a difference may come from", p.place, x.what)
		}
	}
}

// marginless notes measures that have no margin, and so are not compared.
func (c *Comparison) marginless(p pair) {
	var names []string
	for _, r := range slices.Concat(p.base, p.now) {
		for _, m := range r.Measures {
			_, ok := marginOf(m.Name)
			if !ok && m.Name != measure.ExpiredCals && !slices.Contains(names, m.Name) {
				names = append(names, m.Name)
			}
		}
	}
	if len(names) > 0 {
		c.note("%s: not compared, as there is no margin for it: %s", p.place, list(names))
	}
}

// difference compares one measure; false if there is nothing to compare it
// with. One that only the baseline has can't be told: a device that has stopped
// altogether must not look as good as before.
func (c *Comparison) difference(p pair, m Margin, o Options) (Difference, bool) {
	base, now := found(m.Measure, p.base), found(m.Measure, p.now)
	switch {
	case !o.wants(m.Measure) || len(base)+len(now) == 0:
		return Difference{}, false
	case len(base) == 0:
		c.note("%s: the baseline has nothing on %s", p.place, m.Measure)
		return Difference{}, false
	}
	d := Difference{Scenario: p.scenario, Setting: p.setting, Measure: m.Measure, Kind: m.Kind, Unit: m.Unit, LowerWorse: m.LowerWorse}
	d.Margin, d.MarginWhy = m.resolve(o, slices.Concat(p.base, p.now))
	if len(now) == 0 {
		d.Base.Runs, d.Reason = len(base), "only the baseline has it"
		return d, true
	}
	e, err := estimating{base, now, m, d.Margin, o.Confidence}.estimate(m.Kind)
	if err != nil {
		e.why, e.bounded, e.tested = err.Error(), false, false
	}
	e.base.Runs, e.now.Runs = len(base), len(now)
	d.Base, d.Now, d.Diff, d.HasDiff, d.Method, d.Notes = e.base, e.now, e.diff, e.bounded || e.tested, e.method, e.notes
	d.Needed, d.NeededTime, d.Reason = e.needed, e.watch, e.why
	if e.bounded {
		d.Interval = &e.interval
	}
	if e.tested {
		p := min(e.p, 1)
		d.P = &p
	}
	if a, b := base.uncertainty(), now.uncertainty(); m.Kind == measure.Samples && min(a, b) > 0 && max(a, b) > 1.5*min(a, b) {
		d.Notes = append(d.Notes, fmt.Sprintf("one value has a standard uncertainty of %s now, of %s before: what other instruments or other signs of water are off by is taken for a difference",
			Format(b, m.Unit), Format(a, m.Unit)))
	}
	if n := inconclusive(base) + inconclusive(now); n > 0 {
		d.Notes = append(d.Notes, fmt.Sprintf("%s could not contribute", number(n, "inconclusive trial")))
	}
	return d, true
}

// uncertainty is the greatest standard uncertainty of a sample.
func (g group) uncertainty() float64 {
	u := int64(0)
	for _, m := range g {
		for _, s := range m.Samples {
			u = max(u, s.U)
		}
	}
	return float64(u)
}

func inconclusive(g group) int {
	n := 0
	for _, m := range g {
		n += m.Inconc
	}
	return n
}

// adjust fills in the q-values, over all measures that have a p-value.
func (c *Comparison) adjust() {
	var p []float64
	for _, d := range c.Differences {
		if d.P != nil {
			p = append(p, *d.P)
		}
	}
	q, err := stats.BenjaminiHochberg(p)
	if err != nil { // there is none
		return
	}
	for i := range c.Differences {
		if d := &c.Differences[i]; d.P != nil {
			d.Q, q = &q[0], q[1:]
		}
	}
}

// within tells whether the interval lies inside the margins.
func (d *Difference) within() bool {
	return d.Interval != nil && d.Interval.Lower >= -d.Margin && d.Interval.Upper <= d.Margin
}

// NotWorse tells whether the interval rules out that the measure got worse by
// more than its margin.
func (d *Difference) NotWorse() bool {
	if d.Interval == nil {
		return false
	}
	if d.LowerWorse {
		return d.Interval.Lower >= -d.Margin
	}
	return d.Interval.Upper <= d.Margin
}

// shown tells whether a difference is shown.
func (d *Difference) shown(q float64) bool { return d.Q != nil && *d.Q <= q && d.Diff != 0 }

// decide finds the word, and says why.
func (d *Difference) decide(o Options) {
	lacking := d.Reason
	switch {
	case d.within():
		d.Word = Same
	case d.shown(o.Q) && (d.Diff > 0) != d.LowerWorse:
		d.Word = Worse
	case d.shown(o.Q):
		d.Word = Better
	default:
		d.Word = CantTell
	}
	if d.Word != CantTell {
		d.Needed, d.NeededTime = 0, 0
	}
	d.Reason = d.sentence(o.Q, lacking)
}

func (d *Difference) sentence(q float64, lacking string) string {
	var s strings.Builder
	fmt.Fprintf(&s, "%s, was %s", orNothing(d.Now.Text), orNothing(d.Base.Text))
	if d.HasDiff {
		fmt.Fprintf(&s, ": %s", signed(d.Diff, d.Unit))
	}
	if d.Interval != nil {
		fmt.Fprintf(&s, " (%s)", d.Interval.between(d.Unit))
	}
	margin := Format(d.Margin, d.Unit)
	switch {
	case d.Word == Same && d.shown(q):
		fmt.Fprintf(&s, "; a difference is shown (q %s), but lies within the margin %s", chance(*d.Q), margin)
	case d.Word == Same:
		fmt.Fprintf(&s, "; within the margin %s", margin)
	case d.Word != CantTell:
		fmt.Fprintf(&s, "; p %s, q %s", chance(*d.P), chance(*d.Q))
		if d.Interval != nil && math.Min(math.Abs(d.Interval.Lower), math.Abs(d.Interval.Upper)) <= d.Margin {
			fmt.Fprintf(&s, "; it may be within the margin %s", margin)
		}
	case lacking != "":
		fmt.Fprintf(&s, "; %s", lacking)
	case d.NotWorse():
		fmt.Fprintf(&s, "; no difference is shown, and it is not worse by more than the margin %s", margin)
	default:
		fmt.Fprintf(&s, "; no difference is shown, and the interval goes beyond the margin %s", margin)
	}
	return s.String() + d.more()
}

// more says what it would take to tell.
func (d *Difference) more() string {
	what := "trials"
	switch {
	case d.Measure == measure.BeatGap:
		what = "heartbeats"
	case d.Kind == measure.Single && d.Word == CantTell && d.Interval != nil:
		return "; its uncertainty is too large, and more trials do not help"
	}
	switch {
	case d.NeededTime > 0:
		return fmt.Sprintf("; about %s a side would tell", Format(float64(d.NeededTime), rig.Second))
	case d.Needed > 0:
		return fmt.Sprintf("; about %d %s a side would tell", d.Needed, what)
	}
	return ""
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// conclude finds the verdict. That a measure can't be told matters if a limit
// is set on it, and if it may have got worse by more than its margin.
func (c *Comparison) conclude(counts []bool) {
	words := map[Word][]string{}
	var open []string
	for i := range c.Differences {
		d := &c.Differences[i]
		name := c.named(d)
		words[d.Word] = append(words[d.Word], name)
		if d.Word == CantTell && counts[i] && !d.NotWorse() {
			open = append(open, name)
		}
	}
	switch {
	case len(c.Differences) == 0:
		c.Verdict, c.Reason = verdict.Inconc, "there is nothing that both sides have"
	case len(words[Worse]) > 0:
		c.Verdict, c.Reason = verdict.Fail, "worse: "+list(words[Worse])
	case len(open) > 0:
		c.Verdict, c.Reason = verdict.Inconc, "no regression is shown, but it can't be told for "+few(open)
	case len(words[Same])+len(words[Better]) == 0:
		c.Verdict, c.Reason = verdict.Inconc, "no regression is shown, but nothing can be told for sure"
	default:
		c.Verdict, c.Reason = verdict.Pass, fmt.Sprintf("no regression: %d the same, %d better", len(words[Same]), len(words[Better]))
		if n := len(words[CantTell]); n > 0 {
			c.Reason += fmt.Sprintf("; %d more that can't be told have no limit, or are not worse by more than their margin", n)
		}
	}
}

// named is a measure with its scenario, if there are several.
func (c *Comparison) named(d *Difference) string {
	first := c.Differences[0]
	if slices.ContainsFunc(c.Differences, func(x Difference) bool { return x.Scenario != first.Scenario || x.Setting != first.Setting }) {
		return fmt.Sprintf("%s (%s)", d.Measure, place{d.Scenario, d.Setting})
	}
	return d.Measure
}
