package daemon

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"regexp"
	"slices"
	"strings"

	"drench/results/store"
)

// nameOfFile is what a file may be called: no path, one of the known kinds.
var nameOfFile = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,60}\.(star|limits|yaml)$`)

const mostText = 256 << 10

// stock finds a file that comes with drench.
func (d *Daemon) stock(name string) (File, bool) {
	list := d.Workshop.Stock()
	i := slices.IndexFunc(list, func(f File) bool { return f.Name == name })
	if i < 0 {
		return File{}, false
	}
	return list[i], true
}

// Files lists the files, those that come with drench too, by name and without
// their texts. Each was checked when it was kept.
func (d *Daemon) Files(ctx context.Context) ([]File, error) {
	kept, err := d.Ledger.Files(ctx)
	if err != nil {
		return nil, err
	}
	var list []File
	for _, f := range d.Workshop.Stock() {
		f.Text, f.Hash, f.Problems = "", hashOf(f.Text), []string{}
		list = append(list, f)
	}
	for _, f := range kept {
		list = append(list, File{Name: f.Name, By: f.By, At: f.At, Hash: f.Hash, Problems: []string{}})
	}
	slices.SortFunc(list, func(a, b File) int { return strings.Compare(a.Name, b.Name) })
	return list, nil
}

func hashOf(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// File returns one file with its text and what is wrong with it.
func (d *Daemon) File(ctx context.Context, name string) (File, error) {
	if f, ok := d.stock(name); ok {
		f.Hash, f.Problems = hashOf(f.Text), []string{}
		return f, nil
	}
	s, err := d.Ledger.File(ctx, name)
	if errors.Is(err, store.ErrNoFile) {
		return File{}, notFound("no file is called %q", name)
	}
	if err != nil {
		return File{}, err
	}
	return File{Name: s.Name, Text: s.Text, By: s.By, At: s.At, Hash: s.Hash, Problems: d.problems(ctx, s.Name, s.Text)}, nil
}

// CheckFile tells what is wrong with a text, and keeps nothing.
func (d *Daemon) CheckFile(ctx context.Context, name, text string) (File, error) {
	if err := checkName(name, text); err != nil {
		return File{}, err
	}
	return File{Name: name, Text: text, Hash: hashOf(text), Problems: d.problems(ctx, name, text)}, nil
}

// problems are what is wrong with a text; an empty list, not nil, if nothing is.
func (d *Daemon) problems(ctx context.Context, name, text string) []string {
	return append([]string{}, d.Workshop.CheckFile(ctx, name, text)...)
}

func checkName(name, text string) error {
	switch {
	case !nameOfFile.MatchString(name):
		return bad("file name %q; expected letters, digits, _ and -, and .star, .limits or .yaml at the end", name)
	case len(text) > mostText:
		return bad("the file has %d bytes; expected at most %d", len(text), mostText)
	}
	return nil
}

// PutFile keeps a file, in place of the one that has its name, if nothing is
// wrong with it: *BadRequest says what is.
func (d *Daemon) PutFile(ctx context.Context, by, name, text string) (File, error) {
	f, err := d.CheckFile(ctx, name, text)
	if err != nil {
		return File{}, err
	}
	if _, is := d.stock(name); is {
		return File{}, bad("%s comes with drench and can't be changed; expected another name", name)
	}
	if len(f.Problems) > 0 {
		return File{}, &BadRequest{f.Problems}
	}
	s, err := d.Ledger.PutFile(ctx, store.File{Name: name, Text: text, By: by, At: d.Now()})
	if err != nil {
		return File{}, err
	}
	d.Log.Info("file kept", "file", name, "hash", s.Hash, "by", by)
	f.By, f.At = by, s.At
	return f, nil
}

// DeleteFile forgets a file. Runs keep what they were made with; a job or a
// night that names it can't be run any more, and says so then.
func (d *Daemon) DeleteFile(ctx context.Context, by, name string) error {
	if _, is := d.stock(name); is {
		return bad("%s comes with drench and can't be deleted", name)
	}
	if err := kept(d.Ledger.DeleteFile(ctx, name)); err != nil {
		return err
	}
	d.Log.Info("file deleted", "file", name, "by", by)
	return nil
}

// Preview rehearses a script on the virtual bench and draws what to expect.
func (d *Daemon) Preview(ctx context.Context, name string) (Preview, error) {
	return d.Workshop.Preview(ctx, name)
}

// Calibrations lists the records of calibration that the rig file names.
func (d *Daemon) Calibrations(ctx context.Context) ([]Calibration, error) {
	return d.Workshop.Calibrations(ctx)
}
