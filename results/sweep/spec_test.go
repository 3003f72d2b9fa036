package sweep

import (
	"strings"
	"testing"

	"drench/rig/config"
)

const whole = `sweep: trade
scenario: drip
factors:
  - name: sampling
    levels:
      - {name: 1 s, set: ["sampling.period=1 s"]}
      - name: 2 s
  - name: liquid
    levels:
      - name: tap
      - {name: sea, rig: sea.yaml}
      - {name: rain, rig: rain.yaml}
`

func TestSettings(t *testing.T) {
	s, err := ReadSpec(config.NewSource("trade.yaml", whole))
	if err != nil {
		t.Fatal(err)
	}
	if s.Repeats != 1 || s.Usable != 8e8 {
		t.Errorf("defaults are %d repeats, %v usable; want 1, 80 %%", s.Repeats, s.Usable)
	}
	list, err := s.Settings()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, at := range list {
		names = append(names, Point{Setting: at.Levels}.Name()+" "+at.Rig+" "+at.Set["sampling.period"])
	}
	want := "sampling 1 s, liquid tap  1 s|sampling 1 s, liquid sea sea.yaml 1 s|sampling 1 s, liquid rain rain.yaml 1 s|" +
		"sampling 2 s, liquid tap  |sampling 2 s, liquid sea sea.yaml |sampling 2 s, liquid rain rain.yaml "
	if got := strings.Join(names, "|"); got != want {
		t.Errorf("settings are\n%s\nwant\n%s", got, want)
	}
}

func TestBadSpecs(t *testing.T) {
	for change, want := range map[string][3]string{ // old text, new text, message
		"no name":      {"sweep: trade", "sweep: \"\"", ":1:1: the sweep has no name"},
		"unknown key":  {"scenario: drip", "scenario: drip\nspeed: 3", "speed"},
		"twice":        {"- name: liquid", "- name: sampling", ":8:5: factor sampling is there twice"},
		"level twice":  {"- name: 2 s", "- name: 1 s", "level 1 s is there twice"},
		"no key":       {`"sampling.period=1 s"`, `"sampling.period"`, "expected key=value"},
		"no levels":    {"      - name: tap\n      - {name: sea, rig: sea.yaml}\n      - {name: rain, rig: rain.yaml}\n", "      []\n", "the factor has no levels"},
		"battery":      {"scenario: drip", "scenario: drip\nbattery: 3 V", "battery"},
		"over-usable":  {"scenario: drip", "scenario: drip\nusable: 110 %", "not a share"},
		"no factor":    {whole[strings.Index(whole, "factors"):], "factors: []\n", "no factor is given"},
		"repeats":      {"scenario: drip", "scenario: drip\nrepeats: 0", "repeats is below 1"},
		"too many":     {"- name: liquid", many(), "more than 200 settings"},
		"no scenario":  {"scenario: drip", "scenario: \"\"", "no scenario is given"},
		"no YAML":      {"sweep: trade", "sweep: [", "trade.yaml:"},
		"minus trials": {"scenario: drip", "scenario: drip\ntrials: -1", "trials is negative"},
	} {
		text := strings.Replace(whole, want[0], want[1], 1)
		if text == whole {
			t.Fatalf("%s: nothing was changed", change)
		}
		if _, err := ReadSpec(config.NewSource("trade.yaml", text)); err == nil || !strings.Contains(err.Error(), want[2]) {
			t.Errorf("%s: %v; want it to say %q", change, err, want[2])
		}
	}
}

// many is a factor with 101 levels before the next.
func many() string {
	var b strings.Builder
	b.WriteString("- name: more\n    levels:\n")
	for i := range 101 {
		b.WriteString("      - name: " + strings.Repeat("x", i+1) + "\n")
	}
	return b.String() + "  - name: liquid"
}

func TestClash(t *testing.T) {
	s, err := ReadSpec(config.NewSource("trade.yaml", strings.Replace(whole, "{name: sea, rig: sea.yaml}", `{name: sea, set: ["sampling.period=3 s"]}`, 1)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Settings(); err == nil || !strings.Contains(err.Error(), "sampling 1 s, liquid sea: sampling.period is given by two factors") {
		t.Errorf("two factors that set the same: %v", err)
	}
}

func FuzzReadSpec(f *testing.F) {
	f.Add(whole)
	f.Add("sweep: x\nfactors: [{name: a, levels: [{name: b, set: [\"=\"]}]}]")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ReadSpec(config.NewSource("trade.yaml", text))
		if err != nil {
			return
		}
		list, err := s.Settings()
		if err == nil && (len(list) == 0 || len(list) > most) {
			t.Errorf("%d settings", len(list))
		}
	})
}
