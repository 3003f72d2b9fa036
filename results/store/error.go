package store

import (
	"context"
	"errors"
	"io/fs"
	"strings"
	"syscall"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// ErrNotFound is in the chain of errors about a run that isn't in the store.
var ErrNotFound = errors.New("no such run")

var errNotOurs = errors.New("the file is an SQLite database, but not of drench")

// Error says what could not be done with which file, and the mend.
type Error struct {
	Path  string
	Doing string
	Err   error
	Mend  string // may be empty
}

func (e *Error) Error() string {
	parts := []string{"store " + e.Path, e.Doing, e.Err.Error()}
	text := strings.Join(parts, ": ")
	if e.Mend != "" {
		text += "; " + e.Mend
	}
	return text
}

func (e *Error) Unwrap() error { return e.Err }

// mends by SQLite's primary result code.
var mends = map[int]string{
	lib.SQLITE_FULL:     "free some space on its disk, or move the store to a larger one",
	lib.SQLITE_READONLY: mendAccess,
	lib.SQLITE_PERM:     mendAccess,
	lib.SQLITE_CANTOPEN: mendAccess,
	lib.SQLITE_BUSY:     mendBusy,
	lib.SQLITE_LOCKED:   mendBusy,
	lib.SQLITE_CORRUPT:  mendDamage,
	lib.SQLITE_NOTADB:   mendDamage,
	lib.SQLITE_IOERR:    "the disk failed to read or write: look for its errors with dmesg, and copy the file elsewhere",
}

const (
	mendAccess = "make the file and its folder writable for this user (after errors a disk goes read-only: look with dmesg), or name another file"
	mendBusy   = "another process has kept it locked: wait until that has finished, or stop it"
	mendDamage = "move the file away to go on with a new one; what is readable in it comes out with: sqlite3 FILE .recover"
)

// fault wraps err with the file, what was being done and the mend; nil stays
// nil, and what is already an *Error stays as it is.
func (s *Store) fault(doing string, err error) error {
	var own *Error
	if err == nil || errors.As(err, &own) {
		return err
	}
	return &Error{Path: s.path, Doing: doing, Err: err, Mend: mend(err)}
}

func mend(err error) string {
	var db *sqlite.Error
	var damage *damageError
	switch {
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return ""
	case errors.As(err, &db):
		return mends[db.Code()&0xff] // the low byte is the primary code
	case errors.As(err, &damage):
		return mendDamage
	case errors.Is(err, syscall.ENOSPC):
		return mends[lib.SQLITE_FULL]
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS), errors.Is(err, syscall.ENOTDIR):
		return mendAccess
	}
	return ""
}

// isBusy tells whether another process is in the way for the moment.
func isBusy(err error) bool {
	var db *sqlite.Error
	return errors.As(err, &db) && db.Code()&0xff == lib.SQLITE_BUSY
}
