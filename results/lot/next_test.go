package lot

import (
	"math"
	"strings"
	"testing"

	"drench/results/sampling"
	"drench/results/verdict"
)

// TestNext takes a lot through its steps as Next says them, by the seal, a
// retest and the decision.
func TestNext(t *testing.T) {
	s := newShop(t, sampling.ISO2859, 5)
	ctx, ann := t.Context(), act("ann", "")
	terms := small("L")
	terms.Test = &Test{Scenario: "drip", Trials: 5}
	d, err := s.Open(ctx, ann, terms)
	s.must(err)
	want := func(do Do, sample int) Step {
		t.Helper()
		step, err := s.series.Current().Next()
		s.must(err)
		if step.Do != do || step.Sample != sample || step.Says == "" {
			t.Fatalf("%+v; expected %s of sample %d", step, do, sample)
		}
		return step
	}
	want(ToShow, 0)
	s.must(s.Show(ctx, ann, d))
	for sample := 1; sample <= 13; sample++ {
		step := want(ToTake, sample)
		if step.Unit != d.Units[sample-1] {
			t.Fatalf("%+v; drawn were %v", step, d.Units)
		}
		v := verdict.Pass
		if sample == 4 {
			v = verdict.Inconc
		}
		s.must(s.test("L", sample, v))
		if sample == 4 {
			if step := want(ToRetest, 4); step.Run != s.runs || step.Serial != "L-4" {
				t.Fatalf("%+v", step)
			}
			s.must(s.Retest(ctx, act("ann", "the tube had slipped off"), "L", 4))
			want(ToTest, 4)
			s.must(s.Result(ctx, ann, "L", 4, 99, sum(99), verdict.Pass))
		}
	}
	want(ToDecide, 0)
	_, err = s.Decide(ctx, ann, "L")
	s.must(err)
	l := s.verified().Lot("L")
	if step, err := l.Next(); err != nil || step.Do != Nothing {
		t.Errorf("%+v, %v", step, err)
	}
	if l.Test == nil || *l.Test != *terms.Test {
		t.Errorf("the ledger has the test %+v; expected %+v", l.Test, terms.Test)
	}
}

// TestTestRefused: a test is a scenario's name, and its count is one.
func TestTestRefused(t *testing.T) {
	s := newShop(t, sampling.ISO2859, 5)
	for want, test := range map[string]Test{"scenario of its test": {}, "-1 trials": {Scenario: "drip", Trials: -1}} {
		terms := small("L")
		terms.Test = &test
		if _, err := s.Open(t.Context(), act("ann", ""), terms); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v; expected %q", test, err, want)
		}
	}
}

// TestCurve: with n 13, Ac 1 the chance of acceptance at 10 % nonconforming is
// 0.6213 (binomial: 0.9^13 + 13 * 0.1 * 0.9^12, computed by hand), and the
// curve falls from 1 to 0.01.
func TestCurve(t *testing.T) {
	l := Lot{Terms: Terms{Mode: Whole, AQL: 4}, Plan: sampling.Plan{N: 13, Ac: 1, Re: 2}}
	pa, err := l.accepts(0.1)
	if err != nil || math.Abs(pa-0.6213) > 5e-5 {
		t.Errorf("%v, %v; expected 0.6213", pa, err)
	}
	for name, l := range map[string]Lot{"single": l, "sequential": {Terms: Terms{Mode: Sequential, Sequential: &Wald{Alpha: 0.05, Beta: 0.1, Limit: 200, P0: 0.01, P1: 0.08}}}} {
		curve, err := l.Curve(50)
		if err != nil || len(curve) != 50 || curve[0] != (Risk{0, 1}) || curve[49].Accept > 0.05 {
			t.Fatalf("%s: %v, %v", name, curve, err)
		}
		for i := range curve[1:] {
			if curve[i+1].Accept > curve[i].Accept || curve[i+1].Quality <= curve[i].Quality {
				t.Errorf("%s: the curve rises from %v to %v", name, curve[i], curve[i+1])
			}
		}
	}
	if _, err := l.Curve(1); err == nil {
		t.Error("one point is no curve")
	}
}
