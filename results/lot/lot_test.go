package lot

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"slices"
	"strings"
	"testing"

	"drench/results/sampling"
	"drench/results/verdict"
)

// TestRefusals takes a lot through all that is not allowed, and what is.
func TestRefusals(t *testing.T) {
	s := newShop(t, sampling.ISO2859, 1)
	ctx := t.Context()
	var d, other Draw
	ann, bob := act("ann", ""), act("bob", "")
	why := act("ann", "the tube had slipped off")
	open := func(t Terms) func() error {
		return func() error {
			drawn, err := s.Open(ctx, ann, t)
			if err == nil {
				d = drawn
			}
			return err
		}
	}
	result := func(sample int, run int64, v verdict.Verdict) func() error {
		return func() error { return s.Result(ctx, bob, "L1", sample, run, sum(run), v) }
	}
	for i, step := range []struct {
		do   func() error
		want string // of the error; "": none
	}{
		{result(1, 1, verdict.Pass), "no lot is open"},
		{func() error { return s.Resume(ctx, why) }, "want stopped"},
		{open(Terms{Lot: "L1", Size: 1, AQL: 4, Level: "II"}), "expected 2 to 1000000"},
		{open(Terms{Lot: "L1", Size: 90, AQL: 3, Level: "II"}), "aql is 3 %"},
		{open(Terms{Lot: "", Size: 90, AQL: 4, Level: "II"}), "name is empty"},
		{open(Terms{Lot: "L1", Size: 90, AQL: 4, Level: "II", Mode: "quick"}), "expected whole, curtailed or sequential"},
		{open(Terms{Lot: "L1", Size: 90, AQL: 4, Level: "II", Mode: Sequential}), "expected a sequential plan"},
		{open(Terms{Lot: "L1", Size: 90, AQL: 4, Level: "II", Resubmits: "L0"}), "expected one that was rejected"},
		{open(Terms{Lot: "L1", Size: 90, AQL: 4, Level: "II", Mode: Whole, Sequential: &Wald{}}), "expected one of the two"},
		{open(small("L1")), ""},
		{open(small("L2")), `lot "L1" is still open`},
		{func() error { return s.Assign(ctx, bob, "L1", 1, "s1") }, "still sealed"},
		{func() error { other = d; return s.Withdraw(ctx, why, "L1") }, ""},
		{open(small("L1")), ""},
		{func() error { return s.Show(ctx, ann, other) }, "another sample than the one drawn then"},
		{func() error { return s.Show(ctx, ann, d) }, ""},
		{func() error { return s.Show(ctx, ann, d) }, "shown before"},
		{result(1, 1, verdict.Pass), "assign it first"},
		{func() error { return s.Assign(ctx, bob, "L2", 1, "s1") }, `the open one is "L1"`},
		{func() error { return s.Assign(ctx, bob, "L1", 14, "s1") }, "expected 1 to 13"},
		{func() error { return s.Assign(ctx, bob, "L1", 1, "s\n1") }, "on one line"},
		{func() error { return s.Assign(ctx, bob, "L1", 1, "s\xff1") }, "can't be read"},
		{func() error { return s.Assign(ctx, Act{At: monday}, "L1", 1, "s1") }, "by is empty"},
		{func() error { return s.Assign(ctx, Act{By: "bob"}, "L1", 1, "s1") }, "expected UTC"},
		{func() error { return s.Assign(ctx, bob, "L1", 1, "s1") }, ""},
		{func() error { return s.Assign(ctx, bob, "L1", 1, "s2") }, "sample 1 is s1 since entry"},
		{func() error { return s.Assign(ctx, bob, "L1", 2, "s1") }, "a unit counts once"},
		{func() error { return s.Assign(ctx, bob, "L1", 2, "s2") }, ""},
		{func() error { return s.Result(ctx, bob, "L1", 1, 1, "abc", verdict.Pass) }, "expected a SHA-256"},
		{result(1, 0, verdict.Pass), "the run is 0"},
		{result(1, 1, verdict.Inconc), ""},
		{result(1, 2, verdict.Pass), "enter a retest with its reason first"},
		{func() error { return s.Retest(ctx, ann, "L1", 1) }, "why is empty"},
		{func() error { return s.Retest(ctx, why, "L1", 2) }, "nothing to retest"},
		{func() error { return s.Retest(ctx, why, "L1", 1) }, ""},
		{result(1, 1, verdict.Pass), "a run counts once"},
		{result(1, 2, verdict.Fail), ""},
		{result(1, 3, verdict.Pass), "a unit is tested once"},
		{func() error { return s.Retest(ctx, why, "L1", 1) }, "only inconc, error and none ask for a retest"},
		{result(2, 2, verdict.Pass), "run 2 is in entry"},
		{func() error { return s.Result(ctx, bob, "L1", 2, 9, sum(2), verdict.Pass) }, "has the same timeline"},
		{func() error { return s.Void(ctx, why, "L1", s.assigned(1)) }, "void that result first"},
		{func() error { return s.Void(ctx, ann, "L1", s.standing(1)) }, "why is empty"},
		{func() error { return s.Void(ctx, why, "L1", s.standing(1)) }, ""},
		{func() error { return s.Void(ctx, why, "L1", s.assigned(1)) }, ""},
		{func() error { return s.Void(ctx, why, "L1", 1) }, "entry 1 can't be voided"},
		{func() error { return s.Assign(ctx, bob, "L1", 1, "s3") }, ""},
		{result(2, 2, verdict.Pass), ""}, // the two had been mixed up
		{result(1, 3, verdict.Pass), ""},
		{func() error { return s.Withdraw(ctx, why, "L1") }, "have been tested"},
		{func() error { return s.Stop(ctx, why, "L1") }, "is inspected whole"},
		{func() error { _, err := s.Decide(ctx, ann, "L1"); return err }, "2 of 13 units"},
	} {
		err := step.do()
		if step.want == "" && err != nil || step.want != "" && (err == nil || !strings.Contains(err.Error(), step.want)) {
			t.Fatalf("step %d: %v; expected %q", i, err, step.want)
		}
	}
	s.runs = 10
	for sample := 3; sample <= 13; sample++ {
		s.must(s.test("L1", sample, verdict.Pass))
	}
	decision, err := s.Decide(ctx, ann, "L1")
	if err != nil || decision != Accepted {
		t.Fatalf("%v, %v", decision, err)
	}
	if err := open(small("L1"))(); err == nil || !strings.Contains(err.Error(), "was accepted before") {
		t.Error(err)
	}
	s.open(small("L2"))
	if err := s.Assign(ctx, bob, "L2", 1, "s3"); err == nil || !strings.Contains(err.Error(), `was in the sample of lot "L1"`) {
		t.Error(err)
	}
	again := s.verified()
	if len(again.Lots) != 3 || again.Lots[1].Decision != Accepted || again.Current().Lot != "L2" {
		t.Errorf("%+v", again)
	}
}

