// Package store keeps runs in one SQLite file: their timelines chunk by chunk
// as they happen, what they were run with, and every judgement made of them.
//
// A chunk that WriteChunk has taken survives a crash and a power cut: each is
// a transaction of its own in write-ahead mode with a sync at its end. A run
// whose process died is closed as error by the next process that opens the
// store; its chunks are kept. Judgements are added, never overwritten.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

	_ "modernc.org/sqlite" // the driver
)

// Store is an open store. Its methods may be called from several goroutines,
// and several processes may have the same file open.
type Store struct {
	db   *sql.DB
	path string
}

// Open opens the store in the file path, and makes file and folder if they
// do not exist. Runs that a dead process left open are closed as error.
func Open(ctx context.Context, path string) (*Store, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, &Error{Path: path, Doing: "find the file", Err: err}
	}
	s := &Store{path: abs}
	if err := os.MkdirAll(filepath.Dir(abs), 0o755); err != nil {
		return nil, s.fault("make its folder", err)
	}
	if s.db, err = sql.Open("sqlite", source(abs)); err != nil {
		return nil, s.fault("open", err)
	}
	s.db.SetMaxOpenConns(8)
	if err := s.patiently(ctx, s.prepare); err != nil {
		return nil, errors.Join(err, s.db.Close())
	}
	return s, nil
}

// busyFor is how long to wait for other processes.
const busyFor = 10 * time.Second

// patiently calls f until the file isn't busy. SQLite's own busy timeout does
// not hold while the first connection turns on, or the last one winds up, the
// write-ahead log (sqlite.org/wal.html, "sometimes queries return
// SQLITE_BUSY in WAL mode").
func (s *Store) patiently(ctx context.Context, f func(context.Context) error) error {
	for end := time.Now().Add(busyFor); ; {
		err := f(ctx)
		if !isBusy(err) || time.Now().After(end) {
			return err
		}
		select {
		case <-ctx.Done():
			return s.fault("wait for other processes", ctx.Err())
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// source is the driver's name for a file. Pragmas stand in it because each
// connection of the pool needs them. Transactions take the write lock at
// once: one that upgrades later fails without waiting.
func source(abs string) string {
	q := url.Values{
		"_txlock": {"immediate"},
		"_pragma": {
			fmt.Sprintf("busy_timeout(%d)", busyFor.Milliseconds()),
			// Of a new file only, and so before anything is written: pages that
			// are free can be given back to the disk.
			"auto_vacuum(INCREMENTAL)",
			"journal_mode(WAL)",
			"synchronous(FULL)",
			"foreign_keys(1)",
		},
	}
	u := url.URL{Scheme: "file", Path: abs, RawQuery: q.Encode()}
	return u.String()
}

func (s *Store) prepare(ctx context.Context) error {
	if err := s.migrate(ctx); err != nil {
		return err
	}
	return s.closeAbandoned(ctx)
}

// Close closes the file. A run still being recorded stays as it is and is
// closed as error when its process has ended.
func (s *Store) Close() error { return s.fault("close", s.db.Close()) }

// Path is the file's absolute path.
func (s *Store) Path() string { return s.path }

// inTx runs f in a transaction that holds the write lock.
func (s *Store) inTx(ctx context.Context, doing string, f func(*sql.Tx) error) error {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return s.fault(doing, err)
	}
	if err := f(tx); err != nil {
		// What f says is the cause; a failed rollback only follows from it.
		_ = tx.Rollback()
		return s.fault(doing, err)
	}
	return s.fault(doing, tx.Commit())
}

// check has SQLite look for damage (a quick_check).
func (s *Store) check(ctx context.Context) error {
	var found string
	err := s.db.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&found)
	if err == nil && found != "ok" {
		err = &damageError{found}
	}
	return s.fault("check the file", err)
}

// damageError is what quick_check found.
type damageError struct{ found string }

func (e *damageError) Error() string { return fmt.Sprintf("the file is damaged: %s", e.found) }
