package adaptive

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"drench/rig/portable"
)

// Threshold is what trials say about the dose that a device detects, as a
// posterior over logit curves of the logarithm of the dose.
type Threshold struct {
	curves []curve
	weight []float64
}

// ErrOneOutcome says that all trials were hits, or all misses: the threshold is
// outside the doses.
var ErrOneOutcome = errors.New("every dose had the same outcome")

// The prior that a threshold is judged by: as Doses has it, but wider, as it
// knows of no plan, and on a finer grid.
const (
	wider      = 4
	finePlaces = 121
	fineSlopes = 21
)

// NewThreshold weighs the trials, in whatever order and however their doses
// were chosen: Bayes' rule does not ask (the likelihood is the same), and the
// coverage of its intervals is in the tests of this package. The prior has ln
// a50 uniform from a quarter of the smallest dose to four times the largest,
// and a90/a50 between 1.05 and 5, with a density in ln ln(a90/a50) that grows
// with a small power of ln(a90/a50).
//
// It returns an error wrapping ErrOneOutcome if there was no hit or no miss,
// or for a dose that is not above 0.
func NewThreshold(trials []DoseTrial) (*Threshold, error) {
	if !mixed(trials) {
		return nil, fmt.Errorf("threshold of %d trials: %w", len(trials), ErrOneOutcome)
	}
	least, most := trials[0].Dose, trials[0].Dose
	for i, t := range trials {
		if t.Dose <= 0 {
			return nil, fmt.Errorf("threshold: trial %d: dose is %d: expected above 0", i+1, t.Dose)
		}
		least, most = min(least, t.Dose), max(most, t.Dose)
	}
	t := &Threshold{curves: grid(float64(least)/wider, float64(most)*wider, finePlaces, fineSlopes)}
	known := make(map[int64][]float64)
	t.weight = weigh(t.curves, trials, func(dose int64) []float64 {
		if known[dose] == nil {
			known[dose] = chances(t.curves, dose)
		}
		return known[dose]
	})
	return t, nil
}

// Dose returns the quantile prob of the posterior of the dose that is detected
// with probability pod, in the trials' unit: prob 0.5 is its median, 0.95 its
// one-sided upper bound with 95 % confidence.
func (t *Threshold) Dose(pod, prob float64) float64 {
	at := portable.Log(pod/(1-pod)) / ln9
	doses := make([]float64, len(t.curves))
	order := make([]int, len(t.curves))
	for i, c := range t.curves {
		doses[i], order[i] = c.a50+float64(at*(c.a90-c.a50)), i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(doses[i], doses[j]) })
	return portable.Exp(quantile(doses, t.weight, order, prob))
}

// quantile of weighted values, each of which has half its weight below it;
// linear in between.
func quantile(v, w []float64, order []int, prob float64) float64 {
	sum, last, lastAt := 0.0, v[order[0]], 0.0
	for _, i := range order {
		mid := sum + float64(w[i]/2)
		if mid >= prob {
			if mid <= lastAt {
				return v[i]
			}
			return last + float64((v[i]-last)*((prob-lastAt)/(mid-lastAt)))
		}
		sum, last, lastAt = sum+w[i], v[i], mid
	}
	return last
}

// curve is a logit curve over the logarithm of the dose, by the logarithms of
// a50 and a90.
type curve struct{ a50, a90 float64 }

// ln9 is the logit of 0.9.
const ln9 = 2.1972245773362196

// at returns the probability of detection at the logarithm of a dose.
func (c curve) at(x float64) float64 {
	return 1 / (1 + portable.Exp(0-float64(ln9*(x-c.a50))/(c.a90-c.a50)))
}

// Slopes that the prior thinks possible, as ln(a90/a50).
const (
	steepest = 0.04879 // a factor of 1.05
	flattest = 1.60944 // a factor of 5
)

// grid spans the prior.
func grid(low, high float64, places, slopes int) []curve {
	from := portable.Log(low)
	span := portable.Log(high) - from
	thin := portable.Log(steepest)
	wide := portable.Log(flattest) - thin
	list := make([]curve, 0, places*slopes)
	for i := range places {
		a50 := from + float64(span*float64(i)/float64(places-1))
		for j := range slopes {
			r := portable.Exp(thin + float64(wide*float64(j)/float64(slopes-1)))
			list = append(list, curve{a50, a50 + r})
		}
	}
	return list
}

// chances returns the probability of detecting a dose under each curve.
func chances(curves []curve, dose int64) []float64 {
	x := portable.Log(float64(dose))
	p := make([]float64, len(curves))
	for i, c := range curves {
		p[i] = c.at(x)
	}
	return p
}

// calibrated is the power of ln(a90/a50) that the prior grows with. Searches that
// end once their interval is narrow end early when the first answers happen to
// look like a steep curve. With a prior uniform in ln ln(a90/a50), a power of 0,
// the intervals of shallow curves then covered 92 to 93 %; with 0.5 they cover
// 93 to 97 % (TestCoverage).
const calibrated = 0.5

// weigh returns the weights of the curves, which add up to 1: the prior times
// the likelihood, one trial after the other.
func weigh(curves []curve, trials []DoseTrial, chances func(dose int64) []float64) []float64 {
	w := make([]float64, len(curves))
	for i, c := range curves {
		w[i] = portable.Pow(c.a90-c.a50, calibrated)
	}
	for _, t := range trials {
		p := chances(t.Dose)
		total := 0.0
		for i := range w {
			if t.Hit {
				w[i] *= p[i]
			} else {
				w[i] *= 1 - p[i]
			}
			total += w[i]
		}
		for i := range w {
			w[i] /= math.Max(total, math.SmallestNonzeroFloat64)
		}
	}
	return w
}

// mixed tells whether there was a hit and a miss.
func mixed(trials []DoseTrial) bool {
	for _, t := range trials {
		if t.Hit != trials[0].Hit {
			return true
		}
	}
	return false
}