// assigned and standing are entries of a sample's.
func (s *shop) assigned(sample int) int { return s.series.Current().Units[sample-1].Assigned }
func (s *shop) standing(sample int) int {
	return s.series.Current().Units[sample-1].standing().Entry
}

// TestClassOf: ISO 2859-1 knows conforming and nonconforming; what a run can't
// tell is neither.
func TestClassOf(t *testing.T) {
	for v, want := range map[verdict.Verdict]Class{verdict.None: Neither, verdict.Pass: Conforming, verdict.Inconc: Neither, verdict.Fail: Nonconforming, verdict.Error: Neither} {
		if got := ClassOf(v); got != want {
			t.Errorf("%v: %s; expected %s", v, got, want)
		}
	}
}

// TestNeitherAsks: each verdict that tells nothing asks for a retest, counts
// for nothing, and keeps the lot from its decision.
func TestNeitherAsks(t *testing.T) {
	for _, v := range []verdict.Verdict{verdict.None, verdict.Inconc, verdict.Error} {
		s := newShop(t, sampling.ISO2859, 2)
		s.open(small("L"))
		for sample := 1; sample <= 12; sample++ {
			s.must(s.test("L", sample, verdict.Pass))
		}
		s.must(s.test("L", 13, v))
		asks := s.series.Current().Asks()
		if len(asks) != 1 || !strings.Contains(asks[0], "neither conforming nor nonconforming; enter a retest") {
			t.Errorf("%v: %q", v, asks)
		}
		if _, err := s.Decide(t.Context(), act("ann", ""), "L"); err == nil || !strings.Contains(err.Error(), "enter a retest") {
			t.Errorf("%v: %v", v, err)
		}
		s.must(s.Retest(t.Context(), act("ann", "pump ran dry"), "L", 13))
		s.must(s.Result(t.Context(), act("bob", ""), "L", 13, 99, sum(99), verdict.Fail))
		if d, err := s.Decide(t.Context(), act("ann", ""), "L"); d != Accepted || err != nil { // Ac is 1
			t.Errorf("%v: %v, %v", v, d, err)
		}
		c, err := s.series.Certify("L")
		s.must(err)
		if c.Retests != 1 || c.Bad != 1 || c.N != 13 || !strings.Contains(strings.Join(c.Notes, "\n"), "tested again (1)") {
			t.Errorf("%+v", c)
		}
	}
}

