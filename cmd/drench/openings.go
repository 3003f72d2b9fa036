package main

import (
	"context"
	"errors"
	"time"

	"drench/drivers/gpio"
	"drench/results/store"
	"drench/rig/interlock"
)

// lastOpened says of the bench's interlock inputs when each was last seen to
// open, for the notes of a run that can't prove it. Of a virtual bench nobody
// keeps that: its timelines are the same on any day.
func (c *claim) lastOpened(ctx context.Context) (map[string]string, error) {
	if c == nil {
		return nil, nil
	}
	list, err := c.st.Proofs(ctx, c.bench)
	if err != nil {
		return nil, err
	}
	seen := map[string]string{}
	for _, p := range list {
		text := p.LastOpened.Format("2006-01-02 15:04 UTC") + ", " + p.How
		if p.By != "" {
			text += " (" + p.By + ")"
		}
		seen[p.Input] = text
	}
	return seen, nil
}

// keepOpenings remembers which interlock inputs were seen to open in a run, or
// while the bench was watched without one, which run 0 stands for.
func (c *claim) keepOpenings(ctx context.Context, run int64, seen []interlock.Opening) error {
	if c == nil {
		return nil
	}
	var errs []error
	for _, o := range seen {
		how := "in run " + itoa(int(run))
		if run == 0 {
			how = "while no run went on"
		}
		if o.By != "" {
			how = "opened by " + o.By + " " + how
		}
		at := time.Now().Add(-gpio.Now().Sub(o.At)) // a real bench's clock is the kernel's
		errs = append(errs, c.st.AddProof(context.WithoutCancel(ctx), store.Proof{Bench: c.bench, Input: o.Input, LastOpened: at, How: how}))
	}
	return errors.Join(errs...)
}
