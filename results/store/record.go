package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"os"
	"strconv"
	"time"

	"drench/results/verdict"
)

// Recorder keeps one run while it happens. It is a timeline.Sink, for one
// goroutine.
type Recorder struct {
	store  *Store
	ctx    context.Context
	id     int64
	number int
	clock  func() time.Time // wall time since the run's start that no step of the clock moves
	sum    hash.Hash
	live   *os.File // nil once finished
}

// Begin starts to keep a run and first closes those that dead processes left
// open. Of r, ID, State, Ended, Verdict, Reason and Sum are not used. All times
// of the run count from r.Started by the monotonic clock: it never ends before
// it began, whoever sets the clock meanwhile. Chunks
// are kept even after ctx is cancelled, since a run that is being stopped
// still has its end to record.
func (s *Store) Begin(ctx context.Context, r Run) (*Recorder, error) {
	if err := s.closeAbandoned(ctx); err != nil {
		return nil, err
	}
	began := time.Now()
	rec := &Recorder{store: s, ctx: context.WithoutCancel(ctx), sum: sha256.New(),
		clock: func() time.Time { return r.Started.Add(time.Since(began)) }}
	err := s.inTx(ctx, "begin a run", func(tx *sql.Tx) error {
		if err := rec.insert(ctx, tx, r); err != nil {
			return err
		}
		// The lock comes before the commit: nobody sees the run without it.
		var err error
		rec.live, err = s.holdLive(rec.id)
		return err
	})
	if err != nil {
		rec.release()
		return nil, err
	}
	return rec, nil
}

func (r *Recorder) insert(ctx context.Context, tx *sql.Tx, run Run) error {
	limits, err := putText(ctx, tx, run.LimitsText)
	if err != nil {
		return err
	}
	res, err := tx.ExecContext(ctx, `INSERT INTO runs
		(state, started, scenario, dut, bench, tool, seed, verdict, reason, sum, limits_name, limits_hash)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, '', '', ?, ?)`,
		Running, run.Started.UnixMicro(), run.Scenario, run.DUT, run.Bench, run.Tool,
		strconv.FormatUint(run.Seed, 10), verdict.None.String(), run.LimitsName, limits)
	if err != nil {
		return err
	}
	if r.id, err = res.LastInsertId(); err != nil {
		return err
	}
	for role, src := range run.Sources {
		hash, err := putText(ctx, tx, src.Text)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO run_sources (run, role, name, hash) VALUES (?, ?, ?, ?)`,
			r.id, role, src.Name, hash)
		if err != nil {
			return err
		}
	}
	return putTags(ctx, tx, r.id, run.Tags)
}

// ID is the run's number in the store.
func (r *Recorder) ID() int64 { return r.id }

var errFinished = errors.New("the run is finished")

// WriteChunk keeps a chunk of the timeline. When it returns nil, the chunk is
// on the disk.
func (r *Recorder) WriteChunk(b []byte) error {
	doing := fmt.Sprintf("keep chunk %d of run %d", r.number, r.id)
	if r.live == nil {
		return r.store.fault(doing, errFinished)
	}
	err := r.store.inTx(r.ctx, doing, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(r.ctx, `INSERT INTO chunks (run, number, kept, body) VALUES (?, ?, ?, ?)`,
			r.id, r.number, r.clock().UnixMicro(), b)
		return err
	})
	if err != nil {
		return err
	}
	r.number++
	r.sum.Write(b)
	return nil
}

// Finish ends the run with its first judgement, given as JSON. sum is the
// timeline's SHA-256 as its writer knows it; if it isn't that of the chunks
// kept, the run stays unfinished. An empty sum is not compared.
func (r *Recorder) Finish(ctx context.Context, v verdict.Verdict, reason, sum string, judgement json.RawMessage) error {
	doing := fmt.Sprintf("finish run %d", r.id)
	if r.live == nil {
		return r.store.fault(doing, errFinished)
	}
	kept := hex.EncodeToString(r.sum.Sum(nil))
	if sum != "" && sum != kept {
		return r.store.fault(doing, fmt.Errorf("the timeline's sum is %s, that of the chunks kept %s", sum, kept))
	}
	err := r.store.inTx(ctx, doing, func(tx *sql.Tx) error {
		now := r.clock()
		if err := closeRun(ctx, tx, r.id, outcome{now, v, reason, kept}); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO judgements (run, at, limits_name, limits_hash, verdict, reason, body)
			SELECT id, ?, limits_name, limits_hash, ?, ?, ? FROM runs WHERE id = ?`,
			now.UnixMicro(), v.String(), reason, jsonOrNull(judgement), r.id)
		return err
	})
	if err != nil {
		return err
	}
	r.release()
	// Between runs the log goes back into the file. If a reader is in the
	// way, a later one does it: nothing is lost meanwhile.
	_, _ = r.store.db.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
	return nil
}

// release tells other processes that nobody records the run any more.
func (r *Recorder) release() {
	if r.live != nil {
		_ = r.live.Close() // nothing was written through it
		r.live = nil
	}
}

// outcome is what is known of a run once it has ended.
type outcome struct {
	ended  time.Time
	v      verdict.Verdict
	reason string
	sum    string
}

// closeRun ends a run unless it has ended already.
func closeRun(ctx context.Context, tx *sql.Tx, id int64, o outcome) error {
	_, err := tx.ExecContext(ctx, `UPDATE runs SET state = ?, ended = ?, verdict = ?, reason = ?, sum = ?
		WHERE id = ? AND state = ?`,
		Done, o.ended.UnixMicro(), o.v.String(), o.reason, o.sum, id, Running)
	return err
}
