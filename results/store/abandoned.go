package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"io"
	"time"

	"drench/results/verdict"
)

// closeAbandoned closes, as error, the runs whose process has died. As a
// crash may have done more, the file is checked for damage first.
func (s *Store) closeAbandoned(ctx context.Context) error {
	ids, err := s.abandoned(ctx)
	if err != nil || len(ids) == 0 {
		return s.fault("look for interrupted runs", err)
	}
	if err := s.check(ctx); err != nil {
		return err
	}
	for _, id := range ids {
		if err := s.closeInterrupted(ctx, id); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) abandoned(ctx context.Context) ([]int64, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT id FROM runs WHERE state = ? ORDER BY id`, Running)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var ids []int64
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		live, err := s.isLive(id)
		if err != nil {
			return nil, err
		}
		if !live {
			ids = append(ids, id)
		}
	}
	return ids, rows.Err()
}

// closeInterrupted ends a run at the last chunk that was kept. A process that
// finished the run meanwhile wins.
func (s *Store) closeInterrupted(ctx context.Context, id int64) error {
	sum := sha256.New()
	if _, err := io.Copy(sum, s.Timeline(ctx, id)); err != nil {
		return err
	}
	return s.inTx(ctx, fmt.Sprintf("close interrupted run %d", id), func(tx *sql.Tx) error {
		var chunks int
		var last int64
		err := tx.QueryRowContext(ctx, `SELECT
			(SELECT count(*) FROM chunks WHERE run = runs.id),
			max(started, coalesce((SELECT max(kept) FROM chunks WHERE run = runs.id), started))
			FROM runs WHERE id = ?`, id).Scan(&chunks, &last)
		if err != nil {
			return err
		}
		reason := fmt.Sprintf("interrupted: the process that ran it ended without closing it; chunks kept: %d", chunks)
		return closeRun(ctx, tx, id, outcome{time.UnixMicro(last), verdict.Error, reason, hex.EncodeToString(sum.Sum(nil))})
	})
}
