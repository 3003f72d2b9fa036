package compare

import (
	"strings"
	"testing"

	"drench/results/limits"
	"drench/results/measure"
	"drench/rig"
)

// Every margin is of a measure that there is, and in its unit.
func TestMargins(t *testing.T) {
	for _, row := range Margins() {
		m, ok := marginOf(row.Measure)
		if !ok || m.Kind == "" || m.Value <= 0 || m.each != "" && m.Unit != rig.Level {
			t.Errorf("%s: %+v, %v", row.Measure, m, ok)
		}
	}
}

// A limit on a measure that is worse when lower counts if it is a lower one.
func TestMarginOfLowerLimit(t *testing.T) {
	limit := func(op string, value int64) Run {
		return Run{Limits: []limits.Limit{{Measure: measure.RideThrough, Statistic: "min", Op: op, Value: value, Unit: rig.Second}}}
	}
	m, _ := marginOf(measure.RideThrough)
	if got, why := m.resolve(Options{}, []Run{limit("<", 1e6), limit(">=", 2e7), limit(">=", 4e7)}); got != 2e6 {
		t.Errorf("%v, %s; want 5 %% of 40 ms", got, why)
	}
}

// A measure without a margin is named, not passed over.
func TestNoMargin(t *testing.T) {
	r := drip(missed(0, 300), &measure.Measure{Name: "colour", Kind: measure.Samples})
	got := Runs([]Run{r}, []Run{r}, Options{})
	if len(got.Differences) != 1 || len(got.Notes) != 1 || !strings.Contains(got.Notes[0], "no margin for it: colour") {
		t.Errorf("%d differences, notes %q", len(got.Differences), got.Notes)
	}
}

// A margin is a share of the strictest upper limit in the measure's own unit,
// else the default; what is asked for goes first.
func TestMarginOfLimit(t *testing.T) {
	limit := func(statistic, op string, value int64, u rig.Unit) []Run {
		return []Run{{Limits: []limits.Limit{{Measure: measure.Latency, Statistic: statistic, Op: op, Value: value, Unit: u}}}}
	}
	asked := Options{Margins: map[string]float64{measure.Latency: 7e6}}
	for name, c := range map[string]struct {
		runs []Run
		o    Options
		want float64
		why  string
	}{
		"no limit":       {nil, Options{}, 50e6, "our own default"},
		"upper limit":    {limit("p95", "<", 2.5e9, rig.Second), Options{}, 125e6, "5 % of the limit 2.5 s, our own default"},
		"the strictest":  {append(limit("p95", "<", 2.5e9, rig.Second), limit("max", "<=", 2e9, rig.Second)...), Options{}, 100e6, "5 % of the limit 2 s, our own default"},
		"lower limit":    {limit("min", ">", 2.5e9, rig.Second), Options{}, 50e6, "our own default"},
		"of the spread":  {limit("sd", "<", 2.5e9, rig.Second), Options{}, 50e6, "our own default"},
		"what was asked": {limit("p95", "<", 2.5e9, rig.Second), asked, 7e6, "as asked for"},
	} {
		m, _ := marginOf(measure.Latency)
		if got, why := m.resolve(c.o, c.runs); got != c.want || why != c.why {
			t.Errorf("%s: %v, %q; want %v, %q", name, got, why, c.want, c.why)
		}
	}
}

func TestParseMargin(t *testing.T) {
	for text, want := range map[string]float64{"latency=80 ms": 80e6, "latency = 0.1 s": 100e6, "missed=3 %": 3e7, "false alarms=36 per h": 1e7, "chatter=2": 2, "carry-over = 15": 15} {
		name, v, err := ParseMargin(text)
		if err != nil || v != want || !strings.HasPrefix(text, name) {
			t.Errorf("%q: %s, %v, %v; want %v", text, name, v, err, want)
		}
	}
	for text, want := range map[string]string{
		"latency":         `margin "latency" has no value; expected MEASURE=VALUE`,
		"speed=1 s":       `there is no measure "speed"; expected one of latency, missed,`,
		"latency=5 %":     `"5 %" has the wrong unit; expected a value such as "2 s"`,
		"latency=0 s":     "expected a value above 0",
		"latency=-1 s":    "expected a value above 0",
		"carry-over=1.5":  "is no whole number above 0",
		"carry-over=3 ms": "is no whole number above 0",
	} {
		if _, _, err := ParseMargin(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

func FuzzParseMargin(f *testing.F) {
	for _, s := range []string{"latency=80 ms", "chatter=2", "missed = 3 %", "=", "latency=", "carry-over=99999999999999999999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		name, v, err := ParseMargin(text)
		if err == nil && (v <= 0 || name == "") {
			t.Errorf("%q is %q, %v", text, name, v)
		}
	})
}
