package limits

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"drench/results/measure"
	"drench/rig"
	"drench/rig/mistake"
)

// Parse reads a limits file. Each line holds one limit,
//
//	MEASURE [STATISTIC] OP VALUE [UNIT] [with C % confidence]
//
// or "allow P % inconc", or nothing; # begins a comment. The error, if any, is
// of type Errors and holds all that is wrong.
//
// The statistic is pNN (a quantile), max, min, mean or sd. Counts and shares
// have none. A value without unit is a count. Confidence is one-sided, above 50
// and below 100; it suits quantiles, shares and rates.
func Parse(name string, text []byte) (*File, error) {
	p := &parser{file: &File{Name: name}}
	for i, line := range strings.Split(string(text), "\n") {
		p.number = i + 1
		p.line(line)
	}
	if len(p.errs) > 0 {
		return nil, p.errs
	}
	return p.file, nil
}

type parser struct {
	file    *File
	errs    Errors
	number  int // of the line
	allowed int // line of "allow", 0 before
}

// word is a piece of a line with its column, in characters from 1.
type word struct {
	text string
	col  int
}

var wordPattern = regexp.MustCompile(`[<>=!]+|[^\s<>=!]+`)

func words(line string) []word {
	var list []word
	col, end := 1, 0
	for _, m := range wordPattern.FindAllStringIndex(line, -1) {
		col += utf8.RuneCountInString(line[end:m[0]])
		list = append(list, word{line[m[0]:m[1]], col})
		end = m[0]
	}
	return list
}

func join(w []word) string {
	text := make([]string, len(w))
	for i := range w {
		text[i] = w[i].text
	}
	return strings.Join(text, " ")
}

// fail notes an error at a word.
func (p *parser) fail(w word, want, what string, args ...any) {
	p.errs = append(p.errs, Error{File: p.file.Name, Line: p.number, Col: w.col, What: fmt.Sprintf(what, args...), Want: want})
}

func (p *parser) line(line string) {
	line, _, _ = strings.Cut(line, "#")
	line = strings.TrimRight(line, " \t\r")
	w := words(line)
	switch {
	case len(w) == 0:
	case w[0].text == "allow":
		p.allow(w)
	default:
		p.limit(w, strings.TrimSpace(line), len([]rune(line))+1)
	}
}

var percent = regexp.MustCompile(`^([0-9]{1,3}(?:\.[0-9]{1,6})?) ?%$`)

// share reads "P %".
func share(s string) (float64, bool) {
	m := percent.FindStringSubmatch(s)
	if m == nil {
		return 0, false
	}
	v, err := strconv.ParseFloat(m[1], 64)
	return v, err == nil
}

func (p *parser) allow(w []word) {
	last := len(w) - 1
	if last < 2 || w[last].text != "inconc" {
		p.fail(w[0], `"allow 5 % inconc"`, "%s can't be read", mistake.Quote(join(w)))
		return
	}
	v, ok := share(join(w[1:last]))
	switch {
	case !ok || v >= 100:
		p.fail(w[1], "a share from 0 % to below 100 %", "%s is not such a share", mistake.Quote(join(w[1:last])))
	case p.allowed > 0:
		p.fail(w[0], "it once", "inconclusive trials are allowed twice, first in line %d", p.allowed)
	default:
		p.file.AllowInconc, p.allowed = v/100, p.number
	}
}

// limit reads a line in its three parts, so that each can complain.
func (p *parser) limit(w []word, text string, end int) {
	op := 0
	for op < len(w) && !strings.ContainsAny(w[op].text, "<>=!") {
		op++
	}
	with := op
	for with < len(w) && w[with].text != "with" {
		with++
	}
	if op == len(w) {
		p.noComparison(w, end)
		return
	}
	before := len(p.errs)
	l := Limit{Line: p.number, Text: strings.Join(strings.Fields(text), " ")}
	r := p.subject(&l, w[:op])
	l.Confidence = p.confidence(w[with:])
	p.operator(&l, r, w[op])
	if with == op+1 {
		p.fail(word{"", w[op].col + len(w[op].text)}, "a value", "nothing to compare with")
		return
	}
	if r.Name == "" {
		return
	}
	p.value(&l, r, w[op+1], join(w[op+1:with]))
	if len(p.errs) == before && with < len(w) {
		p.suits(l, w[with])
	}
	if len(p.errs) == before {
		p.keep(l, w[0])
	}
}

