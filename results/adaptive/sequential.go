package adaptive

import (
	"fmt"
	"math"

	"drench/rig"
	"drench/rig/portable"
)

// Test is Wald's sequential test of a probability of going wrong, cut off at a
// largest number of trials. It is the plan that drench/results/sampling makes
// by Wald and Truncate, computed by portable functions, as it decides how many
// trials a timeline has; its exact risks are that package's to tell (Exact).
type Test struct {
	Good, Bad   float64 // chance of going wrong that is to be accepted, and rejected
	Alpha, Beta float64 // wanted chance of rejecting at Good, of accepting at Bad
	Most        int     // trials; at the last the nearer decision is taken
}

// Decision is what a test says so far.
type Decision string

// Decisions.
const (
	Continue Decision = "continue"
	Accept   Decision = "accept"
	Reject   Decision = "reject"
)

// onLine is how near a line a whole number counts as on it, as in package
// sampling.
const onLine = 1e-9

// Decide says what wrong of n trials mean. With K = ln(p1(1-p0)/(p0(1-p1))) the
// test accepts at wrong <= s n - h_a and rejects at wrong >= s n + h_r, where
// h_a = ln((1-alpha)/beta)/K, h_r = ln((1-beta)/alpha)/K and s =
// ln((1-p0)/(1-p1))/K (Wald, Sequential Analysis (1947) 5.3, from memory); at
// the last trial it accepts at wrong <= s n (3.8, from memory).
//
// It returns an error for a test that is none, or counts outside it.
func (t Test) Decide(n, wrong int) (Decision, error) {
	if err := t.check(); err != nil {
		return "", err
	}
	if n < 0 || n > t.Most || wrong < 0 || wrong > n {
		return "", fmt.Errorf("sequential test: %d of %d went wrong: expected at most %d trials", wrong, n, t.Most)
	}
	if n == 0 {
		return Continue, nil
	}
	good := portable.Log(1-t.Good) - portable.Log(1-t.Bad)
	k := portable.Log(t.Bad/t.Good) + good
	line := float64(good / k * float64(n))
	accept := math.Floor(line - (portable.Log(1-t.Alpha)-portable.Log(t.Beta))/k + onLine)
	reject := math.Ceil(line + (portable.Log(1-t.Beta)-portable.Log(t.Alpha))/k - onLine)
	if n == t.Most {
		accept = math.Floor(line + onLine)
		reject = accept + 1
	}
	switch x := float64(wrong); {
	case x <= accept:
		return Accept, nil
	case x >= reject:
		return Reject, nil
	}
	return Continue, nil
}

func (t Test) check() error {
	in := func(p float64) bool { return p > 0 && p < 1 }
	if !in(t.Good) || !in(t.Bad) || !in(t.Alpha) || !in(t.Beta) || t.Good >= t.Bad || t.Alpha+t.Beta >= 1 || t.Most < 1 {
		return fmt.Errorf("sequential test of %v against %v with risks %v and %v in %d trials: expected 0 < good < bad < 1, risks that add to less than 1, and at least one trial",
			t.Good, t.Bad, t.Alpha, t.Beta, t.Most)
	}
	return nil
}

// TestOf returns the test that a timeline's trials say they belong to.
func TestOf(t rig.TestSpec) Test {
	share := func(s rig.Share) float64 { return float64(s) / 1e9 }
	return Test{Good: share(t.Good), Bad: share(t.Bad), Alpha: share(t.Alpha), Beta: share(t.Beta), Most: t.Most}
}
