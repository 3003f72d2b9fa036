package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
)

// Inspection is what a file of runs is, as it stands.
type Inspection struct {
	Version int // of the file; Current is that of this drench, which Open makes of it
	Current int
	Runs    int
	Newest  Run // the zero Run if there is none
}

// Inspect looks at a file without changing anything: that it is whole
// (SQLite's integrity_check), of a version that this drench knows, and that
// the newest run's timeline is that of its sum. It is for backups: a file that
// somebody writes meanwhile may look damaged.
func Inspect(ctx context.Context, path string) (Inspection, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return Inspection{}, &Error{Path: path, Doing: "find the file", Err: err}
	}
	s := &Store{path: abs}
	if info, err := os.Stat(abs); err != nil || !info.Mode().IsRegular() {
		return Inspection{}, s.fault("look for the file", errors.Join(err, notRegular(info)))
	}
	if s.db, err = sql.Open("sqlite", readOnly(abs)); err != nil {
		return Inspection{}, s.fault("open", err)
	}
	in, err := s.inspect(ctx)
	return in, errors.Join(err, s.fault("close", s.db.Close()))
}

func notRegular(info os.FileInfo) error {
	if info == nil {
		return nil
	}
	if !info.Mode().IsRegular() {
		return errors.New("it is no regular file")
	}
	return nil
}

// readOnly is the driver's name for a file that must stay as it is. Without a
// log beside it nothing needs to be made there to read it, so that it may lie
// on a read-only disk.
func readOnly(abs string) string {
	q := url.Values{"mode": {"ro"}, "_pragma": {fmt.Sprintf("busy_timeout(%d)", busyFor.Milliseconds())}}
	if log, err := os.Stat(abs + "-wal"); err != nil || log.Size() == 0 {
		q.Set("immutable", "1")
	}
	u := url.URL{Scheme: "file", Path: abs, RawQuery: q.Encode()}
	return u.String()
}

func (s *Store) inspect(ctx context.Context) (Inspection, error) {
	in := Inspection{Current: len(migrations)}
	var err error
	if in.Version, err = s.version(ctx, s.db); err != nil {
		return in, err
	}
	if in.Version == 0 {
		return in, &Error{Path: s.path, Doing: "open", Err: errors.New("the file is empty"), Mend: "make the backup again"}
	}
	var found string
	err = s.db.QueryRowContext(ctx, `PRAGMA integrity_check(1)`).Scan(&found)
	if err == nil && found != "ok" {
		err = &damageError{found}
	}
	if err == nil {
		err = s.db.QueryRowContext(ctx, `SELECT count(*) FROM runs`).Scan(&in.Runs)
	}
	if err != nil {
		return in, s.fault("check the file", err)
	}
	newest, err := s.Runs(ctx, Filter{Limit: 1})
	if err != nil || len(newest) == 0 {
		return in, err
	}
	in.Newest = newest[0]
	return in, s.checkSum(ctx, in.Newest)
}

// checkSum holds the timeline of a run that has ended against its sum.
func (s *Store) checkSum(ctx context.Context, r Run) error {
	if r.State != Done {
		return nil
	}
	sum := sha256.New()
	if _, err := io.Copy(sum, s.Timeline(ctx, r.ID)); err != nil {
		return err
	}
	if got := hex.EncodeToString(sum.Sum(nil)); got != r.Sum {
		return s.fault(fmt.Sprintf("read run %d", r.ID), &damageError{fmt.Sprintf("its timeline has the sum %s, and was kept with %s", got, r.Sum)})
	}
	return nil
}
