package main

import (
	"context"
	"log/slog"

	"drench/results/inspection"
	"drench/results/store"
	"drench/rig/daemon"
)

// clerk enters runs on sampled devices into their lots' ledgers when they are
// over. What a daemon left that ended before, it enters at the start.
type clerk struct {
	desk inspection.Desk
	st   *store.Store
	log  *slog.Logger
	told map[string]string // why a product's runs can't be entered, as it was logged
}

func newClerk(st *store.Store, log *slog.Logger) *clerk {
	return &clerk{desk: inspection.Desk{Store: st, Cache: &inspection.Cache{}}, st: st, log: log, told: map[string]string{}}
}

// run looks whenever the bench turns to something else, until ctx ends.
func (c *clerk) run(ctx context.Context, d *daemon.Daemon) {
	for u := range d.Follow(ctx) {
		if u.Live != nil && u.Live.Job == nil {
			c.enter(ctx)
		}
	}
}

func (c *clerk) enter(ctx context.Context) {
	products, err := c.st.Products(ctx)
	if err != nil {
		c.log.Error("the ledgers of lots can't be listed", "err", err)
		return
	}
	for _, p := range products {
		n, err := c.desk.Enter(ctx, p)
		if n > 0 {
			c.log.Info("results entered into the ledger", "product", p, "results", n)
		}
		text := ""
		if err != nil && ctx.Err() == nil {
			text = err.Error()
		}
		if text != "" && text != c.told[p] {
			c.log.Error("a result can't be entered into the ledger", "product", p, "err", err)
		}
		c.told[p] = text
	}
}
