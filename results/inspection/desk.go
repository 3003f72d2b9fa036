// Package inspection takes lots through inspection by sampling: ledgers are in
// a store, and so are the runs that are entered into them.
//
// A run belongs to a lot by its tag (see Tags) and to a unit by the device's
// serial number. Enter looks for runs that are over and not yet entered, so
// that none is lost if a process ends between a run and its entry.
package inspection

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"drench/results/lot"
	"drench/results/sampling"
	"drench/results/store"
)

// Store is what a desk needs of a *store.Store.
type Store interface {
	lot.Storage
	Entries(ctx context.Context, product string) (int, error)
	Products(ctx context.Context) ([]string, error)
	Runs(ctx context.Context, f store.Filter) ([]store.Run, error)
	Get(ctx context.Context, id int64) (store.Run, error)
	Timeline(ctx context.Context, id int64) io.ReadCloser
}

// Desk is where lots are inspected. Several processes may have one of the same
// store.
type Desk struct {
	Store Store
	Now   func() time.Time // nil: time.Now
	Cache *Cache           // of what was verified before; nil: each look verifies anew
}

// Cache remembers verified ledgers for whoever looks again and again. A ledger
// is only ever added to, so one with as many entries is the same; what somebody
// changed behind the store's back shows when the ledger is verified from its
// lines (Audit, drench lot verify) or added to.
type Cache struct {
	mu   sync.Mutex
	kept map[string]*lot.Series
}

