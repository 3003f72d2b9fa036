package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// FuzzRigFile: whatever a rig file says, all its sections included, it is a
// bench or a list of mistakes with their places.
func FuzzRigFile(f *testing.F) {
	text, err := os.ReadFile(piBench)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), "rig.yaml")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		b, err := readBench(path)
		if err != nil {
			if !strings.Contains(err.Error(), filepath.Dir(path)) && !strings.Contains(err.Error(), ".yaml") {
				t.Errorf("%q names no file", err)
			}
			return
		}
		if table, err := b.channels(1); err == nil && len(table) == 0 {
			t.Error("a bench without channels")
		}
	})
}
