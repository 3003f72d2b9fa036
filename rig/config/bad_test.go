package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"drench/rig"
)

// Each broken file lies beside the message that it must give, NAME.want.
const badFiles = "../../testdata/bad"

func TestBadProfiles(t *testing.T) {
	bad(t, filepath.Join(badFiles, "profiles"), func(path string) error {
		_, _, err := LoadProfile(path, "", nil)
		return err
	})
}

func TestBadRigs(t *testing.T) {
	bad(t, filepath.Join(badFiles, "rigs"), func(path string) error {
		_, err := LoadRig(path, map[string]any{"virtual": &tube{Rate: rig.MlPerMin}})
		return err
	})
}

func bad(t *testing.T, dir string, load func(path string) error) {
	files, err := filepath.Glob(filepath.Join(dir, "*.yaml"))
	if err != nil || len(files) < 8 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".yaml")
		t.Run(name, func(t *testing.T) {
			want, err := os.ReadFile(strings.TrimSuffix(f, ".yaml") + ".want")
			if err != nil {
				t.Error(err)
			}
			got := "no error"
			if err := load(f); err != nil {
				got = strings.ReplaceAll(err.Error(), dir+"/", "")
			}
			if got != strings.TrimSuffix(string(want), "\n") {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}
