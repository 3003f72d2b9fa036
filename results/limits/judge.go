package limits

import (
	"fmt"
	"math"
	"strings"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/timeline"
)

// Judge judges a run by a limits file; f may be unresolved or nil.
//
// With confidence C a limit passes if the one-sided confidence bound at C is on
// its good side, and fails if the opposite bound at C is on its bad side; in
// between the run is too short to tell, and the result says how many trials
// would do. Without confidence the value itself is held against the limit, and
// is inconclusive within a guard band of 1.645 standard uncertainties
// (ISO 14253-1:2017 for one limit and 95 %; JCGM 106). Counts have no guard
// band. A limit is inconclusive at best if the run has nothing on its measure,
// or more inconclusive trials than the file allows.
//
// The run's verdict is what TTCN-3's overwriting rule leaves of the limits'. A
// failed trial is a matter for the measures that count it: if no limit is set
// on them, it does not fail the run. Only if the file has no limits at all do
// the trials' own verdicts decide. A trip or an interruption makes the run an
// error.
func Judge(set *measure.Set, f *File, h timeline.Header) Judgement {
	if f == nil {
		f = &File{}
	}
	j := Judgement{}
	for _, l := range f.Resolve(h.Device).Limits {
		r := judgeLimit(set, l, f.AllowInconc)
		j.Verdict = j.Verdict.Overwrite(r.Verdict)
		j.Results = append(j.Results, r)
	}
	if len(j.Results) == 0 {
		return withError(set, byTrials(set))
	}
	j.Reason = reason(j)
	return withError(set, j)
}

// byTrials judges a run by its trials alone.
func byTrials(set *measure.Set) Judgement {
	j := Judgement{}
	count := map[verdict.Verdict]int{}
	for _, t := range set.Trials {
		j.Verdict = j.Verdict.Overwrite(t.Verdict)
		count[t.Verdict]++
	}
	j.Reason = fmt.Sprintf("No limits were given; of %s %d failed and %d were inconclusive.",
		number(len(set.Trials), "trial"), count[verdict.Fail], count[verdict.Inconc])
	if len(set.Trials) == 0 {
		j.Reason = "No limits were given and no trials made."
	}
	return j
}

// withError lets trips and interruptions overrule.
func withError(set *measure.Set, j Judgement) Judgement {
	switch {
	case len(set.Trips) > 0:
		j.Verdict, j.Reason = verdict.Error, fmt.Sprintf("An interlock tripped: %s.", sentence(set.Trips[0]))
	case set.Interrupted != "":
		j.Verdict, j.Reason = verdict.Error, fmt.Sprintf("The run was cut short: %s.", sentence(set.Interrupted))
	}
	return j
}

// sentence takes a stop off the end, so that one can be put.
func sentence(s string) string { return strings.TrimRight(s, ". \n") }

// reason names the limit that decides: of those with the run's verdict the one
// with the least margin for its size.
func reason(j Judgement) string {
	worst, least := -1, math.Inf(1)
	for i, r := range j.Results {
		if r.Verdict != j.Verdict {
			continue
		}
		m := math.Inf(1)
		if r.HasBound && r.Limit.Value != 0 {
			m = r.Margin / math.Abs(float64(r.Limit.Value))
		}
		if worst < 0 || m < least {
			worst, least = i, m
		}
	}
	w := j.Results[worst]
	switch {
	case j.Verdict == verdict.Pass && len(j.Results) == 1:
		return fmt.Sprintf("The limit %q is met: %s.", w.Limit.Text, sentence(w.Reason))
	case j.Verdict == verdict.Pass:
		return fmt.Sprintf("All %d limits are met; the closest is %q: %s.", len(j.Results), w.Limit.Text, sentence(w.Reason))
	}
	return fmt.Sprintf("Limit %q: %s.", w.Limit.Text, sentence(w.Reason))
}

