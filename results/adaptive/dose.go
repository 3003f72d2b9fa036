package adaptive

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"drench/rig/portable"
)

// DosePlan says how a threshold dose is looked for.
type DosePlan struct {
	// Low and High are the smallest and the largest dose that may be given,
	// above 0, in whatever unit. The threshold may lie outside of them by a
	// factor of 2.
	Low, High int64
	// Step, if not 0, makes every dose a whole multiple of it: a drop.
	Step int64
	// Ratio ends the search: once the upper end of the 95 % credible interval of
	// a90 is no more than Ratio times its lower end. 0 for never.
	Ratio float64
	// Least is how many trials are made before it may end.
	Least int
}

// DoseTrial is a dose and whether it was detected.
type DoseTrial struct {
	Dose int64
	Hit  bool
}

// Phase says how a dose was chosen.
type Phase string

// Phases of a search.
const (
	Staircase Phase = "up and down" // until both outcomes were seen, and the course has turned twice
	Model     Phase = "model"       // the dose that is expected to tell most about a90
)

// Advice is what to do next.
type Advice struct {
	Dose    int64 // to give next; 0 when settled
	Settled bool  // a90 is known as closely as the plan asks
	Phase   Phase // of the dose
	// Lower and Upper are the ends of the 95 % credible interval of a90 so far
	// (2.5 % on either side), in the plan's unit.
	Lower, Upper float64
}

// Doses is a plan made ready: what each dose would show for each curve that
// the prior thinks possible. It does not change and may be shared.
type Doses struct {
	plan   DosePlan
	doses  []int64
	curves []curve
	hit    [][]float64 // probability of detection, by dose and curve
	a90    []float64   // its logarithm, by curve
	ranked []int       // curves by that, ascending
}

// The grid of curves that doses are chosen by: a50 from half the smallest dose
// to twice the largest, a90/a50 as NewThreshold has it. Coarser than what a
// threshold is judged by: it only decides where to look next, and when enough
// was seen.
const (
	coarsePlaces = 41
	coarseSlopes = 13
	mostDoses    = 33 // to choose from
	stairs       = 8  // steps of the staircase over all doses
	turns        = 2  // of the staircase before the model takes over
	outer        = 0.025
)

// Doses checks the plan and makes it ready.
func (p DosePlan) Doses() (*Doses, error) {
	switch {
	case p.Low <= 0 || p.High <= p.Low:
		return nil, fmt.Errorf("doses from %d to %d: expected a smallest above 0 and a larger one", p.Low, p.High)
	case p.Step < 0:
		return nil, fmt.Errorf("step is %d: expected 0 or more", p.Step)
	case p.Ratio != 0 && !(p.Ratio > 1):
		return nil, fmt.Errorf("ratio is %v: expected above 1, or 0 for none", p.Ratio)
	}
	d := &Doses{plan: p, doses: p.candidates(), curves: grid(float64(p.Low)/2, float64(p.High)*2, coarsePlaces, coarseSlopes)}
	if len(d.doses) < 3 {
		return nil, fmt.Errorf("between %d and %d lie %d multiples of %d: expected at least 3 doses to choose from", p.Low, p.High, len(d.doses), p.Step)
	}
	for _, x := range d.doses {
		d.hit = append(d.hit, chances(d.curves, x))
	}
	for i, c := range d.curves {
		d.a90, d.ranked = append(d.a90, c.a90), append(d.ranked, i)
	}
	slices.SortStableFunc(d.ranked, func(i, j int) int { return cmp.Compare(d.a90[i], d.a90[j]) })
	return d, nil
}

// candidates are the doses to choose from: evenly spaced by their logarithm,
// each on the grid of the steps.
func (p DosePlan) candidates() []int64 {
	var list []int64
	low, span := portable.Log(float64(p.Low)), portable.Log(float64(p.High)/float64(p.Low))
	for i := range mostDoses {
		x := int64(math.Round(portable.Exp(low + float64(span*float64(i)/(mostDoses-1)))))
		if p.Step > 0 {
			x = (x + p.Step/2) / p.Step * p.Step
		}
		if x >= p.Low && x <= p.High && (len(list) == 0 || x > list[len(list)-1]) {
			list = append(list, x)
		}
	}
	return list
}