// noComparison says where the comparison of a line without one should stand.
func (p *parser) noComparison(w []word, end int) {
	_, n := longest(w)
	if n == 0 {
		p.unknown(w)
		return
	}
	if n < len(w) && isStatistic(w[n].text) {
		n++
	}
	if n < len(w) {
		end = w[n].col
	}
	p.fail(word{"", end}, "<, <=, > or >= and a value", "the limit has no comparison")
}

var quantile = regexp.MustCompile(`^p([0-9]{1,2}(?:\.[0-9]{1,3})?)$`)

// probability returns NN/100 of a statistic pNN.
func probability(statistic string) (float64, bool) {
	m := quantile.FindStringSubmatch(statistic)
	if m == nil {
		return 0, false
	}
	v, err := strconv.ParseFloat(m[1], 64)
	return v / 100, err == nil && v > 0
}

func isStatistic(s string) bool {
	_, q := probability(s)
	return q || s == "max" || s == "min" || s == "mean" || s == "sd"
}

// subject reads measure and statistic.
func (p *parser) subject(l *Limit, w []word) rule {
	if len(w) == 0 {
		p.fail(word{"", 1}, "a measure such as latency before the comparison", "the limit names no measure")
		return rule{}
	}
	r, n := longest(w)
	if n == 0 {
		p.unknown(w)
		return rule{}
	}
	l.Measure = r.Name
	switch rest := w[n:]; {
	case len(rest) > 1:
		p.fail(rest[1], "a comparison", "%s after the statistic can't be read", mistake.Quote(join(rest[1:])))
	case len(rest) == 1:
		p.statistic(l, r, rest[0])
	case r.Kind == measure.Samples && r.byDefault == "":
		p.fail(word{"", w[n-1].col + len([]rune(w[n-1].text)) + 1}, "p95 or max, say", "%s needs a statistic", r.Name)
	case r.Kind == measure.Curve:
		p.fail(word{"", w[n-1].col + len([]rune(w[n-1].text)) + 1}, "p90, say", "%s needs a quantile", r.Name)
	case r.Kind == measure.Samples:
		l.Statistic = r.byDefault
	}
	return r
}

// unknown complains about words that no measure begins.
func (p *parser) unknown(w []word) {
	if isStatistic(w[0].text) {
		p.fail(w[0], "a measure such as latency before it", "the limit names no measure")
		return
	}
	name := join(w)
	if k := len(w) - 1; k > 0 && isStatistic(w[k].text) {
		name = join(w[:k])
	}
	p.fail(w[0], nearest(name), "unknown measure %s", mistake.Quote(name))
}

// longest finds the measure that the words begin with.
func longest(w []word) (best rule, n int) {
	for _, r := range rules() {
		k := len(strings.Fields(r.Name))
		if k > n && k <= len(w) && join(w[:k]) == r.Name {
			best, n = r, k
		}
	}
	return best, n
}

func (p *parser) statistic(l *Limit, r rule, w word) {
	_, q := probability(w.text)
	switch {
	case r.Kind == measure.Curve && !q:
		p.fail(w, "p1 to p99.999", "%s is a fitted curve and has quantiles only, not %s", r.Name, mistake.Quote(w.text))
	case r.Kind != measure.Samples && r.Kind != measure.Curve:
		p.fail(w, "the comparison", "%s is one number and takes no statistic, not %s", r.Name, mistake.Quote(w.text))
	case q && r.summed:
		p.fail(w, "max, min, mean or sd", "%s is summed up as it comes and has no quantiles", r.Name)
	case !isStatistic(w.text):
		p.fail(w, "p1 to p99.999, max, min, mean or sd", "unknown statistic %s", mistake.Quote(w.text))
	default:
		l.Statistic = w.text
	}
}

func (p *parser) operator(l *Limit, r rule, w word) {
	counted := r.Kind == measure.Proportion || r.Kind == measure.Events
	switch l.Op = w.text; {
	case l.Op != "<" && l.Op != "<=" && l.Op != ">" && l.Op != ">=":
		p.fail(w, "<, <=, > or >=", "unknown comparison %s", mistake.Quote(w.text))
	case counted && l.Op[0] == '>':
		p.fail(w, "< or <=", "%s counts what went wrong and has no lower limit", r.Name)
	}
}

var (
	count   = regexp.MustCompile(`^[0-9]{1,9}$`)
	integer = regexp.MustCompile(`^-?[0-9]{1,9}$`)
	periods = regexp.MustCompile(`^([0-9]{1,6}(?:\.[0-9]{1,6})?) ?periods?$`)
)