func (c *Cache) get(product string, entries int) *lot.Series {
	if c == nil {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if s := c.kept[product]; s != nil && s.Entries == entries {
		return s
	}
	return nil
}

func (c *Cache) put(product string, s *lot.Series) {
	if c == nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.kept == nil {
		c.kept = map[string]*lot.Series{}
	}
	c.kept[product] = s
}

// RefusedError says why something would spoil an inspection, and what to do.
type RefusedError struct{ Says string }

func (e *RefusedError) Error() string { return e.Says }

func refused(format string, args ...any) error { return &RefusedError{fmt.Sprintf(format, args...)} }

// Act is what somebody does now; why may be "" where there is a usual reason.
func (d Desk) Act(by, why string) lot.Act {
	now := d.Now
	if now == nil {
		now = time.Now
	}
	return lot.Act{By: strings.TrimSpace(by), Why: strings.TrimSpace(why), At: now().UTC()}
}

// Tags by which the runs of a lot are found, and who asked for them.
const (
	lotTag = "lot="
	byTag  = "by="
)

// Tag is what the runs of a lot have.
func Tag(product, name string) string { return lotTag + product + "/" + name }

// Tags are those that a run on a sampled unit gets.
func Tags(product, name, by string) []string { return []string{Tag(product, name), byTag + by} }

// Series reads a product's ledger and verifies it. An unknown product has
// lot.ErrNoLedger in the chain of the error. Nobody may change what it returns.
func (d Desk) Series(ctx context.Context, product string) (*lot.Series, error) {
	n, err := d.Store.Entries(ctx, product)
	if err != nil {
		return nil, err
	}
	if s := d.Cache.get(product, n); s != nil {
		return s, nil
	}
	s, err := lot.Verify(d.Store.Read(ctx, product), "")
	if err != nil {
		return nil, fmt.Errorf("read the ledger of %s: %w", product, err)
	}
	d.Cache.put(product, s)
	return s, nil
}

// most is how often a change is tried when others change the same ledger.
const most = 20

// Change loads a product's ledger and has f add to it, once more each time that
// another process has added an entry meanwhile. f adds one entry.
func (d Desk) Change(ctx context.Context, product string, f func(*lot.Ledger) error) error {
	for try := 1; ; try++ {
		l, err := lot.Load(ctx, d.Store, product)
		if err == nil {
			err = f(l)
		}
		if !errors.Is(err, store.ErrNotNext) || try == most || ctx.Err() != nil {
			return err
		}
	}
}

// longestName of a product or a lot, which stand in tags and paths.
const longestName = 80

func plain(what, name string) error {
	if strings.TrimSpace(name) == "" || len(name) > longestName || strings.ContainsAny(name, "/\\") || name == "." || name == ".." {
		return refused("%s %q; expected a name of up to %d bytes without slashes", what, name, longestName)
	}
	return nil
}

// Open puts a lot of a product to inspection and shows its sample; it begins
// the ledger of a new product under the rules. It returns the lot as it stands.
// A lot without a name gets the next number.
func (d Desk) Open(ctx context.Context, a lot.Act, product string, rules sampling.Rules, t lot.Terms) (*lot.Lot, error) {
	if err := plain("the product is", product); err != nil {
		return nil, err
	}
	if t.Lot != "" {
		if err := plain("the lot is", t.Lot); err != nil {
			return nil, err
		}
	}
	if _, err := d.Plan(ctx, product, rules, t); err != nil {
		return nil, err // before a ledger is begun for nothing
	}
	if err := d.begin(ctx, a, product, rules); err != nil {
		return nil, err
	}
	var drawn lot.Draw
	err := d.Change(ctx, product, func(l *lot.Ledger) (err error) {
		if t.Lot == "" {
			l.View(func(s *lot.Series) { t.Lot = fmt.Sprint(len(s.Lots) + 1) })
		}
		drawn, err = l.Open(ctx, a, t)
		return err
	})
	if err != nil {
		return nil, err
	}
	a.Why = ""
	if err := d.Change(ctx, product, func(l *lot.Ledger) error { return l.Show(ctx, a, drawn) }); err != nil {
		return nil, fmt.Errorf("lot %s is open, but its sample could not be shown, so it can only be withdrawn: %w", t.Lot, err)
	}
	s, err := d.Series(ctx, product)
	if err != nil {
		return nil, err
	}
	return s.Lot(t.Lot), nil
}

func (d Desk) begin(ctx context.Context, a lot.Act, product string, rules sampling.Rules) error {
	_, err := d.Series(ctx, product)
	if !errors.Is(err, lot.ErrNoLedger) {
		return err
	}
	a.Why = ""
	_, err = lot.Begin(ctx, d.Store, a, product, rules)
	if errors.Is(err, store.ErrNotNext) { // another process was quicker
		return nil
	}
	return err
}

// Plan is the lot that Open would open, without a sample. Nothing is kept.
func (d Desk) Plan(ctx context.Context, product string, rules sampling.Rules, t lot.Terms) (*lot.Lot, error) {
	var m lot.Memory
	a, n := d.Act("nobody", "a plan"), 0
	for line, err := range d.Store.Read(ctx, product) {
		if err == nil {
			n++
			err = m.Append(ctx, product, n, line)
		}
		if err != nil {
			return nil, err
		}
	}
	l, err := lot.Load(ctx, &m, product)
	if errors.Is(err, lot.ErrNoLedger) {
		l, err = lot.Begin(ctx, &m, a, product, rules)
	}
	if err != nil {
		return nil, err
	}
	if t.Lot == "" {
		l.View(func(s *lot.Series) { t.Lot = fmt.Sprint(len(s.Lots) + 1) })
	}
	if _, err := l.Open(ctx, a, t); err != nil {
		return nil, err
	}
	var planned *lot.Lot
	l.View(func(s *lot.Series) { planned = s.Current() })
	return planned, nil
}

// Scan is what a device's serial number means when it comes to the bench: it
// is assigned to the unit that is due, or is the one that is due to be tested.
// It returns the unit to test. Anything else is refused.
func (d Desk) Scan(ctx context.Context, a lot.Act, product, serial string) (lot.Step, error) {
	serial = strings.TrimSpace(serial)
	s, err := d.Series(ctx, product)
	if err != nil {
		return lot.Step{}, err
	}
	l := s.Current()
	if l == nil {
		return lot.Step{}, refused("no lot of %s is open, so nothing is to be tested", product)
	}
	step, err := l.Next()
	if err != nil {
		return step, err
	}
	if serial == "" {
		return step, refused("no serial number was read; scan or type it again")
	}
	switch u := unitOf(l, serial); {
	case u != nil && u.Class() == lot.Neither:
		return step, refused("%s was tested by run %d, which told nothing; say why it is to be tested again first", serial, u.Results[len(u.Results)-1].Run)
	case u != nil && u.Class() != "":
		return step, refused("%s is sample %d and was tested already: it is %s. A unit is tested once; put it aside", serial, u.Sample, u.Class())
	case u != nil && l.Mode == lot.Sequential && step.Sample != u.Sample:
		return step, refused("%s is sample %d, and sample %d is next: a sequential plan takes them in their order", serial, u.Sample, step.Sample)
	case u != nil && (step.Do == lot.ToTake || step.Do == lot.ToTest || step.Do == lot.ToRetest):
		return lot.Step{Do: lot.ToTest, Sample: u.Sample, Unit: u.Unit, Serial: serial, Says: fmt.Sprintf("sample %d: test %s", u.Sample, serial)}, nil
	case step.Do == lot.ToTest || step.Do == lot.ToRetest:
		return step, refused("%s is not the one: %s is to be tested next (sample %d, unit %d of the lot)", serial, step.Serial, step.Sample, step.Unit)
	case step.Do != lot.ToTake:
		return step, refused("%s can't be tested now: %s", serial, step.Says)
	}
	if err := d.Change(ctx, product, func(g *lot.Ledger) error { return g.Assign(ctx, a, l.Lot, step.Sample, serial) }); err != nil {
		return step, err
	}
	step.Do, step.Serial, step.Says = lot.ToTest, serial, fmt.Sprintf("sample %d: test %s", step.Sample, serial)
	return step, nil
}

// unitOf is the sampled unit of a serial number.
func unitOf(l *lot.Lot, serial string) *lot.Unit {
	if i := slices.IndexFunc(l.Units, func(u lot.Unit) bool { return u.Serial == serial }); i >= 0 {
		return &l.Units[i]
	}
	return nil
}

// Retest lets a device be tested again whose run told nothing.
func (d Desk) Retest(ctx context.Context, a lot.Act, product, serial string) error {
	_, u, err := d.unit(ctx, product, serial)
	if err != nil {
		return err
	}
	return d.change(ctx, product, func(g *lot.Ledger, name string) error { return g.Retest(ctx, a, name, u.Sample) })
}

// unit finds a sampled device of the open lot.
func (d Desk) unit(ctx context.Context, product, serial string) (*lot.Lot, *lot.Unit, error) {
	s, err := d.Series(ctx, product)
	if err != nil {
		return nil, nil, err
	}
	l := s.Current()
	if l == nil {
		return nil, nil, refused("no lot of %s is open", product)
	}
	u := unitOf(l, strings.TrimSpace(serial))
	if u == nil {
		return nil, nil, refused("%s is not in the sample of lot %s; expected a device that was assigned to a unit of it", serial, l.Lot)
	}
	return l, u, nil
}

// change is Change of the open lot.
func (d Desk) change(ctx context.Context, product string, f func(g *lot.Ledger, name string) error) error {
	return d.Change(ctx, product, func(g *lot.Ledger) error {
		name := ""
		g.View(func(s *lot.Series) {
			if l := s.Current(); l != nil {
				name = l.Lot
			}
		})
		if name == "" {
			return refused("no lot of %s is open", product)
		}
		return f(g, name)
	})
}

// Assign says which device is a unit of the open lot's sample.
func (d Desk) Assign(ctx context.Context, a lot.Act, product string, sample int, serial string) error {
	return d.change(ctx, product, func(g *lot.Ledger, name string) error {
		return g.Assign(ctx, a, name, sample, strings.TrimSpace(serial))
	})
}

// Void takes an entry of the open lot out of the count, with a reason.
func (d Desk) Void(ctx context.Context, a lot.Act, product string, entry int) error {
	return d.change(ctx, product, func(g *lot.Ledger, name string) error { return g.Void(ctx, a, name, entry) })
}

// Withdraw takes back the open lot, of which nothing was tested.
func (d Desk) Withdraw(ctx context.Context, a lot.Act, product string) error {
	return d.change(ctx, product, func(g *lot.Ledger, name string) error { return g.Withdraw(ctx, a, name) })
}

// Decide accepts or rejects the open lot as its plan says, and stops its
// inspection before where it has decided early. It refuses while more is to be
// inspected.
func (d Desk) Decide(ctx context.Context, a lot.Act, product string) (lot.Decision, error) {
	s, err := d.Series(ctx, product)
	if err != nil {
		return "", err
	}
	l := s.Current()
	if l == nil {
		return "", refused("no lot of %s is open", product)
	}
	step, err := l.Next()
	if err != nil {
		return "", err
	}
	switch step.Do {
	case lot.ToStop:
		if err := d.change(ctx, product, func(g *lot.Ledger, name string) error { return g.Stop(ctx, d.Act(a.By, ""), name) }); err != nil {
			return "", err
		}
	case lot.ToDecide:
	default:
		return "", &UndecidedError{l.Lot, step}
	}
	var decision lot.Decision
	err = d.change(ctx, product, func(g *lot.Ledger, name string) (err error) {
		decision, err = g.Decide(ctx, a, name)
		return err
	})
	return decision, err
}

// UndecidedError says what a lot lacks for its decision.
type UndecidedError struct {
	Lot  string
	Step lot.Step
}

func (e *UndecidedError) Error() string {
	return fmt.Sprintf("lot %s can't be decided yet: %s", e.Lot, e.Step.Says)
}