// TestDecisions: plans of MIL-STD-105E tables II-A (normal), letters
// E and H, read in results/sampling/tables.
func TestDecisions(t *testing.T) {
	letterH := Terms{Size: 500, AQL: 1, Level: sampling.LevelII} // n 50, Ac 1, Re 2
	wald := Terms{Size: 500, Mode: Sequential, Sequential: &Wald{Alpha: 0.05, Beta: 0.1, Limit: 200, P0: 0.01, P1: 0.08}}
	for _, c := range []struct {
		name  string
		terms Terms
		mode  Mode
		bad   func(sample, unit int) bool
		want  Decision
		n     int // counted
		early bool
	}{
		{"none bad", small(""), Whole, atMost(0), Accepted, 13, false},
		{"as many as allowed", small(""), Whole, atMost(1), Accepted, 13, false},
		{"one more", small(""), Whole, atMost(2), Rejected, 13, false},
		{"whole though lost at once", letterH, Whole, atMost(9), Rejected, 50, false},
		{"curtailed at the second", letterH, Curtailed, atMost(9), Rejected, 2, true},
		{"curtailed, the second at 40", letterH, Curtailed, func(s, _ int) bool { return s%20 == 0 }, Rejected, 40, true},
		{"curtailed, the second is the last", letterH, Curtailed, func(s, _ int) bool { return s%25 == 0 }, Rejected, 50, false},
		{"acceptance is not curtailed", letterH, Curtailed, atMost(1), Accepted, 50, false},
		// Wald's lines with these risks: h_a = 1.046, h_r = 1.343, s = 0.0341
		// (computed by hand from Wald (1947) 5.3, from memory): accepts
		// without a bad unit at n = ceil(1.046/0.0341) = 31, rejects with two
		// at once, as 2 >= 0.0341*2 + 1.343.
		{"sequential, none bad", wald, Sequential, atMost(0), Accepted, 31, true},
		{"sequential, two at once", wald, Sequential, atMost(2), Rejected, 2, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newShop(t, sampling.ISO2859, 3)
			c.terms.Lot, c.terms.Mode = "L", c.mode
			got := s.inspect(c.terms, c.bad)
			l := s.verified().Lot("L")
			st, err := l.Standing()
			s.must(err)
			if got != c.want || st.N != c.n || (l.Stopped != "") != c.early {
				t.Errorf("%s after %d, stopped %q; expected %s after %d", got, st.N, l.Stopped, c.want, c.n)
			}
			cert, err := s.series.Certify("L")
			s.must(err)
			if cert.Decision != c.want || cert.N != c.n || cert.Head != l.Head {
				t.Errorf("%+v", cert)
			}
			said := strings.Contains(strings.Join(cert.Notes, "\n"), "do not estimate the process average")
			if said != (c.early && c.mode == Curtailed) {
				t.Errorf("notes: %q", cert.Notes)
			}
		})
	}
}

