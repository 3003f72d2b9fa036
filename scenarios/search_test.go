package scenarios_test

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"drench/drivers/virtual"
	"drench/results/adaptive"
	"drench/results/limits"
	"drench/results/measure"
	"drench/rig"
	"drench/rig/timeline"
	"drench/scenarios"

	"periph.io/x/conn/v3/physic"
)

// extracted rehearses a script and returns its measures.
func extracted(t *testing.T, s *scenarios.Script, seed uint64, mend func(*virtual.Config)) (*measure.Set, timeline.Header) {
	t.Helper()
	tl, cut := rehearse(t, s, 0, seed, mend)
	if cut != nil {
		t.Fatal(cut)
	}
	r, err := timeline.NewReader(bytes.NewReader(tl))
	if err != nil {
		t.Fatal(err)
	}
	set, err := measure.Extract(r.Header, r.All())
	if err != nil {
		t.Fatal(err)
	}
	return set, r.Header
}

func fault(t *testing.T, name string) func(*virtual.Config) {
	return func(c *virtual.Config) {
		if err := c.SetFault(name); err != nil {
			t.Fatal(err)
		}
	}
}

// TestBoundariesHoldTheTruth: the virtual DUT stops at 2.2 V and starts at
// 2.5 V. Every bracket holds that, with the guard band of the rail's readback.
func TestBoundariesHoldTheTruth(t *testing.T) {
	truth := map[string]float64{measure.DropOut: 2.2e9, measure.Recovery: 2.5e9, measure.Immunity: 2.2e9}
	for seed := range uint64(5) {
		set, h := extracted(t, load(t, "dropout"), seed, nil)
		guard := measure.Guard * float64(h.Calibration.Supply.RailU)
		seen := map[string]int{}
		for _, b := range set.Boundaries {
			seen[b.Of]++
			if !b.HasHeld || !b.HasFailed || !b.Sure() && b.Of != measure.RideThrough {
				t.Errorf("seed %d: no bracket: %+v", seed, b)
				continue
			}
			want, known := truth[b.Of]
			if known && (float64(b.Lower())-guard > want || float64(b.Upper())+guard < want) {
				t.Errorf("seed %d: %s at %v is from %.3f to %.3f V, which leaves out %.1f V", seed, b.Of, b.Width, float64(b.Lower())/1e9, float64(b.Upper())/1e9, want/1e9)
			}
			if wide := float64(b.Upper() - b.Lower()); known && wide > 0.07e9 {
				t.Errorf("seed %d: %s at %v is known to within %.3f V only", seed, b.Of, b.Width, wide/1e9)
			}
		}
		if seen[measure.DropOut] != 1 || seen[measure.Recovery] != 1 || seen[measure.Immunity] != 8 || seen[measure.RideThrough] != 1 {
			t.Errorf("seed %d: boundaries %v", seed, seen)
		}
	}
	set, _ := extracted(t, load(t, "dropout"), 1, fault(t, "high_drop_out")) // stops at 2.9 V, starts at 3.1 V
	for name, want := range map[string]float64{measure.DropOut: 2.9e9, measure.Recovery: 3.1e9} {
		if m := set.Find(name); m == nil || len(m.Samples) != 1 || math.Abs(float64(m.Samples[0].Value)-want) > 0.03e9 {
			t.Errorf("%s: %+v, want about %.1f V", name, m, want/1e9)
		}
	}
}

// TestHeldIsMeasured: what a search sees while the run goes is what the measures
// read from the timeline afterwards.
func TestHeldIsMeasured(t *testing.T) {
	const script = `
def run():
    power()
    quiet("10 s")
    for level in ["50 %", "60 %", "64 %", "66 %", "68 %", "70 %", "90 %"]:
        note("held %s" % hold(level = level, time = "8 s").held)
        for width in ["1 ms", "30 ms", "1 s", "3 s"]:
            note("held %s" % dip(level = level, width = width).held)
    for level in ["60 %", "74 %", "75 %", "76 %", "77 %", "90 %"]:
        note("held %s" % rise(level = level, low = "20 %").held)
    for width in ["10 ms", "1 s", "2 s", "3 s", "8 s"]:
        for i in range(4):
            note("held %s" % dip(level = "0 %", width = width, source = "high").held)
`
	s, err := scenarios.Parse("held", "held.star", []byte(script))
	if err != nil {
		t.Fatal(err)
	}
	tl, cut := rehearse(t, s, 0, 3, nil)
	if cut != nil {
		t.Fatal(cut)
	}
	var held []bool
	for _, ev := range events(t, tl) {
		if text, ok := strings.CutPrefix(ev.Text, "held "); ok && ev.Kind == rig.Note {
			held = append(held, text == "True")
		}
	}
	set, _ := extracted(t, s, 3, nil)
	if len(set.Trials) != len(held) || len(held) != 7*5+6+20 {
		t.Fatalf("%d trials, %d notes", len(set.Trials), len(held))
	}
	sides := map[bool]int{}
	for i, tr := range set.Trials {
		want := !tr.Dip.Restarted
		if tr.Spec.Dip.Shape == rig.Rise {
			want = tr.Dip.Started
		}
		if held[i] != want {
			t.Errorf("trial %d, %+v: the search saw %v, the measures %v (%+v)", tr.N, *tr.Spec.Dip, held[i], want, *tr.Dip)
		}
		sides[want]++
	}
	if sides[true] < 15 || sides[false] < 15 {
		t.Errorf("trials by outcome: %v", sides)
	}
}

