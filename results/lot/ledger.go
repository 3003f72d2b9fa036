package lot

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"sync"
	"time"

	"drench/results/sampling"
	"drench/results/verdict"
)

// Storage keeps ledgers, a line an entry. Append keeps line as entry n of a
// product's ledger, whole and for good, or returns an error; it must refuse an
// n that is not one more than the last. Read gives the lines in order; of an
// unknown product there are none.
type Storage interface {
	Append(ctx context.Context, product string, n int, line []byte) error
	Read(ctx context.Context, product string) iter.Seq2[[]byte, error]
}

// Ledger adds entries to a product's ledger. Its methods may be called from
// several goroutines.
type Ledger struct {
	storage Storage
	product string
	random  io.Reader

	mu     sync.Mutex
	series *Series
}

// ErrNoLedger is in the chain of errors about a product that has no ledger.
var ErrNoLedger = errors.New("the product has no ledger")

// Begin starts a product's ledger under switching rules.
func Begin(ctx context.Context, st Storage, a Act, product string, rules sampling.Rules) (*Ledger, error) {
	l := &Ledger{storage: st, product: product, random: rand.Reader, series: newSeries()}
	for _, err := range st.Read(ctx, product) {
		if err == nil {
			err = errors.New("it has one already; load that")
		}
		return nil, fmt.Errorf("begin the ledger of %s: %w", product, err)
	}
	return l, l.add(ctx, a, "the product is inspected by sampling", Begun, beginBody{1, product, rules})
}

// Load reads a product's ledger and verifies it.
func Load(ctx context.Context, st Storage, product string) (*Ledger, error) {
	s, err := Verify(st.Read(ctx, product), "")
	if err != nil {
		return nil, fmt.Errorf("load the ledger of %s: %w", product, err)
	}
	if s.Product != product {
		return nil, fmt.Errorf("load the ledger of %s: it is the ledger of %s", product, s.Product)
	}
	return &Ledger{storage: st, product: product, random: rand.Reader, series: s}, nil
}

// View calls f with the series as it stands; f must not keep or change it.
func (l *Ledger) View(f func(*Series)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f(l.series)
}

// add makes an entry, has the series take it, and keeps it. The usual reason
// stands where the act has none. The lock is held, or nobody else knows l.
func (l *Ledger) add(ctx context.Context, a Act, usual string, kind Kind, body any) error {
	if a.Why == "" {
		a.Why = usual
	}
	b, err := canonical(body)
	if err != nil {
		return fmt.Errorf("enter %s: %w", kind, err)
	}
	e := Entry{At: a.At.UTC().Truncate(time.Microsecond), Body: json.RawMessage(b), By: a.By, Kind: kind,
		N: l.series.Entries + 1, Prev: l.series.Head, Why: a.Why}
	line, err := canonical(e)
	if err != nil {
		return fmt.Errorf("enter %s: %w", kind, err)
	}
	if err := l.series.add(line); err != nil {
		return fmt.Errorf("enter %s: %w", kind, err)
	}
	if err := l.storage.Append(ctx, l.product, e.N, line); err != nil {
		// The series is ahead of what is kept: read that again, even if the
		// caller has given up.
		again, readErr := Verify(l.storage.Read(context.WithoutCancel(ctx), l.product), "")
		if readErr == nil {
			l.series = again
		} else {
			l.series = newSeries() // which takes nothing but a beginning, and storage refuses that
		}
		return errors.Join(fmt.Errorf("keep entry %d of the ledger of %s: %w", e.N, l.product, err), readErr)
	}
	return nil
}

// locked is add for those who have not got the lock.
func (l *Ledger) locked(ctx context.Context, a Act, usual string, kind Kind, body any) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.add(ctx, a, usual, kind, body)
}

