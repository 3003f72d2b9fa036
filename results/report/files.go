package report

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// Files are what WriteAll writes, by name.
var files = []struct {
	name  string
	write func(io.Writer, Input) error
}{
	{"report.html", HTML},
	{"junit.xml", JUnit},
	{"trials.csv", CSV},
	{"timeline.vcd", VCD},
}

// WriteAll writes report.html, junit.xml, trials.csv and timeline.vcd into a
// folder, which it makes if need be. Each file appears whole or not at all;
// one of the same name is replaced.
func WriteAll(dir string, in Input) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make folder %s: %w%s", dir, err, mend(err))
	}
	for _, f := range files {
		if err := writeFile(dir, f.name, func(w io.Writer) error { return f.write(w, in) }); err != nil {
			return fmt.Errorf("write %s: %w%s", filepath.Join(dir, f.name), err, mend(err))
		}
	}
	return nil
}

// writeFile writes beside the file and renames once all is on the disk.
func writeFile(dir, name string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(dir, "."+name+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name()) // the error is what matters
		}
	}()
	err = errors.Join(write(f), f.Chmod(0o644), f.Sync())
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), filepath.Join(dir, name))
}

// mend says what the user can do about an error.
func mend(err error) string {
	switch {
	case errors.Is(err, syscall.ENOSPC):
		return "; free some space there, or name another folder with --out"
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS), errors.Is(err, syscall.ENOTDIR), errors.Is(err, fs.ErrExist):
		return "; make it a folder that this user can write to, or name another with --out"
	}
	return ""
}