// TestThresholdScenario: on the virtual bench two drops of tap water are too
// little and three enough, nearly always, so a90 lies between them; the search
// says so, by half the trials that it may make or fewer, and does not give a drop
// to a sensor that is still wet.
func TestThresholdScenario(t *testing.T) {
	for seed := range uint64(5) {
		set, h := extracted(t, load(t, "threshold"), seed, nil)
		m := set.Find(measure.Threshold)
		if m == nil || m.Inconc > 0 || m.N > h.Planned[rig.Probe]/2 {
			t.Fatalf("seed %d: %+v", seed, m)
		}
		th, err := adaptive.NewThreshold(limits.DoseTrials(m))
		if err != nil {
			t.Fatal(err)
		}
		drop := float64(h.Calibration.Drip.Drop)
		lower, upper := th.Dose(0.9, 0.025), th.Dose(0.9, 0.975)
		if lower > 3*drop || upper < 2*drop || upper > 4.5*drop {
			t.Errorf("seed %d: a90 from %.2f to %.2f drops, want it to hold 2 to 3", seed, lower/drop, upper/drop)
		}
		for _, tr := range set.Trials {
			if tr.Spec.Kind == rig.Probe && tr.Spec.Dose%h.Calibration.Drip.Drop != 0 {
				t.Errorf("seed %d: trial %d has %v, which is no whole number of drops", seed, tr.N, tr.Spec.Dose)
			}
		}
		if fa := set.Find(measure.FalseAlarms); fa == nil || fa.Count != 0 || len(set.Trials) < m.N+2 {
			t.Errorf("seed %d: false alarms %+v in %d trials", seed, fa, len(set.Trials))
		}
	}
}

// TestAssuranceScenario: a device that never misses is accepted after 69 trials
// without a miss, one that always does is rejected at once, and the limits say so.
func TestAssuranceScenario(t *testing.T) {
	for _, c := range []struct {
		fault    string
		decision adaptive.Decision
		trials   int
	}{{"", adaptive.Accept, 69}, {"stuck_quiet", adaptive.Reject, 2}} {
		mend := func(*virtual.Config) {}
		if c.fault != "" {
			mend = fault(t, c.fault)
		}
		s := load(t, "assurance")
		set, h := extracted(t, s, 1, mend)
		if len(set.Tests) != 1 || set.Tests[0].Decision != c.decision || len(set.Tests[0].Wrong) != c.trials {
			t.Errorf("%q: %+v", c.fault, set.Tests)
		}
		_, text, _, _ := s.DefaultLimits()
		f, err := limits.Parse("a.limits", append(text, "\nmissed <= 5 % with 95 % confidence\n"...))
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]string{}
		for _, r := range limits.Judge(set, f, h).Results {
			got[r.Limit.Measure] = r.Verdict.String()
		}
		want := map[adaptive.Decision]string{adaptive.Accept: "pass", adaptive.Reject: "fail"}[c.decision]
		if got[measure.NotAssured] != want || got[measure.Missed] != "inconc" {
			t.Errorf("%q: verdicts %v", c.fault, got)
		}
	}
}