// Open puts a lot to inspection: it looks up the plan under the severity that
// switching has come to, draws the sample, and enters its seal. The draw is
// the caller's to keep until Show; without it the lot can only be withdrawn.
// Between the two the ledger's head can be given to whoever wants to be sure
// that the sample was not chosen later.
func (l *Ledger) Open(ctx context.Context, a Act, t Terms) (Draw, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if t.Mode == "" {
		t.Mode = Whole
	}
	severity := l.series.State.Severity
	plan, err := planned(t, severity)
	if err != nil {
		return Draw{}, fmt.Errorf("open lot %s: %w", t.Lot, err)
	}
	d, err := draw(t.Lot, l.random, t.Size, plan.N)
	if err != nil {
		return Draw{}, fmt.Errorf("open lot %s: %w", t.Lot, err)
	}
	seal, err := d.Seal()
	if err != nil {
		return Draw{}, fmt.Errorf("open lot %s: %w", t.Lot, err)
	}
	if err := l.add(ctx, a, "the lot was submitted", Opened, bodyOf(t, severity, plan, seal)); err != nil {
		return Draw{}, err
	}
	return d, nil
}

// Show enters the sample that was drawn.
func (l *Ledger) Show(ctx context.Context, a Act, d Draw) error {
	return l.locked(ctx, a, "the sample is taken from the lot", Drawn, d)
}

// Assign says which device is a unit of the sample.
func (l *Ledger) Assign(ctx context.Context, a Act, lot string, sample int, serial string) error {
	return l.locked(ctx, a, "taken from the lot", Assigned, assignBody{lot, sample, serial})
}

// Result enters a run on a unit of the sample: its number in the store, its
// timeline's sum, and its verdict.
func (l *Ledger) Result(ctx context.Context, a Act, lot string, sample int, run int64, sum string, v verdict.Verdict) error {
	return l.locked(ctx, a, "tested as the plan asks", Tested, resultBody{lot, run, sample, sum, v})
}

// Void takes a wrong assignment or result out of the count, with a reason. The
// entry stays, and the certificate tells of it.
func (l *Ledger) Void(ctx context.Context, a Act, lot string, entry int) error {
	return l.locked(ctx, a, "", Voided, voidBody{entry, lot})
}

// Retest lets a unit be tested again, with a reason, whose run made it neither
// conforming nor nonconforming.
func (l *Ledger) Retest(ctx context.Context, a Act, lot string, sample int) error {
	return l.locked(ctx, a, "", Retested, sampleBody{lot, sample})
}

// Stop ends inspection before the sample's end, where the lot's mode allows it
// and the decision is due.
func (l *Ledger) Stop(ctx context.Context, a Act, lot string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	body := countBody{Lot: lot}
	if cur := l.series.Current(); cur != nil {
		st, err := cur.Standing()
		if err != nil {
			return fmt.Errorf("stop inspection of lot %s: %w", lot, err)
		}
		body.N, body.Bad = st.N, st.Bad
		if a.Why == "" {
			a.Why = st.Because
		}
	}
	return l.add(ctx, a, "the plan has decided", Stopped, body)
}

// Decide accepts or rejects the lot, as the plan says, and carries the
// switching rules on.
func (l *Ledger) Decide(ctx context.Context, a Act, lot string) (Decision, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	cur, err := l.series.current(lot)
	if err != nil {
		return "", fmt.Errorf("decide lot %s: %w", lot, err)
	}
	decision, st, next, err := l.series.due(cur)
	if err != nil {
		return "", fmt.Errorf("decide lot %s: %w", lot, err)
	}
	if err := l.add(ctx, a, st.Because, Decided, decideBody{st.Bad, decision, lot, st.N, next.Severity}); err != nil {
		return "", err
	}
	return decision, nil
}

// Withdraw takes back a lot of which nothing was tested.
func (l *Ledger) Withdraw(ctx context.Context, a Act, lot string) error {
	return l.locked(ctx, a, "", Withdrew, lotBody{lot})
}

// Resume goes on after inspection was discontinued: what the supplier did is
// the reason.
func (l *Ledger) Resume(ctx context.Context, a Act) error {
	return l.locked(ctx, a, "", Resumed, nothing{})
}
