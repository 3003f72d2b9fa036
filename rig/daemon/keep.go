package daemon

import (
	"context"
	"time"

	"drench/results/store"
)

// Keep says for how long runs are kept. A run stays if either says so; with
// both 0 all stay. A baseline always stays: tagged baseline, baseline=…, or
// with the tag that a night names as its baseline.
type Keep struct {
	Days int // since they began
	Runs int // the newest of each scenario on a bench
}

const (
	pruneEvery = 24 * time.Hour
	mostPruned = 1000 // runs a day
)

// prune deletes old runs if a day has gone by since it last did.
func (d *Daemon) prune(ctx context.Context, now time.Time) {
	if d.Keep == (Keep{}) || now.Sub(d.pruned).Abs() < pruneEvery {
		return
	}
	d.pruned = now
	gone, err := d.pruneNow(ctx, now)
	if err != nil && ctx.Err() == nil {
		d.Log.Error("old runs can't be deleted; tried again tomorrow", "err", err)
	}
	if len(gone) > 0 {
		d.Log.Info("old runs deleted", "runs", len(gone), "first", gone[0], "last", gone[len(gone)-1])
	}
}

func (d *Daemon) pruneNow(ctx context.Context, now time.Time) ([]int64, error) {
	nights, err := d.nights(ctx)
	if err != nil {
		return nil, err
	}
	keep := store.Keep{Newest: d.Keep.Runs}
	if d.Keep.Days > 0 {
		keep.Since = now.AddDate(0, 0, -d.Keep.Days)
	}
	for _, n := range nights {
		if n.Baseline != "" {
			keep.Baselines = append(keep.Baselines, n.Baseline)
		}
	}
	return d.Ledger.Prune(ctx, keep, mostPruned)
}