// TestAnswersToNothing: a trial that begins with the detect line on counts in no
// search, as it is inconclusive afterwards.
func TestAnswersToNothing(t *testing.T) {
	const script = `
def run():
    power()
    prime()
    drip("0.4 ml")
    wait("10 s")
    note("script: wet %s" % detected())
    note("script: %s" % next_dose(low = "0.02 ml", high = "0.2 ml"))
    trial("probe", dose = "0.1 ml", within = "8 s")
    note("script: %s" % next_dose(low = "0.02 ml", high = "0.2 ml"))
    note("script: " + assured(good = "1 %", bad = "50 %", most = 2))
    for i in range(5):
        trial("wet", dose = "0.1 ml", within = "8 s")
    note("script: " + assured(good = "1 %", bad = "50 %", most = 2))
`
	s, err := scenarios.Parse("s", "s.star", []byte(script))
	if err != nil {
		t.Fatal(err)
	}
	tl, cut := rehearse(t, s, 0, 1, nil)
	if cut != nil {
		t.Fatal(cut)
	}
	var notes []string
	for _, ev := range events(t, tl) {
		if text, ok := strings.CutPrefix(ev.Text, "script: "); ok && ev.Kind == rig.Note {
			notes = append(notes, text)
		}
	}
	if len(notes) != 5 || notes[0] != "wet True" || notes[1] != notes[2] ||
		notes[3] != "continue" || notes[4] != "continue" {
		t.Errorf("notes %q", notes)
	}
}

// TestSearchErrors: a search that is none says where and why.
func TestSearchErrors(t *testing.T) {
	for call, want := range map[string]string{
		`next_dose(low = "0.2 ml", high = "0.1 ml")`:                                             "a smallest above 0 and a larger one",
		`next_dose(low = "1 V", high = "0.1 ml")`:                                                "wrong unit",
		`next_dose(low = "0.1 ml", high = "0.2 ml", least = 0)`:                                  "a whole number of 1 or more",
		`next_level(of = "hold", low = "3 V", high = "2 V", resolution = "1 mV")`:                "a low level, a higher one",
		`next_level(of = "dip", low = "1 V", high = "2 V", resolution = "1 mV")`:                 "expected a width",
		`next_level(of = "rise", low = "1 V", high = "2 V", resolution = "1 mV", width = "1 s")`: "expected a width",
		`next_width(low = "1 s", high = "1 ms", resolution = "1 ms")`:                            "a low level, a higher one",
		`assured(good = "5 %", bad = "1 %", most = 50)`:                                          "0 < good < bad < 1",
		`assured(good = "1 %", bad = "5 %", most = 0)`:                                           "a whole number of 1 or more",
		`hold(level = "4 V", time = "1 s")`:                                                      "expected one below it",
		`rise(level = "2 V", low = "2.5 V")`:                                                     "a low level below the other",
		`[power_off(), hold(level = "2 V", time = "1 s")]`:                                       "expected power() before",
		`[trial("probe", within = "5 s")]`:                                                       "a dose, a rate or a function",
	} {
		s, err := scenarios.Parse("s", "s.star", fmt.Appendf(nil, "def run():\n    power()\n    %s\n", call))
		if err == nil {
			_, err = rehearse(t, s, 0, 1, nil)
		}
		if err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "s.star:3:") {
			t.Errorf("%s: %v, want %q", call, err, want)
		}
	}
}

const dropOutStudy = `
about = "Where it stops."
trials = {"dip": 60}
budget = "4 h"

def run():
    power()
    for i in range(count("dip")):
        level = next_level(of = "hold", low = "30 %", high = "95 %", resolution = "20 mV")
        if level == None:
            break
        hold(level = level, time = dut.heartbeat * 4)
`

// TestDropOutIntervalCovers holds the stated interval of the drop-out voltage,
// 1.96 standard uncertainties either way, against the truth: in 1,000 studies of
// devices that stop anywhere between 2.0 and 2.4 V, on rigs whose readback is
// off by what their calibration says of it, 5 mV, it covers in 93 to 97 %.
func TestDropOutIntervalCovers(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	script, err := scenarios.Parse("where", "where.star", []byte(dropOutStudy))
	if err != nil {
		t.Fatal(err)
	}
	const studies = 1000
	rng := rand.New(rand.NewPCG(1, 2))
	covered := 0
	for seed := range uint64(studies) {
		truth := physic.ElectricPotential(2e9 + rng.Float64()*0.4e9)
		set, _ := extracted(t, script, seed, func(c *virtual.Config) {
			fault(t, "high_drop_out")(c)
			f := c.Faults["high_drop_out"]
			f.Voltage, f.Recovery = truth, truth+200*physic.MilliVolt
			c.Faults["high_drop_out"] = f
			c.Supply.Gain = 2_272_727 // 5 mV in 2.2 V
		})
		m := set.Find(measure.DropOut)
		if m == nil || len(m.Samples) != 1 {
			t.Fatalf("seed %d: %+v", seed, m)
		}
		s := m.Samples[0]
		if math.Abs(float64(s.Value)-float64(truth)) <= 1.96*float64(s.U) {
			covered++
		}
	}
	share := float64(covered) / studies
	t.Logf("covered %.3f", share)
	if share < 0.93 || share > 0.97 {
		t.Errorf("the stated interval covers the truth in %.3f of %d studies; want 0.93 to 0.97", share, studies)
	}
}
