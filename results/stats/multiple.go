package stats

import (
	"cmp"
	"fmt"
	"slices"
)

// BenjaminiHochberg returns the adjusted p-values of a family of tests, in the
// order given: rejecting those up to q keeps the expected share of false
// rejections at or below q, for independent (or positively dependent) tests.
//
// Source: Benjamini and Hochberg, JRSS B 57 (1995) 289; adjusted values
// min over k >= i of p_(k) m/k, as R's p.adjust.
//
// It is an error if p is empty or holds a value outside [0, 1].
func BenjaminiHochberg(p []float64) ([]float64, error) {
	if err := checkAtLeast("the number of values in p", len(p), 1); err != nil {
		return nil, err
	}
	for i, v := range p {
		if !(v >= 0 && v <= 1) {
			return nil, fmt.Errorf("stats: p[%d] is %v; expected a value from 0 to 1", i, v)
		}
	}
	byP := make([]int, len(p))
	for i := range byP {
		byP[i] = i
	}
	slices.SortStableFunc(byP, func(i, j int) int { return cmp.Compare(p[i], p[j]) })
	adjusted := make([]float64, len(p))
	least := 1.0
	for k := len(p); k >= 1; k-- {
		i := byP[k-1]
		least = min(least, p[i]*(float64(len(p))/float64(k)))
		adjusted[i] = least
	}
	return adjusted, nil
}
