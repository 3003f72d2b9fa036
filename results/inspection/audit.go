package inspection

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"slices"

	"drench/results/lot"
	"drench/results/store"
)

// Audit is what was found when ledger and store were held against each other.
type Audit struct {
	Runs    int      `json:"runs"`    // of which the timeline's sum was computed anew
	Differs []string `json:"differs"` // between ledger and store, a sentence each
	Missing []string `json:"missing"` // runs that the store no longer has
	Unlike  []string `json:"unlike"`  // units of a lot that were not tested alike
	Lots    int      `json:"lots"`    // that were looked at
}

// Sound tells whether nothing speaks against the ledger; runs that the store
// no longer has don't, but they can't speak for it either.
func (a Audit) Sound() bool { return len(a.Differs) == 0 && len(a.Unlike) == 0 }

// Audit computes the sums of all runs of the ledger from their timelines, and
// looks for runs on sampled devices that were not entered.
func (d Desk) Audit(ctx context.Context, s *lot.Series) (Audit, error) {
	var a Audit
	runs, err := d.Store.Runs(ctx, store.Filter{State: store.Done})
	if err != nil {
		return a, err
	}
	known := map[int64]store.Run{}
	for _, r := range runs {
		known[r.ID] = r
	}
	for _, l := range s.Lots {
		if err := d.audit(ctx, &a, l, known); err != nil {
			return a, fmt.Errorf("compare lot %s with the store: %w", l.Lot, err)
		}
	}
	return a, nil
}

func (d Desk) audit(ctx context.Context, a *Audit, l *lot.Lot, known map[int64]store.Run) error {
	a.Lots++
	mine, missing := map[int64]lot.Ran{}, map[int64]bool{}
	seen := map[string]bool{} // what runs of the lot were made of
	for _, u := range l.Units {
		for _, r := range u.Results {
			kept, ok := known[r.Run]
			if !ok {
				missing[r.Run] = true
				a.Missing = append(a.Missing, fmt.Sprintf("lot %s, entry %d: run %d is no longer in the store", l.Lot, r.Entry, r.Run))
				continue
			}
			sum, err := d.sum(ctx, r.Run)
			if err != nil {
				return err
			}
			a.Runs++
			mine[r.Run] = ran(kept, sum)
			if err := d.alike(ctx, a, l, r, seen); err != nil {
				return err
			}
		}
	}
	var runs []lot.Ran
	for id, kept := range known {
		if r, ok := mine[id]; ok {
			runs = append(runs, r)
		} else {
			runs = append(runs, ran(kept, kept.Sum))
		}
	}
	for id := range missing { // told above; not a difference
		runs = append(runs, stated(l, id))
	}
	slices.SortFunc(runs, func(a, b lot.Ran) int { return cmp.Compare(a.Run, b.Run) })
	for _, text := range l.Strays(runs) {
		a.Differs = append(a.Differs, fmt.Sprintf("lot %s, %s", l.Lot, text))
	}
	return nil
}

func ran(r store.Run, sum string) lot.Ran {
	return lot.Ran{Run: r.ID, DUT: r.DUT, Sum: sum, Verdict: r.Verdict, Started: r.Started}
}

// stated is a run as the ledger has it.
func stated(l *lot.Lot, id int64) lot.Ran {
	for _, u := range l.Units {
		for _, r := range u.Results {
			if r.Run == id {
				return lot.Ran{Run: id, DUT: r.Serial, Sum: r.Sum, Verdict: r.Verdict, Started: r.At}
			}
		}
	}
	return lot.Ran{Run: id}
}

// sum computes a timeline's SHA-256 from what is kept of it.
func (d Desk) sum(ctx context.Context, run int64) (string, error) {
	h := sha256.New()
	src := d.Store.Timeline(ctx, run)
	defer src.Close()
	if _, err := io.Copy(h, src); err != nil {
		return "", fmt.Errorf("read the timeline of run %d: %w", run, err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// alike notes a run that was made by another script or other limits than the
// first of its lot.
func (d Desk) alike(ctx context.Context, a *Audit, l *lot.Lot, res lot.Result, seen map[string]bool) error {
	if res.Voided != "" {
		return nil
	}
	r, err := d.Store.Get(ctx, res.Run)
	if err != nil {
		return err
	}
	key := r.Sources["script"].Text + "\x00" + r.LimitsText
	if !seen[key] {
		if len(seen) > 0 {
			a.Unlike = append(a.Unlike, fmt.Sprintf("lot %s, entry %d: run %d has another script or other limits than the lot's runs before", l.Lot, res.Entry, res.Run))
		}
		seen[key] = true
	}
	return nil
}