// Next returns the next dose.
//
// The search begins as an up-and-down series (Dixon & Mood, JASA 43 (1948)
// 109) from the geometric middle of the doses: one step down after a hit, one
// up after a miss. When it has turned twice, each next dose is that after which
// the variance of ln a90 is expected to be smallest, over a grid of logit curves
// with weights by Bayes' rule (one-step-ahead Bayesian design for a
// function of the parameters: Chaloner & Verdinelli, Statist. Sci. 10 (1995)
// 273, from memory). Ties go to the smaller dose.
//
// It returns an error for a dose that is not above 0.
func (d *Doses) Next(seen []DoseTrial) (Advice, error) {
	for i, t := range seen {
		if t.Dose <= 0 {
			return Advice{}, fmt.Errorf("trial %d: dose is %d: expected above 0", i+1, t.Dose)
		}
	}
	w := weigh(d.curves, seen, d.known)
	var a Advice
	a.Lower, a.Upper = d.interval(w)
	if r := d.plan.Ratio; r > 0 && len(seen) >= max(d.plan.Least, 1) && mixed(seen) && a.Upper <= float64(r*a.Lower) {
		a.Settled = true
		return a, nil
	}
	if i, ok := d.staircase(seen); ok {
		a.Dose, a.Phase = d.doses[i], Staircase
		return a, nil
	}
	a.Dose, a.Phase = d.doses[d.best(w)], Model
	return a, nil
}

// staircase returns the next candidate of the up-and-down series, or false if
// it has turned often enough.
func (d *Doses) staircase(seen []DoseTrial) (int, bool) {
	low, high := portable.Log(float64(d.doses[0])), portable.Log(float64(d.doses[len(d.doses)-1]))
	step := float64((high - low) / stairs)
	at, turned := float64((low+high)/2), 0
	for i, t := range seen {
		if i > 0 && t.Hit != seen[i-1].Hit {
			turned++
		}
		if t.Hit {
			at = math.Max(at-step, low)
		} else {
			at = math.Min(at+step, high)
		}
	}
	return d.nearest(portable.Exp(at)), turned < turns
}

// nearest returns the candidate nearest to a dose.
func (d *Doses) nearest(dose float64) int {
	best := 0
	for i, x := range d.doses {
		if math.Abs(float64(x)-dose) < math.Abs(float64(d.doses[best])-dose) {
			best = i
		}
	}
	return best
}

// known looks a dose up among the candidates; another one is computed.
func (d *Doses) known(dose int64) []float64 {
	for i, x := range d.doses {
		if x == dose {
			return d.hit[i]
		}
	}
	return chances(d.curves, dose)
}

// best returns the candidate after which the variance of ln a90 is expected to
// be smallest.
func (d *Doses) best(w []float64) int {
	var one, two float64 // moments of ln a90
	wy, wyy := make([]float64, len(w)), make([]float64, len(w))
	for i, c := range d.curves {
		wy[i] = float64(w[i] * c.a90)
		wyy[i] = float64(wy[i] * c.a90)
		one, two = one+wy[i], two+wyy[i]
	}
	least, at := math.Inf(1), 0
	for k, p := range d.hit {
		var h0, h1, h2 float64
		for i := range w {
			h0 += float64(w[i] * p[i])
			h1 += float64(wy[i] * p[i])
			h2 += float64(wyy[i] * p[i])
		}
		v := spread(h0, h1, h2) + spread(1-h0, one-h1, two-h2)
		if v < least {
			least, at = v, k
		}
	}
	return at
}

// spread is the variance within an outcome, times its probability.
func spread(p, one, two float64) float64 {
	if p <= 0 {
		return 0
	}
	return two - float64(one*(one/p))
}

// interval returns the 2.5 % and the 97.5 % quantile of a90.
func (d *Doses) interval(w []float64) (lower, upper float64) {
	return portable.Exp(quantile(d.a90, w, d.ranked, outer)), portable.Exp(quantile(d.a90, w, d.ranked, 1-outer))
}
