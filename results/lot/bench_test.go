package lot

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"drench/results/sampling"
	"drench/results/verdict"
)

var monday = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// shop is a ledger with what a test needs around it.
type shop struct {
	*Ledger
	t       testing.TB
	storage *Memory
	runs    int64
}

func newShop(t testing.TB, rules sampling.Rules, seed byte) *shop {
	t.Helper()
	m := &Memory{}
	l, err := Begin(t.Context(), m, act("ann", ""), "sensor B", rules)
	if err != nil {
		t.Fatal(err)
	}
	l.random = rand.NewChaCha8([32]byte{seed})
	return &shop{Ledger: l, t: t, storage: m}
}

func act(by, why string) Act { return Act{By: by, Why: why, At: monday} }

func (s *shop) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

// sum is some timeline's.
func sum(run int64) string { return fmt.Sprintf("%064x", run) }

// open opens a lot and shows its sample.
func (s *shop) open(t Terms) Draw {
	s.t.Helper()
	d, err := s.Open(s.t.Context(), act("ann", ""), t)
	s.must(err)
	s.must(s.Show(s.t.Context(), act("ann", ""), d))
	return d
}

// test assigns a unit and enters a run on it.
func (s *shop) test(lot string, sample int, v verdict.Verdict) error {
	s.t.Helper()
	s.must(s.Assign(s.t.Context(), act("bob", ""), lot, sample, fmt.Sprintf("%s-%d", lot, sample)))
	s.runs++
	return s.Result(s.t.Context(), act("bob", ""), lot, sample, s.runs, sum(s.runs), v)
}

// inspect takes a lot from its opening to its decision; bad says of each
// sampled unit whether it is nonconforming.
func (s *shop) inspect(t Terms, bad func(sample, unit int) bool) Decision {
	s.t.Helper()
	d := s.open(t)
	for i, unit := range d.Units {
		v := verdict.Pass
		if bad(i+1, unit) {
			v = verdict.Fail
		}
		s.must(s.test(t.Lot, i+1, v))
		if st, err := s.series.Current().Standing(); err != nil {
			s.t.Fatal(err)
		} else if st.Early {
			s.must(s.Stop(s.t.Context(), act("ann", ""), t.Lot))
			break
		}
	}
	decision, err := s.Decide(s.t.Context(), act("ann", ""), t.Lot)
	s.must(err)
	return decision
}

// lines are all that the storage has.
func (s *shop) lines() [][]byte { return s.storage.lines["sensor B"] }

// verified reads the ledger again from what is stored.
func (s *shop) verified() *Series {
	s.t.Helper()
	again, err := Verify(s.storage.Read(s.t.Context(), "sensor B"), s.series.Head)
	s.must(err)
	return again
}

// small is a lot of 90 at AQL 4 %, level II: code letter E, n 13, Ac 1, Re 2
// (MIL-STD-105E tables I and II-A).
func small(name string) Terms {
	return Terms{Lot: name, Size: 90, AQL: 4, Level: sampling.LevelII, Steady: true, Agreed: true}
}

func atMost(n int) func(int, int) bool { return func(sample, _ int) bool { return sample <= n } }
