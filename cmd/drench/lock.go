package main

import (
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// benchLock keeps a bench for one process. It is the kernel's lock on a file,
// so that it ends with the process, however that ends; the file stays.
type benchLock struct{ file *os.File }

// lockBench locks a bench by its name, in the folder of the store.
func lockBench(folder, bench string) (*benchLock, error) {
	path := filepath.Join(folder, "bench-"+url.PathEscape(bench)+".lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("lock bench %s: %w", bench, err)
	}
	l := &benchLock{f}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = &inUseError{bench, holder(f)}
	}
	if err == nil {
		err = l.sign()
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return l, nil
}

// sign writes into the file who has it.
func (l *benchLock) sign() error {
	if err := l.file.Truncate(0); err != nil {
		return fmt.Errorf("sign the bench's lock: %w", err)
	}
	if _, err := l.file.WriteAt([]byte(itoa(os.Getpid())+"\n"), 0); err != nil {
		return fmt.Errorf("sign the bench's lock: %w", err)
	}
	return nil
}

func (l *benchLock) release() error { return l.file.Close() }

// holder reads who signed the file, "" if nobody has yet.
func holder(f io.Reader) string {
	b, _ := io.ReadAll(io.LimitReader(f, 32)) // what can't be read is not known
	return strings.TrimSpace(string(b))
}

// inUseError says that another process has the bench.
type inUseError struct{ bench, pid string }

func (e *inUseError) Error() string {
	who := "another process"
	if e.pid != "" {
		who = "process " + e.pid
	}
	return fmt.Sprintf("bench %s is in use by %s; wait until that has finished, or stop it", e.bench, who)
}
