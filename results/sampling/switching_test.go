package sampling

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var (
	ac0 = single(32, 0)
	ac2 = single(80, 2)
)

// series feeds lots, one letter each: a accepted, r rejected, m accepted with
// as many bad as the plan allows, b between Ac and Re (of a reduced plan),
// R rejected but resubmitted, u accepted with production unsteady, n accepted
// without agreement, w accepted within the limit table.
func series(t *testing.T, rules Rules, plan Plan, lots string) State {
	t.Helper()
	s, err := Start(rules)
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range lots {
		l := Lot{Plan: plan, Steady: true, Agreed: true}
		switch c {
		case 'r':
			l.Bad = plan.Re
		case 'R':
			l.Bad, l.Resubmitted = plan.Re, true
		case 'm':
			l.Bad = plan.Ac
		case 'b':
			l.Plan, l.Bad = Plan{32, 1, 3}, 2
		case 'u':
			l.Steady = false
		case 'n':
			l.Agreed = false
		case 'w':
			l.WithinLimit = true
		}
		if s, err = s.Next(l); err != nil {
			t.Fatalf("lot %d of %s: %v", i, lots, err)
		}
	}
	return s
}

// ISO 2859-1:1999 clause 9 and MIL-STD-105E 4.7 (both from memory).
func TestNext(t *testing.T) {
	ten := strings.Repeat("a", 10)
	for _, c := range []struct {
		name  string
		rules Rules
		plan  Plan
		lots  string
		want  Severity
	}{
		{"start", ISO2859, ac0, "", Normal},
		{"two in a row", ISO2859, ac0, "rr", Tightened},
		{"two of five", MIL105E, ac0, "raaar", Tightened},
		{"two of six", ISO2859, ac0, "raaaar", Normal},
		{"one resubmitted", ISO2859, ac0, "rR", Normal},
		{"five in a row relax", ISO2859, ac0, "rraaaaa", Normal},
		{"four do not", ISO2859, ac0, "rraaaa", Tightened},
		{"nor five with a break", ISO2859, ac0, "rraaaaraaa", Tightened},
		{"a fresh window after relaxing", ISO2859, ac0, "rraaaaar", Normal},
		{"five rejected on tightened", ISO2859, ac0, "rr" + "rarararar", Stopped},
		{"four rejected on tightened", ISO2859, ac0, "rr" + "rarararaaa", Tightened},
		{"105E has no such count", MIL105E, ac0, "rr" + "rarararar", Tightened},
		{"ten lots on tightened", MIL105E, ac0, "rr" + "rararararr", Stopped},
		{"the tenth relaxes", MIL105E, ac0, "rr" + "rrrrraaaaa", Normal},
		{"score 30 at Ac 0", ISO2859, ac0, ten + "aaaaa", Reduced},
		{"score 28 at Ac 0", ISO2859, ac0, ten + "aaaa", Normal},
		{"score 30 at Ac 2", ISO2859, ac2, ten, Reduced},
		{"score 27 at Ac 2", ISO2859, ac2, ten[1:], Normal},
		{"score lost at Ac 2", ISO2859, ac2, "aaaaaaaaamaaaaaaaaa", Normal},
		{"score lost by a rejection", ISO2859, ac0, "raaaaaaaaaaaaaa", Normal},
		{"score won after it", ISO2859, ac0, "raaaaaaaaaaaaaaa", Reduced},
		{"unsteady at 30", ISO2859, ac0, ten + "aaaau", Normal},
		{"steady at 32", ISO2859, ac0, ten + "aaaaua", Reduced},
		{"not agreed at 30", ISO2859, ac0, ten + "aaaan", Normal},
		{"105E without the limit table", MIL105E, ac0, ten + ten, Normal},
		{"105E within it", MIL105E, ac0, ten[1:] + "w", Reduced},
		{"105E too early", MIL105E, ac0, ten[2:] + "w", Normal},
		{"105E within it later", MIL105E, ac0, ten + "aaw", Reduced},
		{"105E one rejected", MIL105E, ac0, "r" + ten[1:] + "w", Reduced},
		{"reduced goes on", MIL105E, ac0, ten[1:] + "w" + ten, Reduced},
		{"reduced, rejected", MIL105E, ac0, ten[1:] + "wr", Normal},
		{"reduced, between", MIL105E, ac0, ten[1:] + "wb", Normal},
		{"reduced, unsteady", MIL105E, ac0, ten[1:] + "wu", Normal},
		{"reduced, not agreed", ISO2859, ac2, ten + "n", Normal},
		{"reduced, rejected, then one more", ISO2859, ac2, ten + "rr", Normal},
	} {
		if got := series(t, c.rules, c.plan, c.lots); got.Severity != c.want {
			t.Errorf("%s: %v %q is %v (%s), want %v", c.name, c.rules, c.lots, got.Severity, got.Because, c.want)
		}
	}
}

func TestResume(t *testing.T) {
	s := series(t, ISO2859, ac0, "rrrrrrr")
	if s.Severity != Stopped {
		t.Fatalf("severity %v", s.Severity)
	}
	same, err := s.Next(Lot{Plan: ac0})
	if !errors.Is(err, ErrStopped) || same != s {
		t.Errorf("a lot while stopped: %+v, error %v", same, err)
	}
	s, err = s.Resume()
	if err != nil || s.Severity != Tightened || s.Rejected != 0 {
		t.Errorf("resumed: %+v, error %v", s, err)
	}
	_, err = s.Resume()
	refused(t, "resume without a stop", err, "severity is tightened")
}

