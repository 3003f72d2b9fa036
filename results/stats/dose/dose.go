// Package dose estimates how the probability of detection rises with the
// dose, from hit/miss trials.
//
// The terms are those of MIL-HDBK-1823A (2009): the probability of detection
// (POD) at dose x is F(Intercept + Slope x), a50 and a90 are the doses with
// POD 0.5 and 0.9, and a90/95 is the one-sided 95 % upper confidence bound on
// a90. A dose is a plain number in whatever unit, or logarithm of a unit, the
// caller chose; everything that has the dimension of a dose comes back in it.
//
// Throughout, trials are taken as independent given the dose, the dose as
// known without error, and the link as the true shape. Intervals are
// large-sample ones: see the coverage tests for how far they hold in small
// samples.
package dose

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// A Group is the outcome of N trials at one dose.
type Group struct {
	Dose float64 // unit or log-unit of the caller's choice
	N    int     // trials
	Hits int     // trials that detected, 0..N
}

// Errors for data from which no curve can be had by any method.
var (
	// ErrOneOutcome says that all trials were hits, or all misses.
	ErrOneOutcome = errors.New("every trial had the same outcome")
	// ErrOneDose says that all trials were at one dose.
	ErrOneDose = errors.New("every trial was at the same dose")
)

// minTrials is the two parameters and one trial to judge them by.
const minTrials = 3

// merge checks the groups and returns them in order of dose, those of equal
// dose added together and empty ones dropped. Merging does not change the
// estimates; it gives the deviance and its degrees of freedom a meaning when
// single trials are handed in.
func merge(groups []Group) ([]Group, error) {
	sorted := slices.Clone(groups)
	for i, g := range sorted {
		if err := g.check(); err != nil {
			return nil, fmt.Errorf("group %d: %w", i, err)
		}
	}
	slices.SortFunc(sorted, func(a, b Group) int {
		switch {
		case a.Dose < b.Dose:
			return -1
		case a.Dose > b.Dose:
			return 1
		}
		return 0
	})
	var merged []Group
	for _, g := range sorted {
		last := len(merged) - 1
		switch {
		case g.N == 0:
		case last >= 0 && merged[last].Dose == g.Dose:
			merged[last].N += g.N
			merged[last].Hits += g.Hits
		default:
			merged = append(merged, g)
		}
	}
	return merged, sufficient(merged)
}

func (g Group) check() error {
	switch {
	case math.IsNaN(g.Dose) || math.IsInf(g.Dose, 0):
		return fmt.Errorf("dose is %v: want a finite number", g.Dose)
	case g.N < 0:
		return fmt.Errorf("n is %d: want 0 or more trials", g.N)
	case g.Hits < 0 || g.Hits > g.N:
		return fmt.Errorf("hits is %d: want 0 to n = %d", g.Hits, g.N)
	}
	return nil
}

// sufficient says why merged groups cannot carry a curve, or nil.
func sufficient(groups []Group) error {
	n, hits := totals(groups)
	switch {
	case n < minTrials:
		return fmt.Errorf("n is %d trials in all: want %d or more", n, minTrials)
	case hits == 0 || hits == n:
		return fmt.Errorf("hits is %d of n = %d: %w: add doses where the other one occurs, or use a binomial bound at one dose",
			hits, n, ErrOneOutcome)
	case len(groups) < 2:
		return fmt.Errorf("dose is %v throughout: %w: a slope needs two or more", groups[0].Dose, ErrOneDose)
	}
	return nil
}

func totals(groups []Group) (n, hits int) {
	for _, g := range groups {
		n += g.N
		hits += g.Hits
	}
	return n, hits
}

// Separation says how far the doses of hits and of misses overlap.
// With one covariate the classes of Albert & Anderson, Biometrika 71 (1984) 1,
// can be read off the extreme doses of each outcome.
type Separation int

const (
	// Overlap: maximum likelihood has one finite answer (Silvapulle,
	// JRSS B 43 (1981) 310, for any link with log-concave F and 1-F).
	Overlap Separation = iota
	// Quasi: hits and misses share just one dose, at the boundary.
	Quasi
	// Complete: a dose exists with all misses on one side and all hits on
	// the other.
	Complete
)

// String returns overlap, quasi-complete or complete.
func (s Separation) String() string {
	switch s {
	case Overlap:
		return "overlap"
	case Quasi:
		return "quasi-complete"
	case Complete:
		return "complete"
	}
	return fmt.Sprintf("Separation(%d)", int(s))
}

// separation classifies merged groups that hold both outcomes.
func separation(groups []Group) Separation {
	hitMin, hitMax := math.Inf(1), math.Inf(-1)
	missMin, missMax := math.Inf(1), math.Inf(-1)
	for _, g := range groups {
		if g.Hits > 0 {
			hitMin, hitMax = min(hitMin, g.Dose), max(hitMax, g.Dose)
		}
		if g.Hits < g.N {
			missMin, missMax = min(missMin, g.Dose), max(missMax, g.Dose)
		}
	}
	switch {
	case missMax < hitMin || hitMax < missMin:
		return Complete
	case missMax == hitMin || hitMax == missMin:
		return Quasi
	}
	return Overlap
}

// A SeparationError says that maximum likelihood has no finite answer because
// the outcomes are separated by dose.
type SeparationError struct {
	Kind Separation // Quasi or Complete
}

// Error names the kind of separation and the way out.
func (e *SeparationError) Error() string {
	return fmt.Sprintf("%s separation of hits and misses by dose: maximum likelihood has no finite answer; "+
		"use the penalised fit, or add trials at doses between", e.Kind)
}
