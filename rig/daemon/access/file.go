package access

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// File keeps tokens in a JSON file that only its owner can read. It is read
// anew each time, so that a token made or revoked by another process counts
// at once.
type File struct{ path string }

// NewFile returns the tokens in a file, which need not exist yet.
func NewFile(path string) *File { return &File{path} }

// kept is the file's shape.
type kept struct {
	Tokens []Token `json:"tokens"`
}

// Tokens implements Tokens.
func (f *File) Tokens(context.Context) ([]Token, error) {
	b, err := os.ReadFile(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the tokens: %w", err)
	}
	if info, err := os.Stat(f.path); err == nil && info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("read the tokens: others can read or change %s (mode %04o); expected 0600: chmod 600 %[1]s", f.path, info.Mode().Perm())
	}
	var k kept
	if err := json.Unmarshal(b, &k); err != nil {
		return nil, fmt.Errorf("read the tokens in %s: %w; expected what drench serve token writes: restore the file, or delete it and make the tokens anew", f.path, err)
	}
	return k.Tokens, nil
}

// Add keeps one more token. Each has a name of its own, so that the log tells
// who did what.
func (f *File) Add(ctx context.Context, t Token) error {
	return f.change(ctx, func(list []Token) ([]Token, error) {
		if slices.ContainsFunc(list, func(o Token) bool { return o.Name == t.Name }) {
			return nil, fmt.Errorf("there is a token of %s already; revoke it first, or choose another name", t.Name)
		}
		return append(list, t), nil
	})
}

// Revoke forgets the token of a name.
func (f *File) Revoke(ctx context.Context, name string) error {
	return f.change(ctx, func(list []Token) ([]Token, error) {
		rest := slices.DeleteFunc(slices.Clone(list), func(t Token) bool { return t.Name == name })
		if len(rest) == len(list) {
			return nil, fmt.Errorf("no token of %s; expected %s", quoted(name), orNames(list))
		}
		return rest, nil
	})
}

func orNames(list []Token) string {
	if len(list) == 0 {
		return "one that exists, and there is none"
	}
	names := make([]string, len(list))
	for i, t := range list {
		names[i] = t.Name
	}
	return "one of " + strings.Join(names, ", ")
}

// change rewrites the file whole, one process at a time.
func (f *File) change(ctx context.Context, to func([]Token) ([]Token, error)) error {
	if err := os.MkdirAll(filepath.Dir(f.path), 0o755); err != nil {
		return fmt.Errorf("make the folder of the tokens: %w", err)
	}
	lock, err := os.OpenFile(f.path+".lock", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("lock the tokens: %w", err)
	}
	defer lock.Close() // which unlocks
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX); err != nil {
		return fmt.Errorf("lock %s: %w", lock.Name(), err)
	}
	list, err := f.Tokens(ctx)
	if err != nil {
		return err
	}
	if list, err = to(list); err != nil {
		return err
	}
	b, err := json.MarshalIndent(kept{list}, "", "\t")
	if err != nil {
		return fmt.Errorf("write the tokens: %w", err)
	}
	return f.replace(append(b, '\n'))
}

// replace puts a new file in the old one's place, on the disk before it is
// seen.
func (f *File) replace(b []byte) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("write the tokens: %w", err)
		}
	}()
	t, err := os.CreateTemp(filepath.Dir(f.path), filepath.Base(f.path)+".*") // with mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(t.Name()) // of no use after the rename, and harmless
	_, err = t.Write(b)
	if err = errors.Join(err, t.Sync(), t.Close()); err != nil {
		return err
	}
	return os.Rename(t.Name(), f.path)
}