// TestSequentialOrder: results count in the order of the sample, and none
// after the decision.
func TestSequentialOrder(t *testing.T) {
	s := newShop(t, sampling.ISO2859, 4)
	ctx, bob := t.Context(), act("bob", "")
	s.open(Terms{Lot: "L", Size: 50, Mode: Sequential, Sequential: &Wald{Alpha: 0.05, Beta: 0.1, Limit: 40, P0: 0.01, P1: 0.1}})
	if err := s.Assign(ctx, bob, "L", 2, "x"); err == nil || !strings.Contains(err.Error(), "1 is next") {
		t.Error(err)
	}
	s.must(s.test("L", 1, verdict.Error))
	if err := s.Assign(ctx, bob, "L", 2, "x"); err == nil || !strings.Contains(err.Error(), "1 is next") {
		t.Error(err)
	}
	s.must(s.Retest(ctx, act("ann", "rig tripped"), "L", 1))
	s.must(s.Result(ctx, bob, "L", 1, 100, sum(100), verdict.Fail))
	s.must(s.test("L", 2, verdict.Fail))
	if err := s.Assign(ctx, bob, "L", 3, "y"); err == nil || !strings.Contains(err.Error(), "no further unit counts") {
		t.Error(err)
	}
	if _, err := s.Decide(ctx, act("ann", ""), "L"); err == nil || !strings.Contains(err.Error(), "stop it first") {
		t.Error(err)
	}
	s.must(s.Stop(ctx, act("ann", ""), "L"))
	if err := s.Void(ctx, act("ann", "a second thought"), "L", s.standing(2)); err == nil || !strings.Contains(err.Error(), "decide it") {
		t.Error(err)
	}
	before := s.series.State
	if d, err := s.Decide(ctx, act("ann", ""), "L"); d != Rejected || err != nil {
		t.Errorf("%v, %v", d, err)
	}
	if s.series.State != before {
		t.Errorf("a sequential lot changed switching: %+v", s.series.State)
	}
}

// TestResubmission: a rejected lot comes again once, its devices too, and does
// not count for switching.
func TestResubmission(t *testing.T) {
	s := newShop(t, sampling.ISO2859, 5)
	ctx := t.Context()
	if s.inspect(small("L1"), atMost(3)) != Rejected {
		t.Fatal("accepted")
	}
	again := small("L1 again")
	again.Resubmits = "L1"
	s.open(again)
	s.must(s.Assign(ctx, act("bob", ""), again.Lot, 1, "L1-5"))
	s.must(s.Void(ctx, act("bob", "misread"), again.Lot, s.assigned(1)))
	for sample := 1; sample <= 13; sample++ {
		s.must(s.test(again.Lot, sample, verdict.Fail))
	}
	before := s.series.State
	if d, err := s.Decide(ctx, act("ann", ""), again.Lot); d != Rejected || err != nil {
		t.Fatalf("%v, %v", d, err)
	}
	if s.series.State != before {
		t.Errorf("a resubmitted lot changed switching: %+v", s.series.State)
	}
	again.Lot = "L1 a third time"
	if _, err := s.Open(ctx, act("ann", ""), again); err == nil || !strings.Contains(err.Error(), `resubmitted before, as "L1 again"`) {
		t.Error(err)
	}
	again.Resubmits = "L1 again"
	s.open(again)
	s.must(s.Assign(ctx, act("bob", ""), again.Lot, 1, "L1-5"))
	s.verified()
}

// TestTwoProcesses: of two who add to the same ledger one is refused, and goes
// on with what the other has added.
func TestTwoProcesses(t *testing.T) {
	s := newShop(t, sampling.ISO2859, 6)
	ctx := t.Context()
	other, err := Load(ctx, s.storage, "sensor B")
	s.must(err)
	s.open(small("L"))
	if _, err := other.Open(ctx, act("eve", ""), small("L")); err == nil || !strings.Contains(err.Error(), "another process has added") {
		t.Fatal(err)
	}
	s.must(other.Assign(ctx, act("eve", ""), "L", 1, "s1"))
	if _, err := Begin(ctx, s.storage, act("eve", ""), "sensor B", sampling.ISO2859); err == nil {
		t.Error("begun twice")
	}
	if _, err := Load(ctx, s.storage, "sensor C"); !errors.Is(err, ErrNoLedger) {
		t.Error(err)
	}
}

