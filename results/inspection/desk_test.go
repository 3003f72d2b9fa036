package inspection

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/results/lot"
	"drench/results/sampling"
	"drench/results/store"
	"drench/results/verdict"
)

// shop is a desk over a store in a file.
type shop struct {
	Desk
	t  *testing.T
	st *store.Store
}

func newShop(t *testing.T) *shop {
	t.Helper()
	st, err := store.Open(context.Background(), filepath.Join(t.TempDir(), "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	return &shop{Desk{Store: st}, t, st}
}

func (s *shop) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

// small is a lot with a sample of 5, Ac 1, Re 2 (MIL-STD-105E tables I and
// II-A: 20 units, level II, code letter C; AQL 10 %).
var small = lot.Terms{Size: 20, AQL: 10, Level: sampling.LevelII, Test: &lot.Test{Scenario: "drip"}}

func (s *shop) open(t lot.Terms) *lot.Lot {
	s.t.Helper()
	l, err := s.Open(s.t.Context(), s.Act("ann", ""), "p", sampling.ISO2859, t)
	s.must(err)
	return l
}

// ran keeps a run of a device, with the lot's tags, and returns its number.
func (s *shop) ran(serial string, v verdict.Verdict, name, script string, tags ...string) int64 {
	s.t.Helper()
	ctx := s.t.Context()
	source := store.Source{Name: "drip.star", Text: script}
	rec, err := s.st.Begin(ctx, store.Run{Started: time.Now().UTC(), Scenario: "drip", DUT: serial, Bench: "virtual", Tool: "drench", LimitsName: "drip.limits",
		LimitsText: "missed <= 5 %\n", Sources: map[string]store.Source{"script": source}, Tags: append(tags, Tags("p", name, "bob")...)})
	s.must(err)
	chunk := fmt.Appendf(nil, "timeline of run %d", rec.ID())
	s.must(rec.WriteChunk(chunk))
	sum := sha256.Sum256(chunk)
	s.must(rec.Finish(ctx, v, "", hex.EncodeToString(sum[:]), nil))
	return rec.ID()
}

func (s *shop) series() *lot.Series {
	s.t.Helper()
	series, err := s.Series(s.t.Context(), "p")
	s.must(err)
	return series
}

// TestScanAndEnter: what is scanned is assigned and tested once, in turn; what
// is over is entered once, by whoever asked for it; the lot is decided.
func TestScanAndEnter(t *testing.T) {
	s := newShop(t)
	ctx, bob := t.Context(), s.Act("bob", "")
	l := s.open(small)
	refusal := func(serial, want string) {
		t.Helper()
		var r *RefusedError
		if _, err := s.Scan(ctx, bob, "p", serial); !errors.As(err, &r) || !strings.Contains(err.Error(), want) {
			t.Errorf("scan of %q: %v; expected %q", serial, err, want)
		}
	}
	refusal(" ", "no serial number was read")
	for i, v := range []verdict.Verdict{verdict.Pass, verdict.Fail, verdict.Inconc, verdict.Pass, verdict.Pass} {
		serial := fmt.Sprintf("s%d", i+1)
		step, err := s.Scan(ctx, bob, "p", serial)
		if err != nil || step.Do != lot.ToTest || step.Sample != i+1 || step.Unit != l.Units[i].Unit {
			t.Fatalf("%+v, %v", step, err)
		}
		if again, err := s.Scan(ctx, bob, "p", serial); err != nil || again.Sample != i+1 {
			t.Fatalf("scanned again before its test: %+v, %v", again, err)
		}
		refusal("other", serial+" is to be tested next")
		s.ran(serial, v, "1", "x")
		if waits, err := s.Waiting(ctx, "p"); err != nil || waits != serial {
			t.Errorf("%q, %v; expected %s to be entered next", waits, err, serial)
		}
		for want := 1; want >= 0; want-- {
			if n, err := s.Enter(ctx, "p"); err != nil || n != want {
				t.Fatalf("entered %d, %v; expected %d", n, err, want)
			}
		}
		if v == verdict.Inconc {
			refusal(serial, "told nothing; say why")
			s.must(s.Retest(ctx, s.Act("ann", "the tube had slipped off"), "p", serial))
			s.ran(serial, verdict.Pass, "1", "x")
			_, err := s.Enter(ctx, "p")
			s.must(err)
		}
		refusal(serial, "tested already")
	}
	refusal("s9", "can't be tested now: decide")
	if by := s.series().Current().Units[0].Results[0].By; by != "bob" {
		t.Errorf("entered by %q; expected bob, who asked for the run", by)
	}
	if d, err := s.Decide(ctx, s.Act("ann", ""), "p"); err != nil || d != lot.Accepted {
		t.Fatalf("%v, %v", d, err)
	}
	refusal("s9", "no lot of p is open")
	a, err := s.Audit(ctx, s.series())
	if err != nil || !a.Sound() || a.Runs != 6 || len(a.Missing) > 0 {
		t.Errorf("%+v, %v", a, err)
	}
}

// TestAudit finds a device that was tested until it passed, a run of another
// script, and a result whose run is not what the store has.
func TestAudit(t *testing.T) {
	s := newShop(t)
	ctx, bob := t.Context(), s.Act("bob", "")
	s.open(small)
	for i, serial := range []string{"s1", "s2", "s3"} {
		s.must(s.Assign(ctx, bob, "p", i+1, serial))
	}
	s.ran("s1", verdict.Pass, "1", "x")
	hidden := s.ran("s2", verdict.Fail, "2", "x") // with the tag of another lot: it is not entered
	s.ran("s2", verdict.Pass, "1", "y")
	n, err := s.Enter(ctx, "p")
	if err != nil || n != 2 {
		t.Fatalf("entered %d, %v", n, err)
	}
	other := s.ran("s3", verdict.Pass, "1", "x")
	s.must(s.Change(ctx, "p", func(g *lot.Ledger) error {
		return g.Result(ctx, bob, "1", 3, other, strings.Repeat("ab", 32), verdict.Pass)
	}))
	a, err := s.Audit(ctx, s.series())
	s.must(err)
	all := strings.Join(append(a.Differs, a.Unlike...), "\n")
	for _, want := range []string{fmt.Sprintf("run %d tested s2", hidden), "another script", fmt.Sprintf("run %d has the timeline", other)} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not found in\n%s", want, all)
		}
	}
	if a.Sound() || len(a.Differs) != 2 || len(a.Unlike) != 1 {
		t.Errorf("%+v", a)
	}
}

