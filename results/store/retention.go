package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"
)

// Keep says which runs are never deleted: those that began at Since or later,
// the newest of each scenario, those that serve as a baseline, and those of a
// lot, which are tagged lot or lot=…. With neither Since nor Newest all are kept.
type Keep struct {
	Since  time.Time // zero: this keeps none
	Newest int       // 0: this keeps none
	// Baselines are tags; "baseline" and any that begins with "baseline=" are
	// always among them.
	Baselines []string
}

// atOnce is how many runs are deleted in one transaction, so that whoever
// records meanwhile waits for moments only.
const atOnce = 10

// Prune deletes runs that have ended and that keep does not name, the oldest
// first, at most so many, and returns their numbers. The file shrinks by what
// was in them, unless it was made by version 3 or before: there it is room for
// further runs.
func (s *Store) Prune(ctx context.Context, keep Keep, most int) ([]int64, error) {
	if keep.Since.IsZero() && keep.Newest <= 0 {
		return nil, nil
	}
	var gone []int64
	for len(gone) < most {
		ids, err := s.prune(ctx, keep, min(atOnce, most-len(gone)))
		if err != nil {
			return gone, err
		}
		gone = append(gone, ids...)
		if len(ids) == 0 {
			break
		}
	}
	if len(gone) == 0 {
		return nil, nil
	}
	if err := s.pruneTexts(ctx); err != nil {
		return gone, err
	}
	return gone, s.shrink(ctx)
}

// pagesAtOnce is how many pages are given back while writers wait.
const pagesAtOnce = 1000

// shrink gives free pages back to the disk, as far as the file can.
func (s *Store) shrink(ctx context.Context) error {
	const doing = "give free pages back"
	for {
		var before, after int
		const count = `PRAGMA freelist_count`
		if err := s.db.QueryRowContext(ctx, count).Scan(&before); err != nil {
			return s.fault(doing, err)
		}
		if _, err := s.db.ExecContext(ctx, fmt.Sprintf(`PRAGMA incremental_vacuum(%d)`, pagesAtOnce)); err != nil {
			return s.fault(doing, err)
		}
		if err := s.db.QueryRowContext(ctx, count).Scan(&after); err != nil {
			return s.fault(doing, err)
		}
		if after == 0 || after >= before {
			return nil
		}
	}
}

// selectOld lists runs to delete. An open trip's run is looked at when the
// trip is cleared, and stays until then.
const selectOld = `SELECT id FROM (
		SELECT id, state, started, row_number() OVER (PARTITION BY bench, scenario ORDER BY id DESC) AS nth FROM runs)
	WHERE state = 'done' AND nth > ?1 AND started < ?2
	AND id NOT IN (SELECT run FROM run_tags WHERE tag IN ('baseline', 'lot') OR tag GLOB 'baseline=*' OR tag GLOB 'lot=*'%s)
	AND id NOT IN (SELECT run FROM trips WHERE cleared_at IS NULL AND run IS NOT NULL)
	ORDER BY id LIMIT ?3`

func (s *Store) prune(ctx context.Context, keep Keep, most int) (gone []int64, err error) {
	since := int64(1<<63 - 1)
	if !keep.Since.IsZero() {
		since = keep.Since.UnixMicro()
	}
	args := []any{max(keep.Newest, 0), since, most}
	var more strings.Builder
	for _, tag := range keep.Baselines {
		args = append(args, tag)
		fmt.Fprintf(&more, " OR tag = ?%d", len(args))
	}
	err = s.inTx(ctx, "delete old runs", func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, fmt.Sprintf(selectOld, more.String()), args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var id int64
			if err := rows.Scan(&id); err != nil {
				return err
			}
			gone = append(gone, id)
		}
		if err := rows.Err(); err != nil {
			return err
		}
		for _, id := range gone {
			if _, err := tx.ExecContext(ctx, `DELETE FROM runs WHERE id = ?`, id); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return gone, nil
}

// pruneTexts deletes texts that nothing refers to any more.
func (s *Store) pruneTexts(ctx context.Context) error {
	return s.inTx(ctx, "delete texts that nothing needs", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM texts WHERE hash NOT IN (
			SELECT limits_hash FROM runs UNION SELECT hash FROM run_sources UNION SELECT limits_hash FROM judgements UNION SELECT hash FROM files)`)
		return err
	})
}

// Size is how many bytes the store takes on its disk, and how many of them
// are free for further runs.
func (s *Store) Size(ctx context.Context) (size, free int64, err error) {
	err = s.db.QueryRowContext(ctx, `SELECT page_count * page_size, freelist_count * page_size
		FROM pragma_page_count, pragma_page_size, pragma_freelist_count`).Scan(&size, &free)
	return size, free, s.fault("read its size", err)
}
