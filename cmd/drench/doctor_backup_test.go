package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/results/store"
	"drench/results/verdict"
)

// TestDoctorBackup: a backup is told whole or not, and stays as it is.
func TestDoctorBackup(t *testing.T) {
	data := t.TempDir()
	st := storeIn(t, data)
	rec, err := st.Begin(t.Context(), store.Run{Started: time.Date(2026, 3, 9, 22, 0, 0, 0, time.UTC), Scenario: "drip", Bench: "virtual"})
	if err == nil {
		err = rec.WriteChunk(make([]byte, 20_000))
	}
	if err == nil {
		err = rec.Finish(t.Context(), verdict.Pass, "", "", nil)
	}
	if err == nil {
		err = st.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(data, "drench.db"))
	if err != nil {
		t.Fatal(err)
	}
	old, err := os.ReadFile("../../results/store/testdata/v1.db")
	if err != nil {
		t.Fatal(err)
	}
	changed := append([]byte{}, whole...)
	zeros := strings.Index(string(changed), strings.Repeat("\x00", 8000)) // in the chunk: no structure of SQLite's
	changed[zeros+4096] = 1
	newer := append([]byte{}, whole...)
	newer[63]++ // user_version, sqlite.org/fileformat.html section 1.3.9
	empty := filepath.Join(t.TempDir(), "drench.db")
	if err := storeAt(t, empty).Close(); err != nil {
		t.Fatal(err)
	}
	none, err := os.ReadFile(empty)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		file []byte
		grade
		says string
	}{
		"whole":            {whole, fine, "runs: 1, the newest is 1 of 2026-03-09 22:00:00 UTC"},
		"of version 1":     {old, fine, "version 1, which this drench brings up to"},
		"without runs":     {none, doubtful, "has no runs"},
		"cut off":          {whole[:len(whole)/2], broken, "malformed"},
		"a changed chunk":  {changed, broken, "its timeline has the sum"},
		"of a newer one":   {newer, broken, "this drench knows versions up to"},
		"empty":            {nil, broken, "the file is empty"},
		"another's":        {[]byte(strings.Repeat("drip drop\n", 1000)), broken, "file is not a database"},
		"is not there":     {nil, broken, "no such file"},
		"a folder instead": {nil, broken, "no regular file"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			p := &patient{backup: filepath.Join(folder, "backup.db")}
			switch name {
			case "is not there":
			case "a folder instead":
				p.backup = folder
			default:
				if err := os.WriteFile(p.backup, c.file, 0o444); err != nil {
					t.Fatal(err)
				}
			}
			got := p.backupFile(t.Context())
			if len(got) != 1 || got[0].Grade != c.grade || !strings.Contains(got[0].Found, c.says) || (c.grade != fine) != (got[0].Mend != "") {
				t.Errorf("got %+v, want %s and %q", got, c.grade, c.says)
			}
			files, err := os.ReadDir(folder)
			if err != nil || len(files) > 1 {
				t.Errorf("beside it: %v, %v", files, err)
			}
			if left, err := os.ReadFile(p.backup); c.file != nil && (err != nil || string(left) != string(c.file)) {
				t.Errorf("it was changed: %v", err)
			}
		})
	}
}

func storeAt(t *testing.T, path string) *store.Store {
	t.Helper()
	st, err := store.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	return st
}

// TestDoctorBackupFlag asks the program.
func TestDoctorBackupFlag(t *testing.T) {
	bin := drench(t)
	out, errs, status := call(t, t.TempDir(), bin, "doctor", "--backup", filepath.Join(t.TempDir(), "gone.db"))
	if status != verdict.Error.ExitStatus() || !strings.Contains(out, "backup") || !strings.Contains(out, "mend: make the backup again") {
		t.Errorf("status %d\n%s%s", status, out, errs)
	}
}