// judgeLimit judges one limit.
func judgeLimit(set *measure.Set, l Limit, allowInconc float64) Result {
	r := Result{Limit: l}
	m := set.Find(l.Measure)
	rule, known := ruleFor(l.Measure)
	switch {
	case m == nil || !known:
		return r.inconc("the run has nothing on %s", l.Measure)
	case l.Periods != 0 && l.Value == 0:
		return r.inconc("the DUT's profile gives no period to hold %s against", l.Measure)
	}
	j := judging{Result: r, m: m, rule: rule}
	switch {
	case m.Kind == measure.Samples:
		j.samples()
	case m.Kind == measure.Single:
		j.single()
	case m.Kind == measure.Curve:
		j.curve()
	case l.Unit == rig.Level:
		j.count()
	case m.Kind == measure.Proportion:
		j.share()
	default:
		j.rate()
	}
	j.allow(allowInconc)
	return j.Result
}

// inconc returns the result with that verdict.
func (r Result) inconc(reason string, args ...any) Result {
	r.Verdict, r.Reason = verdict.Inconc, fmt.Sprintf(reason, args...)
	return r
}

// judging is one limit being judged.
type judging struct {
	Result
	m    *measure.Measure
	rule rule
}

// upper tells whether the limit is an upper one.
func (j *judging) upper() bool { return j.Limit.Op[0] == '<' }

// good tells whether a value in the limit's unit is on the limit's good side.
func (j *judging) good(v float64) bool {
	limit := float64(j.Limit.Value)
	if j.Limit.Unit == rig.Hertz {
		v = math.Floor(v + 1e-6) // as limits are cut to whole nanohertz
	}
	switch j.Limit.Op {
	case "<":
		return v < limit
	case "<=":
		return v <= limit
	case ">":
		return v > limit
	}
	return v >= limit
}

// say sets verdict and reason.
func (j *judging) say(v verdict.Verdict, reason string, args ...any) {
	j.Verdict, j.Reason = v, fmt.Sprintf(reason, args...)
}

// value and bound keep a number that exists.
func (j *judging) value(v float64) {
	j.Value, j.HasValue = v, !math.IsInf(v, 0)
	if !j.HasValue {
		j.Value = 0
	}
}

func (j *judging) bound(b float64) {
	if math.IsInf(b, 0) {
		return
	}
	j.Bound, j.HasBound = b, true
	j.Margin = float64(j.Limit.Value) - b
	if !j.upper() {
		j.Margin = -j.Margin
	}
}

// decide holds the worst that the value can be and the best against the limit,
// and keeps the one that decided as the bound.
func (j *judging) decide(worst, best float64) verdict.Verdict {
	switch {
	case j.good(worst):
		j.bound(worst)
		return verdict.Pass
	case !j.good(best):
		j.bound(best)
		return verdict.Fail
	}
	j.bound(worst)
	return verdict.Inconc
}

// allow makes a pass inconclusive if too many trials were.
func (j *judging) allow(share float64) {
	n := j.m.N
	switch {
	case j.m.Summary != nil:
		n = j.m.Summary.N
	case j.m.Kind == measure.Samples:
		n = len(j.m.Samples)
	}
	all := n + j.m.Inconc
	if j.Verdict != verdict.Pass || float64(j.m.Inconc) <= share*float64(all) {
		return
	}
	why := ""
	if len(j.m.Why) > 0 {
		why = ": " + j.m.Why[0]
	}
	j.say(verdict.Inconc, "%d of %d were inconclusive, more than the %s allowed%s; the rest would pass: %s",
		j.m.Inconc, all, percentText(share), why, j.Reason)
}

// nothing sets the result of a measure without a single value.
func (j *judging) nothing() {
	why := "there was nothing to measure"
	if len(j.m.Why) > 0 {
		why = j.m.Why[0]
	}
	j.say(verdict.Inconc, "no %s could be measured: %s", j.Limit.Measure, why)
}