// TestEnterRun refuses a run of another device, of another scenario, and one
// that there is not.
func TestEnterRun(t *testing.T) {
	s := newShop(t)
	ctx, bob := t.Context(), s.Act("bob", "")
	terms := small
	terms.Test = &lot.Test{Scenario: "spray"}
	s.open(terms)
	s.must(s.Assign(ctx, bob, "p", 1, "s1"))
	run, else1 := s.ran("s1", verdict.Pass, "1", "x"), s.ran("s2", verdict.Pass, "1", "x")
	if n, err := s.Enter(ctx, "p"); n != 0 || err != nil {
		t.Errorf("entered %d runs of another scenario, %v", n, err)
	}
	for want, do := range map[string]func() error{
		"tested by spray":      func() error { return s.EnterRun(ctx, bob, "p", "s1", run) },
		`of "s2"`:              func() error { return s.EnterRun(ctx, bob, "p", "s1", else1) },
		"no such run":          func() error { return s.EnterRun(ctx, bob, "p", "s1", 99) },
		"not in the sample":    func() error { return s.EnterRun(ctx, bob, "p", "s7", run) },
		"without slashes":      func() error { _, err := s.Open(ctx, bob, "a/b", sampling.ISO2859, small); return err },
		"can't be decided yet": func() error { _, err := s.Decide(ctx, bob, "p"); return err },
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v; expected %q", err, want)
		}
	}
}

// TestPlanKeepsNothing: a plan that is only looked at leaves no ledger, and a
// lot that can't be opened begins none.
func TestPlanKeepsNothing(t *testing.T) {
	s := newShop(t)
	l, err := s.Plan(t.Context(), "p", sampling.ISO2859, small)
	if err != nil || l.Plan != (sampling.Plan{N: 5, Ac: 1, Re: 2}) || l.Lot != "1" {
		t.Fatalf("%+v, %v", l, err)
	}
	wrong := small
	wrong.AQL = 3
	if _, err := s.Open(t.Context(), s.Act("ann", ""), "p", sampling.ISO2859, wrong); err == nil {
		t.Error("an AQL of 3 % is not in the table")
	}
	if list, err := s.st.Products(t.Context()); err != nil || len(list) > 0 {
		t.Errorf("ledgers of %q, %v; expected none", list, err)
	}
}

// TestSequentialScan holds to the order of the sample.
func TestSequentialScan(t *testing.T) {
	s := newShop(t)
	ctx, bob := t.Context(), s.Act("bob", "")
	s.open(lot.Terms{Size: 500, Mode: lot.Sequential, Sequential: &lot.Wald{Alpha: 0.05, Beta: 0.1, Limit: 200, P0: 0.01, P1: 0.08}})
	for i := 1; i <= 2; i++ { // two nonconforming at once reject: see results/lot
		serial := fmt.Sprintf("s%d", i)
		_, err := s.Scan(ctx, bob, "p", serial)
		s.must(err)
		s.ran(serial, verdict.Fail, "1", "x")
		_, err = s.Enter(ctx, "p")
		s.must(err)
	}
	if d, err := s.Decide(ctx, bob, "p"); err != nil || d != lot.Rejected {
		t.Errorf("%v, %v; expected rejected", d, err)
	}
	if stopped := s.series().Lots[0].Stopped; stopped == "" {
		t.Error("the ledger has no stop before the end of the sample")
	}
}

// TestCache: a desk with a cache sees what others have added, and does not
// read again what it knows.
func TestCache(t *testing.T) {
	s := newShop(t)
	ctx := t.Context()
	s.open(small)
	cached := Desk{Store: s.st, Cache: &Cache{}}
	first, err := cached.Series(ctx, "p")
	s.must(err)
	if again, err := cached.Series(ctx, "p"); err != nil || again != first {
		t.Errorf("%v; the ledger is read again though nothing was added", err)
	}
	s.must(s.Assign(ctx, s.Act("bob", ""), "p", 1, "s1"))
	next, err := cached.Series(ctx, "p")
	s.must(err)
	if next.Current().Units[0].Serial != "s1" || first.Current().Units[0].Serial != "" {
		t.Error("what another desk has added is not seen, or was put into what somebody holds")
	}
}
