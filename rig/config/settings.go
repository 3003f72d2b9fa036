package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"
	"github.com/spf13/viper"
)

// Settings are the tool's own, as opposed to a rig's.
type Settings struct {
	Rig  string `yaml:"rig"`  // path of the rig file; "" is the stock rig
	Data string `yaml:"data"` // folder of the store
}

// EnvPrefix begins the environment variables that override settings:
// DRENCH_RIG, DRENCH_DATA.
const EnvPrefix = "DRENCH"

// LoadSettings finds out each setting from, the first that has it: the flag of
// its name in flags, if there is such a flag and it was given; the environment
// (DRENCH_RIG, DRENCH_DATA); the user's settings file, drench/settings.yaml in
// $XDG_CONFIG_HOME or ~/.config, where paths count from the file's folder; the
// default, which is no rig file, and the folder drench in $XDG_DATA_HOME or
// ~/.local/share for data. flags may be nil.
func LoadSettings(flags *pflag.FlagSet) (Settings, error) {
	v := viper.New()
	v.SetEnvPrefix(EnvPrefix)
	v.AutomaticEnv()
	v.SetDefault("rig", "")
	v.SetDefault("data", xdg("XDG_DATA_HOME", ".local/share"))
	saved, err := settingsFile()
	if err != nil {
		return Settings{}, err
	}
	if err := v.MergeConfigMap(saved); err != nil {
		return Settings{}, fmt.Errorf("read settings: %w", err)
	}
	for _, key := range []string{"rig", "data"} {
		if flags == nil || flags.Lookup(key) == nil {
			continue
		}
		if err := v.BindPFlag(key, flags.Lookup(key)); err != nil {
			return Settings{}, fmt.Errorf("read flag --%s: %w", key, err)
		}
	}
	s := Settings{Rig: v.GetString("rig"), Data: v.GetString("data")}
	if s.Data == "" {
		return s, errors.New("no folder for data: there is no home folder here; set DRENCH_DATA or give --data")
	}
	return s, nil
}

// settingsFile reads what the user's settings file says, if there is one.
func settingsFile() (map[string]any, error) {
	dir := xdg("XDG_CONFIG_HOME", ".config")
	if dir == "" {
		return nil, nil
	}
	src, err := readFile(filepath.Join(dir, "settings.yaml"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read settings: %w", err)
	}
	var s Settings
	if err := Decode(src.Name, src.Text, &s); err != nil {
		return nil, err
	}
	said := map[string]any{}
	for key, path := range map[string]string{"rig": s.Rig, "data": s.Data} {
		if path != "" && !filepath.IsAbs(path) {
			path = filepath.Join(dir, path)
		}
		if path != "" {
			said[key] = path
		}
	}
	return said, nil
}

// xdg is the tool's folder under the one that variable names, or under the
// home folder; "" if there is none. As the XDG Base Directory Specification
// has it, a path that is not absolute does not count.
func xdg(variable, fromHome string) string {
	if dir := os.Getenv(variable); filepath.IsAbs(dir) {
		return filepath.Join(dir, "drench")
	}
	home, err := os.UserHomeDir()
	if err != nil || !filepath.IsAbs(home) {
		return ""
	}
	return filepath.Join(home, fromHome, "drench")
}