// value reads the number with its unit.
func (p *parser) value(l *Limit, r rule, at word, text string) {
	counted := r.Kind == measure.Proportion || r.Kind == measure.Events
	if counted && count.MatchString(text) || r.Unit == rig.Level && integer.MatchString(text) {
		l.Value, _ = strconv.ParseInt(text, 10, 64)
		l.Unit = rig.Level
		return
	}
	want := wanted(r)
	if m := periods.FindStringSubmatch(text); m != nil && r.periods != noClock {
		l.Periods, _ = strconv.ParseFloat(m[1], 64)
		l.Unit = rig.Second
		if l.Periods == 0 {
			p.fail(at, want, "0 periods is no limit")
		}
		return
	}
	q, err := rig.ParseQuantity(text)
	switch {
	case r.Unit == rig.Level || counted && r.countOnly:
		p.fail(at, want, "%s is not a whole number", mistake.Quote(text))
	case err != nil:
		p.fail(at, want, "%s can't be read as a value", mistake.Quote(text))
	case q.Unit != r.Unit:
		p.fail(at, want, "%s has the wrong unit for %s", mistake.Quote(text), r.Name)
	case q.N < 0:
		p.fail(at, want, "%s is never negative", r.Name)
	case q.Unit == rig.Proportion && q.N > 1e9:
		p.fail(at, want, "%s is more than all", mistake.Quote(text))
	default:
		l.Value, l.Unit = q.N, q.Unit
	}
}

// wanted shows how a value of the measure is written.
func wanted(r rule) string {
	s := fmt.Sprintf("a value such as %q", r.Unit.Example())
	switch {
	case r.Unit == rig.Level || r.countOnly:
		return `a number such as "0"`
	case r.Kind == measure.Proportion, r.Kind == measure.Events:
		return s + ` or a count such as "0"`
	case r.periods == sampling:
		return s + ` or "1.2 periods" of sampling`
	case r.periods == beat:
		return s + ` or "1.2 periods" of the heartbeat`
	}
	return s
}

// confidence reads "with C % confidence" and returns C.
func (p *parser) confidence(w []word) float64 {
	if len(w) == 0 {
		return 0
	}
	last := len(w) - 1
	c, ok := share(join(w[1:max(last, 1)]))
	switch {
	case !ok || w[last].text != "confidence":
		p.fail(w[0], `"with 95 % confidence"`, "%s can't be read", mistake.Quote(join(w)))
	case c <= 50 || c >= 100:
		p.fail(w[1], "a value above 50 % and below 100 %", "a confidence of %v %% shows nothing", c)
	}
	return c
}

// suits tells whether a confidence makes sense with the limit.
func (p *parser) suits(l Limit, at word) {
	_, q := probability(l.Statistic)
	switch {
	case l.Unit == rig.Level && l.Statistic == "":
		p.fail(at, "a share such as \"5 %\" or a rate such as \"0.1 per h\", or no confidence", "a count holds for this run only and has no confidence")
	case l.Unit == rig.Proportion || l.Unit == rig.Hertz:
		if l.Value == 0 {
			p.fail(at, fmt.Sprintf("a value above 0, or \"%s <= 0\" without confidence", l.Measure), "no number of trials shows that it is 0")
		} else if l.Unit == rig.Proportion && l.Value >= 1e9 {
			p.fail(at, "a share below 100 %", "a share of all always holds")
		}
	case l.Statistic == "":
		p.fail(at, "no confidence", "%s is one value and has no confidence; its uncertainty makes a guard band", l.Measure)
	case !q:
		p.fail(at, "a quantile such as p95, or no confidence", "the %s of a sample has no confidence that needs no law", l.Statistic)
	}
}

// keep adds the limit unless it was given before.
func (p *parser) keep(l Limit, at word) {
	for _, old := range p.file.Limits {
		if old.Measure == l.Measure && old.Statistic == l.Statistic && old.Op[0] == l.Op[0] && old.Unit == l.Unit {
			p.fail(at, "each limit once", "%s is limited twice, first in line %d", strings.TrimSpace(l.Measure+" "+l.Statistic), old.Line)
			return
		}
	}
	p.file.Limits = append(p.file.Limits, l)
}

// nearest names the measure that s may have meant, or all of them.
func nearest(s string) string {
	var all []string
	for _, r := range rules() {
		all = append(all, r.Name)
	}
	if best := mistake.Nearest(s, all, len(s)/2); best != "" { // further off it is another word
		return fmt.Sprintf("a measure such as %q", best)
	}
	return "one of " + strings.Join(all, ", ")
}
