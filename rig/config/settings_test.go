package config

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/pflag"
)

// home gives the test a home folder of its own and no settings.
func home(t *testing.T) string {
	dir := t.TempDir()
	t.Setenv("HOME", dir)
	for _, name := range []string{"XDG_CONFIG_HOME", "XDG_DATA_HOME", "DRENCH_RIG", "DRENCH_DATA"} {
		t.Setenv(name, "")
	}
	return dir
}

func flags(t *testing.T, args ...string) *pflag.FlagSet {
	f := pflag.NewFlagSet("drench", pflag.ContinueOnError)
	f.String("rig", "", "")
	f.String("data", "", "")
	if err := f.Parse(args); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestLoadSettingsPrecedence(t *testing.T) {
	dir := home(t)
	check := func(from string, f *pflag.FlagSet, want Settings) {
		t.Helper()
		if got, err := LoadSettings(f); err != nil || got != want {
			t.Errorf("%s: %+v, %v; want %+v", from, got, err, want)
		}
	}
	check("defaults", nil, Settings{"", filepath.Join(dir, ".local/share/drench")})
	t.Setenv("XDG_DATA_HOME", "relative")
	check("a relative XDG path does not count", flags(t), Settings{"", filepath.Join(dir, ".local/share/drench")})
	t.Setenv("XDG_DATA_HOME", "/data")
	check("XDG", flags(t), Settings{"", "/data/drench"})
	write(t, filepath.Join(dir, ".config/drench/settings.yaml"), "rig: mine.yaml\ndata: /srv/drench\n")
	check("file", flags(t), Settings{filepath.Join(dir, ".config/drench/mine.yaml"), "/srv/drench"})
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "etc"))
	check("no file there", flags(t), Settings{"", "/data/drench"})
	write(t, filepath.Join(dir, "etc/drench/settings.yaml"), "rig: ../mine.yaml\n")
	check("file in XDG folder", flags(t), Settings{filepath.Join(dir, "etc/mine.yaml"), "/data/drench"})
	t.Setenv("DRENCH_RIG", "env.yaml")
	t.Setenv("DRENCH_DATA", "env")
	check("environment", flags(t), Settings{"env.yaml", "env"})
	check("flag", flags(t, "--rig", "flag.yaml"), Settings{"flag.yaml", "env"})
	check("empty flag", flags(t, "--rig", ""), Settings{"", "env"})
	check("command without flags", pflag.NewFlagSet("", pflag.ContinueOnError), Settings{"env.yaml", "env"})
}

func TestLoadSettingsErrors(t *testing.T) {
	dir := home(t)
	path := filepath.Join(dir, ".config/drench/settings.yaml")
	write(t, path, "# my settings\nrigs: a\n")
	want := path + `:2:1: unknown key rigs; expected "rig", perhaps`
	if _, err := LoadSettings(nil); err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	write(t, filepath.Join(dir, "a/drench/settings.yaml/file"), "")
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "a"))
	if _, err := LoadSettings(nil); err == nil || !strings.HasPrefix(err.Error(), "read settings: ") {
		t.Errorf("a folder for a file: %v", err)
	}
	t.Setenv("HOME", "")
	t.Setenv("XDG_CONFIG_HOME", "")
	if _, err := LoadSettings(nil); err == nil || !strings.Contains(err.Error(), "DRENCH_DATA") {
		t.Errorf("no home: %v", err)
	}
}