// TestCertificate holds the certificate and its table.
func TestCertificate(t *testing.T) {
	s := newShop(t, sampling.ISO2859, 7)
	if _, err := s.series.Certify("L"); err == nil {
		t.Error("a lot that is none")
	}
	s.open(small("L"))
	if _, err := s.series.Certify("L"); err == nil {
		t.Error("an open lot")
	}
	s.must(s.test("L", 1, verdict.Fail))
	s.must(s.Void(t.Context(), act("ann", "wrong device"), "L", s.standing(1)))
	s.must(s.Void(t.Context(), act("ann", "wrong device"), "L", s.assigned(1)))
	s.must(s.Assign(t.Context(), act("bob", ""), "L", 1, "right"))
	s.must(s.Result(t.Context(), act("bob", ""), "L", 1, 50, sum(50), verdict.Pass))
	for sample := 2; sample <= 13; sample++ {
		s.must(s.test("L", sample, verdict.Pass))
	}
	_, err := s.Decide(t.Context(), act("ann", ""), "L")
	s.must(err)
	c, err := s.series.Certify("L")
	s.must(err)
	// MIL-STD-105E table X-E-1, n 13, Ac 1: 95 % at 2.81 % and 10 % at
	// 26.8 % (from memory); results/sampling holds the curve.
	if c.Voids != 1 || c.Head != s.series.Head || c.Plan != (sampling.Plan{N: 13, Ac: 1, Re: 2}) || c.Next != sampling.Normal ||
		len(c.Risks) != 2 || c.Risks[1].Quality < 0.267 || c.Risks[1].Quality > 0.269 {
		t.Errorf("%+v", c)
	}
	var b bytes.Buffer
	s.must(c.CSV(&b))
	rows, err := csv.NewReader(&b).ReadAll()
	s.must(err)
	if len(rows) != 15 || rows[1][8] != "fail" || rows[1][10] != "false" || rows[1][4] != "L-1" || rows[2][4] != "right" || rows[1][11] != "wrong device" || rows[2][6] != "50" || rows[2][10] != "true" {
		t.Errorf("%q", rows[:3])
	}
}

// TestStrays: a run on a sampled device that is not in the ledger is found,
// and results that the store does not have so.
func TestStrays(t *testing.T) {
	s := newShop(t, sampling.ISO2859, 8)
	s.open(small("L"))
	var kept []Ran
	for sample := 1; sample <= 13; sample++ {
		s.must(s.test("L", sample, verdict.Pass))
		kept = append(kept, Ran{Run: s.runs, DUT: s.series.Current().Units[sample-1].Serial, Sum: sum(s.runs), Verdict: verdict.Pass, Started: monday})
	}
	_, err := s.Decide(t.Context(), act("ann", ""), "L")
	s.must(err)
	l := s.series.Lot("L")
	others := []Ran{
		{Run: 70, DUT: "L-3", Started: monday.AddDate(0, 0, -1)}, // before
		{Run: 71, DUT: "L-3", Started: monday.AddDate(0, 0, 1)},  // after
		{Run: 72, DUT: "L-99", Started: monday},                  // not sampled
	}
	if found := l.Strays(append(slices.Clone(kept), others...)); found != nil {
		t.Errorf("%q", found)
	}
	for name, c := range map[string]struct {
		spoil func([]Ran) []Ran
		want  string
	}{
		"tested twice": {func(r []Ran) []Ran {
			return append(r, Ran{Run: 60, DUT: "L-4", Verdict: verdict.Fail, Started: monday})
		}, "run 60 tested L-4, sample 4, and ended fail"},
		"not stored":       {func(r []Ran) []Ran { return r[1:] }, "run 1 is not in the store"},
		"another timeline": {func(r []Ran) []Ran { r[0].Sum = sum(9); return r }, "has the timeline"},
		"another verdict":  {func(r []Ran) []Ran { r[0].Verdict = verdict.Fail; return r }, "ended fail in the store, and pass here"},
		"another device":   {func(r []Ran) []Ran { r[0].DUT = "L-99"; return r }, `is of "L-99" in the store`},
	} {
		if found := l.Strays(c.spoil(slices.Clone(kept))); len(found) != 1 || !strings.Contains(found[0], c.want) {
			t.Errorf("%s: %q", name, found)
		}
	}
}

// failing is a storage whose disk is full.
type failing struct {
	*Memory
	full bool
}

var errFull = errors.New("no space left")

func (f *failing) Append(ctx context.Context, product string, n int, line []byte) error {
	if f.full {
		return errFull
	}
	return f.Memory.Append(ctx, product, n, line)
}

// TestFullDisk: what could not be kept has not happened.
func TestFullDisk(t *testing.T) {
	st := &failing{Memory: &Memory{}}
	ctx := t.Context()
	l, err := Begin(ctx, st, act("ann", ""), "p", sampling.ISO2859)
	if err != nil {
		t.Fatal(err)
	}
	st.full = true
	if _, err := l.Open(ctx, act("ann", ""), small("L")); !errors.Is(err, errFull) {
		t.Fatal(err)
	}
	st.full = false
	if _, err := l.Open(ctx, act("ann", ""), small("L")); err != nil {
		t.Error(err)
	}
}
