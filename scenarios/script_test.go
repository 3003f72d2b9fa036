package scenarios_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"drench/drivers/virtual"
	"drench/rig"
	"drench/rig/interlock"
	"drench/rig/timeline"
	"drench/scenarios"
)

func load(t *testing.T, name string) *scenarios.Script {
	t.Helper()
	s, err := scenarios.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestStock(t *testing.T) {
	if got, want := scenarios.Stock(), []string{"assurance", "brownout", "condensation", "drip", "dropout", "spray", "threshold"}; !slices.Equal(got, want) {
		t.Errorf("stock scenarios are %v, want %v", got, want)
	}
	for _, name := range scenarios.Stock() {
		s := load(t, name)
		if s.About == "" || len(s.Plan) == 0 {
			t.Errorf("%s says nothing of itself", name)
		}
		if _, _, ok, err := s.DefaultLimits(); err != nil || !ok {
			t.Errorf("%s has no limits: %v", name, err)
		}
	}
	if _, err := scenarios.Load("drizzle"); err == nil || !strings.Contains(err.Error(), "assurance, brownout, condensation, drip, dropout, spray, threshold") {
		t.Errorf("unknown scenario: %v", err)
	}
}

func TestScale(t *testing.T) {
	s := load(t, "drip")
	if got := s.Scale(0); got[rig.Wet] != s.Plan[0].N {
		t.Errorf("Scale(0) = %v", got)
	}
	got := s.Scale(3)
	if got[rig.Wet] != 3 || got[rig.Decoy] != 2 { // 22 of 64, times 3, rounded up
		t.Errorf("Scale(3) = %v", got)
	}
}

// TestSameSeed: the same seed gives the same timeline, byte for byte, another
// seed another.
func TestSameSeed(t *testing.T) {
	for _, name := range scenarios.Stock() {
		s := load(t, name)
		run := func(seed uint64) []byte {
			tl, cut := rehearse(t, s, 2, seed, nil)
			if cut != nil {
				t.Fatalf("%s: %v", name, cut)
			}
			return tl
		}
		first := run(7)
		if !bytes.Equal(first, run(7)) {
			t.Errorf("%s: the same seed gave two timelines", name)
		}
		if bytes.Equal(first, run(8)) {
			t.Errorf("%s: two seeds gave the same timeline", name)
		}
	}
}

// TestTripEndsRun: an interlock ends any scenario, and the timeline says why.
func TestTripEndsRun(t *testing.T) {
	for _, name := range scenarios.Stock() {
		tl, cut := rehearse(t, load(t, name), 0, 1, func(c *virtual.Config) {
			if err := c.SetFault("estop_pressed"); err != nil {
				t.Fatal(err)
			}
		})
		var trip *interlock.TripError
		if !errors.As(cut, &trip) || !strings.Contains(trip.Reason, "emergency stop") {
			t.Errorf("%s: ended with %v, want the trip", name, cut)
		}
		evs := events(t, tl)
		i := slices.IndexFunc(evs, func(ev rig.Event) bool { return ev.Kind == rig.Trip })
		last := evs[len(evs)-1]
		if i < 0 || last.Kind != rig.End || last.Text == "" {
			t.Errorf("%s: timeline has no trip, or ends with %+v", name, last)
			continue
		}
		for _, ev := range evs[i:] {
			if ev.Kind == rig.Command && ev.Value != 0 {
				t.Errorf("%s: channel %d set to %d after the trip", name, ev.Channel, ev.Value)
			}
		}
	}
}

func events(t *testing.T, tl []byte) []rig.Event {
	t.Helper()
	_, evs, err := timeline.ReadAll(bytes.NewReader(tl))
	if err != nil {
		t.Fatal(err)
	}
	return evs
}

// TestDithered: wet trials begin at all phases of the DUT's sampling, or a
// fixed beat between rig and DUT would see one phase only. Of 64 trials each
// eighth of the period gets some.
func TestDithered(t *testing.T) {
	tl, cut := rehearse(t, load(t, "drip"), 64, 3, nil)
	if cut != nil {
		t.Fatal(cut)
	}
	var beat rig.Instant
	var seen [8]int
	heart := rig.ID(0)
	r, err := timeline.NewReader(bytes.NewReader(tl))
	if err != nil {
		t.Fatal(err)
	}
	heart, _ = rig.Find(r.Header.Channels, rig.Heartbeat)
	for _, ev := range events(t, tl) {
		switch {
		case ev.Kind == rig.Edge && ev.Channel == heart:
			beat = ev.At
		case ev.Kind == rig.TrialBegin && strings.Contains(ev.Text, `"wet"`):
			seen[min(int(ev.At.Sub(beat)*8/r.Header.Device.Sampling.Period), 7)]++
		}
	}
	if slices.Contains(seen[:], 0) {
		t.Errorf("trials by eighth of the sampling period: %v", seen)
	}
}

// TestQuantities: scripts calculate with units.
func TestQuantities(t *testing.T) {
	for text, want := range map[string]string{
		`quantity("2 s") * 3 == quantity("6 s")`:        "True",
		`quantity("2 s") + "500 ms"`:                    "2.5 s",
		`quantity("0.4 ml") / quantity("0.1 ml")`:       "4.0",
		`quantity("3.3 V").to("mV")`:                    "3300.0",
		`quantity("20 °C") + "2 K"`:                     "22 °C",
		`-quantity("2 s") < quantity("1 s")`:            "True",
		`quantity("20 °C").to("°C")`:                    "20.0",
		`"%s" % (quantity("1 ml") / 3)`:                 `"333.3 µl"`,
		`quantity("2 s") + quantity("1 V")`:             "different units",
		`quantity("2 s") * 1e300`:                       "out of range",
		`quantity("2 s") / quantity("0 s")`:             "divided by zero",
		`quantity("2 s").to("V")`:                       "can't be given in V",
		`quantity("2 s") < quantity("1 V")`:             "can't be compared",
		`sorted([quantity("2 s"), quantity("1 s")])[0]`: "1 s",
		`{quantity("2 s"): 1}[quantity("2 s")]`:         "1",
		`quantity("2 s") == quantity("2 V")`:            "False",
	} {
		s, err := scenarios.Parse("q", "q.star", []byte("about = str("+strings.Replace(text, `"%s" %`, `repr("%s" %`, 1)+strings.Repeat(")", strings.Count(text, `"%s" %`))+")\n\ndef run():\n    pass"))
		got := ""
		if err != nil {
			got = err.Error()
		} else {
			got = s.About
		}
		if !strings.Contains(got, want) {
			t.Errorf("%s is %s, want %s", text, got, want)
		}
	}
}

// TestVerbs: every verb says what it does, and its parameters show how they are
// written.
func TestVerbs(t *testing.T) {
	for _, v := range scenarios.Verbs() {
		if v.About == "" || !strings.HasSuffix(v.Signature, ")") {
			t.Errorf("verb %+v is not documented", v)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, name := range scenarios.Stock() {
		s, err := scenarios.Load(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(s.Text)
	}
	f.Add([]byte("def run():\n    wait(\"2 s\", *[], **{})"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := scenarios.Parse("fuzz", "fuzz.star", text)
		if err == nil {
			_ = s.Check(nil)
			return
		}
		if !strings.Contains(err.Error(), "fuzz.star:") {
			t.Errorf("error %q has no place", err)
		}
	})
}
