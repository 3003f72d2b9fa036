package lot

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"drench/results/sampling"
)

// simulated is how many lots a test simulates.
func simulated(all int) int {
	if testing.Short() {
		return all / 50
	}
	return all
}

// TestAcceptance: lots from a process at the AQL, and at the limiting quality,
// are accepted as often as the operating characteristic says (binomial, or
// exact for Wald's plan), through the whole ledger. The share is within 3.29
// standard errors, which a right program exceeds once in a thousand seeds;
// the seed is fixed.
func TestAcceptance(t *testing.T) {
	normal := sampling.Plan{N: 13, Ac: 1, Re: 2}
	limiting, err := normal.QualityAt(sampling.Binomial, 0.1)
	if err != nil {
		t.Fatal(err)
	}
	single := func(p float64) float64 {
		pa, err := normal.OC(sampling.Binomial, p)
		if err != nil {
			t.Fatal(err)
		}
		return pa
	}
	wald := Wald{Alpha: 0.05, Beta: 0.1, Limit: 60, P0: 0.02, P1: 0.2}
	sequential := func(p float64) float64 {
		plan, err := wald.Plan()
		if err != nil {
			t.Fatal(err)
		}
		perf, err := plan.Exact(p)
		if err != nil {
			t.Fatal(err)
		}
		return perf.Accept
	}
	for _, c := range []struct {
		name    string
		mode    Mode
		lots    int
		quality float64
		pa      func(float64) float64
	}{
		{"whole at the AQL", Whole, 10_000, 0.04, single},
		{"whole at the limiting quality", Whole, 10_000, limiting, single},
		{"curtailed at the limiting quality", Curtailed, 2000, limiting, single},
		{"sequential at p0", Sequential, 2000, 0.02, sequential},
		{"sequential at p1", Sequential, 2000, 0.2, sequential},
	} {
		t.Run(c.name, func(t *testing.T) {
			terms := small("L")
			if terms.Mode = c.mode; c.mode == Sequential {
				terms.AQL, terms.Level, terms.Sequential = 0, "", &wald
			}
			rng := rand.New(rand.NewPCG(1, uint64(len(c.name))))
			n, accepted := simulated(c.lots), 0
			for range n {
				s := newShop(t, sampling.ISO2859, byte(rng.Uint32()))
				bad := make([]bool, terms.Size+1)
				for unit := range bad {
					bad[unit] = rng.Float64() < c.quality
				}
				if s.inspect(terms, func(_, unit int) bool { return bad[unit] }) == Accepted {
					accepted++
				}
			}
			want, got := c.pa(c.quality), float64(accepted)/float64(n)
			if se := math.Sqrt(want * (1 - want) / float64(n)); math.Abs(got-want) > 3.29*se {
				t.Errorf("accepted %.4f of %d; expected %.4f ± %.4f", got, n, want, 3.29*se)
			}
		})
	}
}

// TestFiniteLot: from lots of 90 with exactly 9 bad units, as often as the
// hypergeometric characteristic says: the draw is without replacement.
func TestFiniteLot(t *testing.T) {
	want, err := (sampling.Plan{N: 13, Ac: 1, Re: 2}).OCLot(90, 9)
	if err != nil {
		t.Fatal(err)
	}
	n, accepted := simulated(2000), 0
	for i := range n {
		s := newShop(t, sampling.ISO2859, 0)
		s.random = rand.NewChaCha8([32]byte{byte(i), byte(i >> 8), 77})
		if s.inspect(small("L"), func(_, unit int) bool { return unit <= 9 }) == Accepted {
			accepted++
		}
	}
	got, se := float64(accepted)/float64(n), math.Sqrt(want*(1-want)/float64(n))
	if math.Abs(got-want) > 3.29*se {
		t.Errorf("accepted %.4f; expected %.4f ± %.4f", got, want, 3.29*se)
	}
}

// judged is a lot as a person with the standard in hand sees it.
type judged struct{ accepted, counts bool }