func TestNextRefuses(t *testing.T) {
	s, err := Start(ISO2859)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		lot  Lot
		want string
	}{
		{"no plan", Lot{}, "n is 0"},
		{"negative bad", Lot{Plan: ac0, Bad: -1}, "bad is -1"},
		{"bad above n", Lot{Plan: ac0, Bad: 33}, "bad is 33"},
		{"foreign Ac", Lot{Plan: single(80, 4)}, "ac is 4"},
	} {
		same, err := s.Next(c.lot)
		refused(t, c.name, err, c.want)
		if same != s {
			t.Errorf("%s: the state changed", c.name)
		}
	}
	_, err = State{Severity: 9}.Next(Lot{Plan: ac0})
	refused(t, "severity", err, "severity is Severity(9)")
	_, err = Start(Rules(9))
	refused(t, "rules", err, "rules are Rules(9)")
}

func TestStateJSON(t *testing.T) {
	s := series(t, MIL105E, ac0, "rra")
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var back State
	if err := json.Unmarshal(text, &back); err != nil || back != s {
		t.Errorf("%s read back as %+v, error %v", text, back, err)
	}
	if _, err := json.Marshal(Rules(9)); err == nil {
		t.Error("unknown rules were written")
	}
	refused(t, "unknown", json.Unmarshal([]byte(`{"rules":"mine"}`), &back), `rules are "mine"`)
	for _, r := range []Rules{ISO2859, MIL105E} {
		if got, err := ParseRules(r.String()); err != nil || got != r {
			t.Errorf("%v parsed as %v, error %v", r, got, err)
		}
	}
}

// oracle restates the rules over the whole history since the last change, with
// no counters: what severity follows it.
func oracle(rules Rules, at Severity, lots []Lot) Severity {
	last := lots[len(lots)-1]
	rejected := func(of []Lot) (n int) {
		for _, l := range of {
			if l.Bad >= l.Plan.Re {
				n++
			}
		}
		return n
	}
	tail := func(n int) []Lot { return lots[max(0, len(lots)-n):] }
	clean := func(n int) bool { return len(lots) >= n && rejected(tail(n)) == 0 }
	switch at {
	case Normal:
		score := 0
		for _, l := range lots {
			switch {
			case l.Bad >= l.Plan.Re || (l.Plan.Ac == 2 && l.Bad == 2):
				score = 0
			case l.Plan.Ac < 2:
				score += 2
			default:
				score += 3
			}
		}
		ready := rules == ISO2859 && score >= 30 || rules == MIL105E && clean(10) && last.WithinLimit
		switch {
		case rejected(tail(5)) >= 2:
			return Tightened
		case ready && last.Steady && last.Agreed:
			return Reduced
		}
	case Tightened:
		switch {
		case clean(5):
			return Normal
		case rules == ISO2859 && rejected(lots) >= 5, rules == MIL105E && len(lots) >= 10:
			return Stopped
		}
	case Reduced:
		if rejected(lots) > 0 || last.Bad > last.Plan.Ac || !last.Steady || !last.Agreed {
			return Normal
		}
	}
	return at
}

// The machine never leaves its four states and does what the rules say over
// any history.
func TestSwitchingFollowsTheRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rules := rapid.SampledFrom([]Rules{ISO2859, MIL105E}).Draw(t, "rules")
		good := rapid.IntRange(1, 12).Draw(t, "good") // one lot in good+1 is rejected
		s, err := Start(rules)
		if err != nil {
			t.Fatal(err)
		}
		var history []Lot
		for range rapid.IntRange(1, 120).Draw(t, "lots") {
			plan := rapid.SampledFrom([]Plan{ac0, ac2, single(50, 1)}).Draw(t, "plan")
			if s.Severity == Reduced {
				plan = Plan{32, 1, 3}
			}
			l := Lot{Plan: plan, Steady: rapid.IntRange(0, 9).Draw(t, "steady") > 0,
				Agreed: rapid.IntRange(0, 9).Draw(t, "agreed") > 0, WithinLimit: rapid.Bool().Draw(t, "within"),
				Resubmitted: rapid.IntRange(0, 9).Draw(t, "resubmitted") == 0}
			l.Bad = rapid.IntRange(0, plan.Re-1).Draw(t, "few")
			if rapid.IntRange(0, good).Draw(t, "reject") == 0 {
				l.Bad = plan.Re
			}
			next, err := s.Next(l)
			switch {
			case s.Severity == Stopped:
				if !errors.Is(err, ErrStopped) || next != s {
					t.Fatalf("stopped: %+v, error %v", next, err)
				}
				if next, err = s.Resume(); err != nil || next.Severity != Tightened {
					t.Fatalf("resume: %+v, error %v", next, err)
				}
				history = nil
			case err != nil:
				t.Fatal(err)
			case l.Resubmitted:
				if next != s {
					t.Fatalf("a resubmitted lot changed %+v to %+v", s, next)
				}
			default:
				history = append(history, l)
				if want := oracle(rules, s.Severity, history); next.Severity != want {
					t.Fatalf("%v after %+v is %v (%s), want %v", s.Severity, history, next.Severity, next.Because, want)
				}
				if next.Severity != s.Severity {
					history = nil
				}
			}
			s = next
		}
	})
}
