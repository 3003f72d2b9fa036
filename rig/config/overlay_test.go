package config_test

import (
	"strings"
	"testing"
	"time"

	"drench/drivers/virtual"
	"drench/rig/config"
)

func stockDUT(t testing.TB) config.Source {
	t.Helper()
	src, err := config.ReadFile("stock/duts/capacitive-500ms.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return src
}

// TestOverlay: the settings count, the text that is kept shows them, and reads
// as the same profile without them.
func TestOverlay(t *testing.T) {
	set, err := config.ParseOverlay([]string{"sampling.period=1 s", "settings.period=\"1000\"", "model.sensor.noise = 7", "detect.active_low=false"})
	if err != nil {
		t.Fatal(err)
	}
	src := stockDUT(t)
	var model virtual.Model
	d, over, err := config.ReadProfile(src, set, &model)
	if err != nil {
		t.Fatal(err)
	}
	if d.Sampling.Period != time.Second || d.Sampling.Readings != 2 || d.Settings["period"] != "1000" || d.Settings["count"] != "2" || d.Detect.ActiveLow {
		t.Errorf("got %+v", d)
	}
	if over.SHA256 == src.SHA256 || over.Name != src.Name {
		t.Errorf("kept as %s %s", over.Name, over.SHA256)
	}
	for _, line := range []string{"period: 1 s # set for this run; the profile says 500 ms", "noise: 7 # set for this run; the profile says 4", "# A capacitive detector"} {
		if !strings.Contains(string(over.Text), line) {
			t.Errorf("the text lacks %q:\n%s", line, over.Text)
		}
	}
	var again virtual.Model
	e, _, err := config.ReadProfile(over, nil, &again)
	if err != nil || e.Sampling != d.Sampling || e.Settings["period"] != "1000" {
		t.Errorf("read again: %+v, %v", e, err)
	}
	if f, same, err := config.ReadProfile(src, nil, nil); err != nil || same.SHA256 != src.SHA256 || f.Sampling.Period == d.Sampling.Period {
		t.Errorf("without settings: %v, %v", f, err)
	}
}

func TestWrongSetting(t *testing.T) {
	for _, c := range []struct{ set, want string }{
		{"sampling.perod=1 s", `setting sampling.perod=1 s: unknown key perod; expected "period", perhaps`},
		{"sampling.period=1 V", `setting sampling.period=1 V: `},
		{"sampling.period=0 s", `setting sampling.period=0 s: `},
		{"sampling.period=", `setting sampling.period=: that is not one value`},
		{"sampling=1 s", `setting sampling=1 s: `},
		{"sampling.period.x=1 s", `setting sampling.period.x=1 s: sampling.period has no keys below it`},
		{"Sampling.period=1 s", `setting Sampling.period=1 s: "Sampling" is no key`},
		{"sampling.readings=1\nname: x", `that is not one value`},
		{"sampling.readings=[1, 2]", `that is not one value`},
		{"sampling.readings=1 # one", `that is not one value`},
		{"sampling.readings=&a 1", `setting sampling.readings=&a 1: `},
		{"recovery=1.8 V", `setting recovery=1.8 V: `},
		{"drop_out=2.2 V", `setting drop_out=2.2 V: drop_out 2.2 V is not below recovery 2.1 V`},
		{"model.sensor.nose=7", `setting model.sensor.nose=7: unknown key nose; expected "noise", perhaps`},
		{"nothing.like.it=7", `setting nothing.like.it=7: unknown key nothing`},
	} {
		set, err := config.ParseOverlay([]string{c.set})
		if err != nil {
			t.Errorf("%q: %v", c.set, err)
			continue
		}
		_, _, err = config.ReadProfile(stockDUT(t), set, &virtual.Model{})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v\nwant %s", c.set, err, c.want)
		}
	}
	for _, words := range [][]string{{"sampling.period"}, {"=1 s"}, {"a=1", "a=2"}} {
		if _, err := config.ParseOverlay(words); err == nil || !strings.HasPrefix(err.Error(), "setting ") {
			t.Errorf("%q: %v", words, err)
		}
	}
}

// FuzzOverlay: whatever is set, the outcome is an error, or a profile that can
// be read again to the same values.
func FuzzOverlay(f *testing.F) {
	for _, seed := range [][2]string{{"sampling.period", "1 s"}, {"name", "'x'"}, {"uart.reading", "a: b"}, {"settings.gain", "\"9\""}, {"model.off", "1 uA"}} {
		f.Add(seed[0], seed[1])
	}
	f.Fuzz(func(t *testing.T, key, value string) {
		d, over, err := config.ReadProfile(stockDUT(t), config.Overlay{key: value}, nil)
		if err != nil {
			if err.Error() == "" {
				t.Error("an error without words")
			}
			return
		}
		e, _, err := config.ReadProfile(over, nil, nil)
		if err != nil || e.Name != d.Name || e.Sampling != d.Sampling || e.UART != d.UART {
			t.Errorf("%+v, read again %+v, %v", d, e, err)
		}
	})
}
