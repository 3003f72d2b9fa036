package limits

import (
	"fmt"
	"strings"
	"time"

	"drench/results/measure"
	"drench/results/stats"
	"drench/rig"
)

// Need says what a limit takes before a run can show it.
type Need struct {
	Limit   Limit `json:"limit"`
	Needed  int   `json:"needed"`  // trials at least, 0: no such number
	Planned int   `json:"planned"` // trials that feed the measure
	// Exposure is how long a rate must be watched, without an event.
	Exposure time.Duration `json:"exposure,omitempty"`
	Text     string        `json:"text"` // a sentence

	counted bool // trials of a kind feed the measure, so that Planned means something
}

// Short tells whether too few trials are planned.
func (n Need) Short() bool { return n.counted && n.Needed > n.Planned }

// Needs returns, for each limit, the number of trials that it takes, held
// against what is planned. For a quantile that is Wilks's sample size, for a
// share the success run; both assume that no trial goes wrong.
func Needs(f *File, planned map[rig.TrialKind]int) []Need {
	var list []Need
	for _, l := range f.Limits {
		r, ok := ruleFor(l.Measure)
		if !ok {
			continue
		}
		n := Need{Limit: l, counted: len(r.from) > 0}
		for _, k := range r.from {
			n.Planned += planned[k]
		}
		n.fill(r)
		list = append(list, n)
	}
	return list
}

// fewestProbes is how many trials a fitted threshold takes at the least; with
// fewer its interval spans a factor of 3 and more (package adaptive, TestCoverage).
const fewestProbes = 16

func (n *Need) fill(r rule) {
	conf := n.Limit.Confidence / 100
	p, isQuantile := probability(n.Limit.Statistic)
	switch {
	case r.Kind == measure.Curve:
		n.Needed = fewestProbes
		n.Text = fmt.Sprintf("%q takes some %d trials or more, at doses around the threshold; %s.", n.Limit.Text, fewestProbes, n.plan(r))
	case conf == 0 && !n.counted:
		n.Text = fmt.Sprintf("%q takes no trials of its own.", n.Limit.Text)
	case conf == 0 && r.Kind == measure.Events:
		n.Text = fmt.Sprintf("%q takes no number of trials; %s.", n.Limit.Text, n.plan(r))
	case conf == 0:
		n.Needed = 1
		n.Text = fmt.Sprintf("%q takes at least one trial; %s.", n.Limit.Text, n.plan(r))
	case isQuantile:
		if n.Limit.Op[0] == '>' {
			p = 1 - p
		}
		n.quantile(r, p, conf)
	case n.Limit.Unit == rig.Proportion:
		n.share(r, 1-float64(n.Limit.Value)/1e9, conf)
	default:
		n.rate(conf)
	}
}

// plan says what is planned.
func (n *Need) plan(r rule) string {
	if !n.counted {
		return "their number is not planned"
	}
	kinds := make([]string, len(r.from))
	for i, k := range r.from {
		kinds[i] = string(k)
	}
	return fmt.Sprintf("%d %s planned", n.Planned, strings.Join(kinds, " or "))
}

// quantile needs the largest value (the smallest, for a lower limit) to bound
// the quantile; more trials let the k-th largest do.
func (n *Need) quantile(r rule, p, conf float64) {
	size, err := stats.QuantileSampleSize(p, conf, 1)
	if err != nil {
		n.Text = fmt.Sprintf("%q is out of reach: %v.", n.Limit.Text, err)
		return
	}
	n.Needed = size
	n.Text = fmt.Sprintf("%q takes at least %d trials; %s", n.Limit.Text, size, n.plan(r))
	rank, ok := 0, false
	if n.Planned > 0 {
		rank, ok, _ = stats.QuantileUpperRank(n.Planned, p, conf)
	}
	switch k := n.Planned - rank; {
	case !ok:
		n.Text += "."
	case k == 0:
		n.Text += ", every one of which must keep the limit."
	default:
		n.Text += fmt.Sprintf(", of which %d may be beyond it.", k)
	}
}

// share needs a run of successes; more trials may have misses.
func (n *Need) share(r rule, reliability, conf float64) {
	size, err := stats.SuccessRunSize(reliability, conf, 0)
	if err != nil {
		n.Text = fmt.Sprintf("%q is out of reach: %v.", n.Limit.Text, err)
		return
	}
	n.Needed = size
	n.Text = fmt.Sprintf("%q takes at least %d trials without one that goes wrong; %s", n.Limit.Text, size, n.plan(r))
	misses := -1
	for misses < n.Planned {
		if size, err = stats.SuccessRunSize(reliability, conf, misses+1); err != nil || size > n.Planned {
			break
		}
		misses++
	}
	if misses > 0 {
		n.Text += fmt.Sprintf(", of which %d may go wrong", misses)
	}
	n.Text += "."
}

// rate needs time: with no event in T the rate is below -ln(1-C)/T.
func (n *Need) rate(conf float64) {
	perHour, err := stats.GarwoodUpper(0, 1, conf)
	if err != nil {
		n.Text = fmt.Sprintf("%q is out of reach: %v.", n.Limit.Text, err)
		return
	}
	limit := float64(n.Limit.Value) * 3600e-9
	n.Exposure = time.Duration(perHour / limit * float64(time.Hour)).Round(time.Second)
	n.Text = fmt.Sprintf("%q takes at least %v of watching without an event.", n.Limit.Text, rig.Of(n.Exposure))
}
