// Package power says how large a run must be before it can show something: how
// many trials, hours or devices, given what is probably true.
//
// A run of one size passes, fails or is inconclusive under the rule that
// package limits judges by. For what is counted the three probabilities are
// exact; a shift between two nights is simulated. Confidence belongs to the
// rule: it is how seldom a run passes that should not. Power is how often a run
// passes that should.
package power

import "math"

// Answer says how large a run must be.
type Answer struct {
	Sentence string `json:"answer"`
	// Possible is false if what is to be shown is not true, or is out of reach.
	Possible bool     `json:"possible"`
	Unit     string   `json:"unit"`   // of sizes: trials, h, DUTs, trials a side
	Least    float64  `json:"least"`  // smallest run that can show it at all, 0 if out of reach
	Needed   []Need   `json:"needed"` // for a power of 80 and 90 %; fewer if out of reach
	Assumes  []string `json:"assumptions"`
	Curve    []Point  `json:"curve"`

	wrong string // heading of Allowed
}

// Need is the smallest run that passes with at least the power.
type Need struct {
	Power float64 `json:"power"`
	Point
}

// Point is what becomes of runs of one size.
type Point struct {
	Size    float64 `json:"size"`
	Allowed int     `json:"allowed"` // how many may go wrong in a run that passes, -1 if nothing is counted
	Pass    float64 `json:"pass"`
	Inconc  float64 `json:"inconc"`
	Fail    float64 `json:"fail"`
}

// powers are the chances to pass that sizes are given for, ascending.
func powers() []float64 { return []float64{0.8, 0.9} }

// counted is a rule that judges a run by how many of it went wrong, and how
// probable that is.
type counted struct {
	size  func(allowed int) (float64, error)      // smallest run that passes with so many wrong
	fails func(size float64) int                  // fewest wrong that fail a run
	pass  func(size float64, most int) float64    // probability of so many wrong or fewer
	fail  func(size float64, atLeast int) float64 // probability of so many wrong or more
	most  float64                                 // size beyond which no run goes
}

// mostAllowed bounds the search where the truth is next to the limit.
const mostAllowed = 20_000

// at returns the smallest run that passes with so many wrong; ok is false if it
// is out of reach.
func (c counted) at(allowed int) (p Point, ok bool) {
	size, err := c.size(allowed)
	if err != nil || size > c.most {
		return Point{}, false
	}
	p = Point{Size: size, Allowed: allowed, Pass: c.pass(size, allowed), Fail: c.fail(size, c.fails(size))}
	p.Inconc = max(0, 1-p.Pass-p.Fail)
	return p, true
}

// answer fills sizes and curve. Among runs that allow equally many to go wrong
// the smallest passes most often, so that the smallest run for a power is found
// by allowing 0, 1, 2 and so on.
func (c counted) answer(shown bool) Answer {
	var a Answer
	var all []Point
	for allowed := range mostAllowed {
		p, ok := c.at(allowed)
		if !ok {
			break
		}
		all = append(all, p)
		if shown {
			a.need(p)
		}
		if len(all) >= rows && (len(a.Needed) == len(powers()) || !shown) {
			break
		}
	}
	if len(all) > 0 {
		a.Least = all[0].Size
	}
	a.Possible = len(a.Needed) > 0
	a.Curve = thin(all, a.Needed)
	return a
}

// need keeps a point as the answer for the powers that it reaches first.
func (a *Answer) need(p Point) {
	for _, power := range powers()[len(a.Needed):] {
		if p.Pass >= power {
			a.Needed = append(a.Needed, Need{power, p})
		}
	}
}

// rows is about how many points of a curve are kept: the first, the last, those
// needed, and some between.
const rows = 8

func thin(all []Point, needed []Need) []Point {
	keep := map[int]bool{}
	for i := range rows {
		keep[int(math.Round(float64(i)*float64(len(all)-1)/(rows-1)))] = true
	}
	for _, n := range needed {
		keep[n.Allowed] = true
	}
	var list []Point
	for i, p := range all {
		if keep[i] {
			list = append(list, p)
		}
	}
	return list
}
