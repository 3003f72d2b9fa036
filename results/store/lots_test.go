package store

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"drench/results/lot"
	"drench/results/sampling"
)

// A store keeps ledgers.
var _ lot.Storage = (*Store)(nil)

func entries(t *testing.T, s *Store, product string) (lines []string) {
	t.Helper()
	for line, err := range s.Read(t.Context(), product) {
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, string(line))
	}
	return lines
}

// TestAppendInTurn: two stores of one file add to a ledger at once, each until
// it has added all of its own. Nothing is lost, doubled or out of order.
func TestAppendInTurn(t *testing.T) {
	const each = 40
	path := filepath.Join(t.TempDir(), "drench.db")
	stores := []*Store{open(t, path), open(t, path)}
	var all sync.WaitGroup
	for who, s := range stores {
		all.Go(func() {
			for mine := 0; mine < each; {
				n := len(entries(t, s, "sensor B")) + 1
				err := s.Append(t.Context(), "sensor B", n, fmt.Appendf(nil, "store %d, line %d, entry %d", who, mine, n))
				switch {
				case err == nil:
					mine++
				case !errors.Is(err, ErrNotNext):
					t.Error(err)
					return
				}
			}
		})
	}
	all.Wait()
	lines := entries(t, stores[0], "sensor B")
	if len(lines) != 2*each {
		t.Fatalf("%d lines; expected %d", len(lines), 2*each)
	}
	next := [2]int{}
	for i, line := range lines {
		var who, mine, n int
		if _, err := fmt.Sscanf(line, "store %d, line %d, entry %d", &who, &mine, &n); err != nil {
			t.Fatal(err)
		}
		if n != i+1 || mine != next[who] {
			t.Errorf("entry %d is %q; expected line %d of that store", i+1, line, next[who])
		}
		next[who]++
	}
}

// TestLedgerStays: the file refuses to change, take out or replace an entry,
// and a number that is not the next.
func TestLedgerStays(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "drench.db"))
	l, err := lot.Begin(t.Context(), s, lot.Act{By: "ann", At: time.Now()}, "sensor B", sampling.ISO2859)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.Open(t.Context(), lot.Act{By: "ann", At: time.Now()}, lot.Terms{Lot: "L1", Size: 90, AQL: 4, Level: sampling.LevelII}); err != nil {
		t.Fatal(err)
	}
	before := entries(t, s, "sensor B")
	for _, statement := range []string{
		`UPDATE lot_entries SET line = 'x' WHERE number = 2`,
		`UPDATE lot_entries SET number = 3 WHERE number = 2`,
		`DELETE FROM lot_entries`,
		`INSERT OR REPLACE INTO lot_entries (product, number, line) VALUES ('sensor B', 2, 'x')`,
	} {
		if _, err := s.db.ExecContext(t.Context(), statement); err == nil || !strings.Contains(err.Error(), "an entry of a ledger is never") {
			t.Errorf("%s: %v; expected to be refused", statement, err)
		}
	}
	for _, n := range []int{0, 1, 2, 4} {
		if err := s.Append(t.Context(), "sensor B", n, []byte("x")); !errors.Is(err, ErrNotNext) {
			t.Errorf("entry %d after 2: %v; expected %v", n, err, ErrNotNext)
		}
	}
	if after := entries(t, s, "sensor B"); len(after) != 2 || after[0] != before[0] || after[1] != before[1] {
		t.Errorf("the ledger is\n%s\nit was\n%s", strings.Join(after, "\n"), strings.Join(before, "\n"))
	}
	if list, err := s.Products(t.Context()); err != nil || len(list) != 1 || list[0] != "sensor B" {
		t.Errorf("products %q, %v", list, err)
	}
	for product, want := range map[string]int{"sensor B": 2, "sensor C": 0} {
		if n, err := s.Entries(t.Context(), product); err != nil || n != want {
			t.Errorf("%d entries of %s, %v; expected %d", n, product, err, want)
		}
	}
	if _, err := lot.Load(t.Context(), s, "sensor B"); err != nil {
		t.Error(err)
	}
	if _, err := lot.Load(t.Context(), s, "sensor C"); !errors.Is(err, lot.ErrNoLedger) {
		t.Errorf("%v; expected %v", err, lot.ErrNoLedger)
	}
}
