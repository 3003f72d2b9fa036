package store

import (
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// A run that is being recorded holds a lock on one byte, at the run's own
// number, of a file beside the store. The kernel lets go of it when the
// process ends, however it ends, so a lock can't outlive its run and nothing
// has to be compared: process numbers are used again, clocks step, and
// neither means anything in another container. The lock belongs to the open
// file (F_OFD_SETLK), so that two stores in one process see each other's.
// Like write-ahead mode it wants a local disk.

func (s *Store) lockPath() string { return s.path + "-live" }

// holdLive marks a run as being recorded until the file is closed.
func (s *Store) holdLive(run int64) (*os.File, error) {
	f, err := os.OpenFile(s.lockPath(), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	lock := liveLock(run)
	if err := unix.FcntlFlock(f.Fd(), unix.F_OFD_SETLK, &lock); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("lock byte %d of %s: %w", run, s.lockPath(), err)
	}
	return f, nil
}

// isLive tells whether some process is recording the run.
func (s *Store) isLive(run int64) (bool, error) {
	f, err := os.OpenFile(s.lockPath(), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return false, err
	}
	defer f.Close()
	lock := liveLock(run)
	if err := unix.FcntlFlock(f.Fd(), unix.F_OFD_GETLK, &lock); err != nil {
		return false, fmt.Errorf("query lock on byte %d of %s: %w", run, s.lockPath(), err)
	}
	return lock.Type != unix.F_UNLCK, nil
}

func liveLock(run int64) unix.Flock_t {
	return unix.Flock_t{Type: unix.F_WRLCK, Whence: io.SeekStart, Start: run, Len: 1}
}
