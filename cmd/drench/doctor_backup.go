package main

import (
	"context"
	"errors"
	"fmt"

	"drench/results/store"
)

// backupFile looks whether a backup of the store, if one is named, is whole and
// could be put in its place.
func (p *patient) backupFile(ctx context.Context) []finding {
	if p.backup == "" {
		return nil
	}
	in, err := store.Inspect(ctx, p.backup)
	if err != nil {
		const mend = "make the backup again, as docs/operations.md has it; keep an older one until that is whole"
		var known *store.Error
		if errors.As(err, &known) {
			return ill(broken, fmt.Sprintf("%s: %s: %v", p.backup, known.Doing, known.Err), mend)
		}
		return ill(broken, err.Error(), mend)
	}
	text := fmt.Sprintf("%s is whole, version %d", p.backup, in.Version)
	if in.Version < in.Current {
		text += fmt.Sprintf(", which this drench brings up to %d", in.Current)
	}
	if in.Runs == 0 {
		return ill(doubtful, text+", and has no runs", "name the backup of the right store")
	}
	return well("%s; runs: %d, the newest is %d of %s UTC", text, in.Runs, in.Newest.ID, in.Newest.Started.Format("2006-01-02 15:04:05"))
}