// byHand tells the severity after lots, by reading ISO 2859-1:1999 clause 9
// (from memory) over the whole history again. Its plans have Ac 1, so a lot
// accepted on normal inspection adds 2 to the switching score.
func byHand(lots []judged) sampling.Severity {
	severity, since := sampling.Normal, []bool(nil) // accepted?, since the last switch
	to := func(s sampling.Severity) { severity, since = s, nil }
	for _, l := range lots {
		if !l.counts {
			continue
		}
		since = append(since, l.accepted)
		last := func(n int) (rejected int) {
			for _, accepted := range since[max(0, len(since)-n):] {
				if !accepted {
					rejected++
				}
			}
			return rejected
		}
		switch severity {
		case sampling.Normal:
			if last(5) >= 2 {
				to(sampling.Tightened)
			} else if len(since) >= 15 && last(15) == 0 {
				to(sampling.Reduced)
			}
		case sampling.Tightened:
			if len(since) >= 5 && last(5) == 0 {
				to(sampling.Normal)
			} else if last(len(since)) >= 5 {
				to(sampling.Stopped)
			}
		case sampling.Reduced:
			if !l.accepted {
				to(sampling.Normal)
			}
		}
	}
	return severity
}

// TestSwitching: over random histories the ledger inspects each lot as the
// rules say by hand, withdrawn and resubmitted lots left out, and what it
// stored verifies to the same.
func TestSwitching(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := newShop(t, sampling.ISO2859, rapid.Byte().Draw(rt, "seed"))
		ctx := t.Context()
		goodness := rapid.IntRange(0, 20).Draw(rt, "lots accepted, out of 20")
		var lots []judged
		for i := range rapid.IntRange(1, 30).Draw(rt, "lots") {
			severity := byHand(lots)
			if got := s.series.State.Severity; got != severity {
				rt.Fatalf("after %v: %v; by hand %v", lots, got, severity)
			}
			terms := small(fmt.Sprintf("L%d", i))
			if severity == sampling.Stopped {
				if _, err := s.Open(ctx, act("ann", ""), terms); err == nil {
					rt.Fatal("a lot was opened while inspection is discontinued")
				}
				break
			}
			if rapid.IntRange(0, 9).Draw(rt, "withdrawn if 0") == 0 {
				s.open(terms)
				s.must(s.Withdraw(ctx, act("ann", "sent back"), terms.Lot))
			}
			bad := 0
			if rapid.IntRange(0, 19).Draw(rt, "quality") >= goodness {
				bad = 13
			}
			decision := s.inspect(terms, atMost(bad))
			lots = append(lots, judged{decision == Accepted, true})
			if decision == Rejected && s.series.State.Severity != sampling.Stopped && rapid.Bool().Draw(rt, "again") {
				again := terms
				again.Lot, again.Resubmits = terms.Lot+" again", terms.Lot
				lots = append(lots, judged{s.inspect(again, atMost(0)) == Accepted, false})
			}
		}
		if again := s.verified(); again.State != s.series.State {
			rt.Fatalf("%+v; verified: %+v", s.series.State, again.State)
		}
	})
}

// TestSwitchingByQuality: a good process comes to reduced inspection after 15
// lots, which is a score of 30 (ISO 2859-1:1999 9.3.3, from memory); a bad
// one to tightened inspection, and to its end, from where only a person goes
// on; one at the AQL is mostly accepted.
func TestSwitchingByQuality(t *testing.T) {
	play := func(quality float64, lots int) (*shop, map[sampling.Severity]int) {
		s := newShop(t, sampling.ISO2859, 11)
		rng := rand.New(rand.NewPCG(5, math.Float64bits(quality)))
		at := map[sampling.Severity]int{}
		for i := range lots {
			at[s.series.State.Severity]++
			if s.series.State.Severity == sampling.Stopped {
				break
			}
			s.inspect(small(fmt.Sprintf("L%d", i)), func(int, int) bool { return rng.Float64() < quality })
		}
		return s, at
	}
	if _, at := play(0, 40); at[sampling.Normal] != 15 || at[sampling.Reduced] != 25 {
		t.Errorf("good: %v", at)
	}
	s, at := play(0.5, 40)
	if at[sampling.Stopped] != 1 || at[sampling.Tightened] == 0 || at[sampling.Reduced] != 0 {
		t.Errorf("bad: %v", at)
	}
	s.must(s.Resume(t.Context(), act("ann", "new seals in production")))
	if d := s.open(small("after")); s.series.Current().Severity != sampling.Tightened || len(d.Units) != s.series.Current().Plan.N {
		t.Errorf("after a stop: %+v", s.series.Current())
	}
	s.verified()
	if _, at := play(0.04, 100); at[sampling.Stopped] != 0 || at[sampling.Normal] < 50 {
		t.Errorf("at the AQL: %v", at)
	}
}
