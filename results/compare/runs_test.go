package compare

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/stats"
	"drench/results/verdict"
	"drench/rig"

	"pgregory.net/rapid"
)

func latencies(ms ...float64) *measure.Measure {
	m := &measure.Measure{Name: measure.Latency, Kind: measure.Samples, Unit: rig.Second}
	for _, v := range ms {
		m.Samples = append(m.Samples, measure.Sample{Value: int64(v * 1e6)})
	}
	return m
}

func missed(x, n int) *measure.Measure {
	return &measure.Measure{Name: measure.Missed, Kind: measure.Proportion, Unit: rig.Proportion, Count: x, N: n}
}

func alarms(x int, d time.Duration) *measure.Measure {
	return &measure.Measure{Name: measure.FalseAlarms, Kind: measure.Events, Unit: rig.Hertz, Count: x, Exposure: d}
}

func standby(uW, u float64) *measure.Measure {
	return &measure.Measure{Name: measure.Standby, Kind: measure.Single, Unit: rig.Watt, N: 1,
		Samples: []measure.Sample{{Value: int64(uW * 1e3), U: int64(u * 1e3)}}}
}

func beats(n int, mean, sd float64) *measure.Measure {
	return &measure.Measure{Name: measure.BeatGap, Kind: measure.Samples, Unit: rig.Second, Summary: &measure.Summary{N: n, Mean: mean * 1e6, SD: sd * 1e6}}
}

func drip(m ...*measure.Measure) Run {
	return Run{Scenario: "drip", DUT: "one", Verdict: verdict.Pass, Measures: m}
}

// normal draws n latencies around a mean, in ms.
func normal(rng *rand.Rand, n int, mean, sd float64) *measure.Measure {
	v := make([]float64, n)
	for i := range v {
		v[i] = mean + sd*rng.NormFloat64()
	}
	return latencies(v...)
}

// TestWords: each kind of measure can be worse, better, the same, and open.
func TestWords(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	usual := normal(rng, 200, 1200, 100)
	hours := func(n int) time.Duration { return time.Duration(n) * time.Hour }
	for name, c := range map[string]struct {
		base, now *measure.Measure
		want      Word
		verdict   verdict.Verdict
		says      string
	}{
		"latency up":                {usual, normal(rng, 200, 1300, 100), Worse, verdict.Fail, "; p below 0.0001, q below 0.0001"},
		"latency down":              {usual, normal(rng, 200, 1100, 100), Better, verdict.Pass, "; p below 0.0001"},
		"latency as it was":         {usual, normal(rng, 200, 1200, 100), Same, verdict.Pass, "; within the margin 50 ms"},
		"a shift that is no matter": {usual, normal(rng, 200, 1228, 100), Same, verdict.Pass, "a difference is shown (q"},
		"latency of few trials":     {usual, normal(rng, 8, 1200, 100), CantTell, verdict.Inconc, "trials a side would tell"},
		"latency of one trial":      {latencies(1200), latencies(1300), CantTell, verdict.Inconc, "too few samples for an interval; about 3 trials a side would tell"},
		"more missed":               {missed(1, 400), missed(20, 400), Worse, verdict.Fail, "20 of 400, was 1 of 400: +4.75 %"},
		"fewer missed":              {missed(20, 400), missed(1, 400), Better, verdict.Pass, "-4.75 %"},
		"none missed":               {missed(0, 300), missed(0, 300), Same, verdict.Pass, "within the margin 2 %"},
		"none missed of few":        {missed(0, 20), missed(0, 20), CantTell, verdict.Inconc, "no difference is shown, and the interval goes beyond the margin 2 %; about 1"},
		"more alarms":               {alarms(1, hours(8)), alarms(30, hours(8)), Worse, verdict.Fail, "30 in 8 h, was 1 in 8 h: +3.625 per h"},
		"no alarms":                 {alarms(0, hours(8)), alarms(0, hours(8)), Same, verdict.Pass, "within the margin 2 per h"},
		"no alarms in an hour":      {alarms(0, hours(1)), alarms(0, hours(1)), CantTell, verdict.Inconc, "about 1.5 h a side would tell"},
		"not watched":               {alarms(0, 0), alarms(0, hours(1)), CantTell, verdict.Inconc, "nothing could go wrong on one side"},
		"standby up":                {standby(100, 1), standby(9000, 90), Worse, verdict.Fail, "9 mW ± 90 µW, was 100 µW ± 1 µW"},
		"standby as it was":         {standby(100, 1), standby(101, 1), Same, verdict.Pass, "within the margin 1 mW"},
		"standby not known well":    {standby(100, 900), standby(101, 900), CantTell, verdict.Inconc, "more trials do not help"},
		"no uncertainty":            {standby(100, 0), standby(101, 0), CantTell, verdict.Inconc, "neither value has a known uncertainty"},
		"heartbeat slower":          {beats(4000, 2000, 0.07), beats(4000, 2050, 0.07), Worse, verdict.Fail, "mean 2050 ms (n 4000)"},
		"heartbeat as it was":       {beats(4000, 2000, 0.07), beats(4000, 2000.05, 0.07), Same, verdict.Pass, "a difference is shown"},
	} {
		t.Run(name, func(t *testing.T) {
			base, now := drip(c.base), drip(c.now)
			now.Limits = []limits.Limit{{Measure: c.now.Name, Op: "<", Unit: rig.Level}} // judged, but not a margin
			got := Runs([]Run{base}, []Run{now}, Options{})
			if len(got.Differences) != 1 {
				t.Fatalf("%d differences", len(got.Differences))
			}
			d := got.Differences[0]
			if d.Word != c.want || got.Verdict != c.verdict || !strings.Contains(d.Reason, c.says) {
				t.Errorf("%s, %v: %s\nwant %s, %v, %q", d.Word, got.Verdict, d.Reason, c.want, c.verdict, c.says)
			}
			if _, err := json.Marshal(got); err != nil {
				t.Error(err)
			}
		})
	}
}

// What is worse when lower is worse when lower.
func TestLowerWorse(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	draw := func(ms float64) Run {
		m := normal(rng, 60, ms, 2)
		m.Name = measure.RideThrough
		return drip(m)
	}
	high, low, similar := draw(60), draw(40), draw(63)
	for _, c := range []struct {
		base, now Run
		want      Word
		notWorse  bool
	}{{high, low, Worse, false}, {low, high, Better, true}, {high, similar, Same, true}} {
		d := Runs([]Run{c.base}, []Run{c.now}, Options{}).Differences[0]
		if d.Word != c.want || d.NotWorse() != c.notWorse || !d.LowerWorse {
			t.Errorf("%s, not worse %v: %s", d.Word, d.NotWorse(), d.Reason)
		}
	}
	trend := Nights(fortnightOf(14, func(n int) Run { return draw(60 - 20*float64(b2i(n > 9))) }), Options{})
	if len(trend.Findings) != 1 || !trend.Findings[0].Worse || trend.Verdict != verdict.Fail {
		t.Errorf("%v: %+v", trend.Verdict, trend.Findings)
	}
}

// The restricted means and log-rank test of Freireich et al., Blood 21 (1963)
// 699: R 4.2.2, survival 3.5-3, summary(survfit, rmean = 35) of the treated and
// rmean = 23 of the placebo group, of whom nobody is left then; qnorm; survdiff.
func TestCensored(t *testing.T) {
	group := func(times []float64, events []int) *measure.Measure {
		m := &measure.Measure{Name: measure.Latency, Kind: measure.Samples, Unit: rig.Second}
		for i, v := range times {
			m.Samples = append(m.Samples, measure.Sample{Value: int64(v * 1e9), Censored: events[i] == 0})
		}
		return m
	}
	treated := group([]float64{6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35},
		[]int{1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0})
	placebo := group([]float64{1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23}, slices.Repeat([]int{1}, 21))
	c := Runs([]Run{drip(placebo)}, []Run{drip(treated)}, Options{Confidence: 0.95})
	d := c.Differences[0]
	near(t, "mean now", d.Now.Value/1e9, 23.28739495798, 1e-12)
	near(t, "mean before", d.Base.Value/1e9, 8.66666666666667, 1e-12)
	near(t, "lower", d.Interval.Lower/1e9, 8.45640740104177, 1e-11)
	near(t, "upper", d.Interval.Upper/1e9, 20.785049181578227, 1e-11)
	near(t, "p", *d.P, 4.16880910933453e-05, 1e-9)
	if d.Word != Worse || !strings.Contains(d.Now.Text, "12 without an answer") {
		t.Errorf("%s: %s", d.Word, d.Reason)
	}
	if n := treated.Samples[3]; !n.Censored {
		t.Error("arguments were changed")
	}
}

// A side without any answer is worse, however long the other's answers took.
func TestNoAnswer(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 62))
	silent := func(n int) *measure.Measure {
		m := latencies()
		for range n {
			m.Samples = append(m.Samples, measure.Sample{Value: 10e9, Censored: true})
		}
		return m
	}
	quick := normal(rng, 100, 20, 2)
	d := Runs([]Run{drip(quick)}, []Run{drip(silent(100))}, Options{}).Differences[0]
	if d.Word != Worse || d.Diff < 9.9e9 {
		t.Errorf("%s: %s", d.Word, d.Reason)
	}
	if d := Runs([]Run{drip(silent(100))}, []Run{drip(quick)}, Options{}).Differences[0]; d.Word != Better {
		t.Errorf("%s: %s", d.Word, d.Reason)
	}
	if d := Runs([]Run{drip(silent(100))}, []Run{drip(silent(100))}, Options{}).Differences[0]; d.Word != CantTell || !strings.Contains(d.Reason, "no trial of either side had an answer") {
		t.Errorf("%s: %s", d.Word, d.Reason)
	}
}

// A drop-out that was not reached lies below its value: more of them is better.
func TestCensoredBelow(t *testing.T) {
	group := func(censored int) *measure.Measure {
		m := &measure.Measure{Name: measure.DropOut, Kind: measure.Samples, Unit: rig.Volt}
		for i := range 12 {
			m.Samples = append(m.Samples, measure.Sample{Value: 2_200_000_000 + int64(i)*10_000_000})
		}
		for range censored {
			m.Samples = append(m.Samples, measure.Sample{Value: 1_800_000_000, Censored: true})
		}
		return m
	}
	d := Runs([]Run{drip(group(1))}, []Run{drip(group(40))}, Options{}).Differences[0]
	if d.Word != Better || d.Diff >= 0 || d.Now.Value < 1.8e9 || d.Now.Value > 2.2e9 {
		t.Errorf("%s: %s", d.Word, d.Reason)
	}
}

// R 4.2.2: anova(lm(x ~ run)).
func TestScatter(t *testing.T) {
	g := group{latencies(10.1, 9.8, 10.4), latencies(11.2, 11.5, 10.9), latencies(9.0, 9.4, 8.9)}
	s := g.scatter(nil)
	near(t, "F", s.ratio, 39.72, 1e-9)
	near(t, "p", s.p, 0.00034631, 1e-4)
	if s.df != 2 {
		t.Errorf("%d degrees of freedom, want 2", s.df)
	}
}

// Two groups of runs that differ no more than runs do among themselves are not
// called different, though their trials are.
func TestRunsOfASideDiffer(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	draw := func() (runs []Run) {
		for range 4 {
			runs = append(runs, drip(normal(rng, 100, 1200+60*rng.NormFloat64(), 30)))
		}
		return runs
	}
	const times = 300
	shown, plain := 0, 0
	for range times {
		base, now := draw(), draw()
		d := Runs(base, now, Options{}).Differences[0]
		shown += b2i(*d.P <= 0.05)
		w, err := stats.MannWhitney(found(measure.Latency, now).values(), found(measure.Latency, base).values())
		if err != nil {
			t.Fatal(err)
		}
		plain += b2i(w.P <= 0.05)
	}
	if shown > times/10 || plain < times/2 {
		t.Errorf("of %d pairs without a difference %d are told apart, by trials alone %d", times, shown, plain)
	}
}

// TestNeeded: with as many trials as the comparison asks for, nine of ten show
// sameness.
func TestNeeded(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	d := Runs([]Run{drip(normal(rng, 30, 1200, 200))}, []Run{drip(normal(rng, 30, 1200, 200))}, Options{}).Differences[0]
	if d.Word != CantTell || d.Needed < 200 || d.Needed > 600 { // 2 (3.29 sd/margin)^2 = 346 for the mean
		t.Fatalf("%s, %d needed: %s", d.Word, d.Needed, d.Reason)
	}
	// By ranks it is 3/pi times as many, 363 (the efficiency for normal values).
	same := 0
	for range 200 {
		d := Runs([]Run{drip(normal(rng, 363, 1200, 200))}, []Run{drip(normal(rng, 363, 1200, 200))}, Options{}).Differences[0]
		same += b2i(d.Word == Same)
	}
	if same < 166 || same > 196 { // 90 % of 200, with three and a half standard deviations
		t.Errorf("%d of 200 are the same", same)
	}
}

// TestFalseDiscoveries: with nothing changed, differences are shown in hardly
// any comparison of many measures.
func TestFalseDiscoveries(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	side := func() (runs []Run) {
		for i := range 20 {
			r := drip(normal(rng, 60, 1200, 400))
			r.Setting = string(rune('a' + i))
			runs = append(runs, r)
		}
		return runs
	}
	wrong := 0
	for range 100 {
		c := Runs(side(), side(), Options{})
		if len(c.Differences) != 20 {
			t.Fatalf("%d differences, want 20", len(c.Differences))
		}
		wrong += b2i(slices.ContainsFunc(c.Differences, func(d Difference) bool { return d.Word == Worse || d.Word == Better }))
	}
	if wrong > 13 { // 5 % of 100: binomial, one in a thousand
		t.Errorf("%d of 100 comparisons show a difference", wrong)
	}
}

// TestPairing: what is compared with what, and what is said of the rest.
func TestPairing(t *testing.T) {
	run := func(id int64, scenario, setting string, v verdict.Verdict) Run {
		return Run{ID: id, Scenario: scenario, Setting: setting, Verdict: v, Script: "s", Measures: []*measure.Measure{missed(0, 300)}}
	}
	const p, e = verdict.Pass, verdict.Error
	for name, c := range map[string]struct {
		base, now []Run
		pairs     int
		notes     string
	}{
		"alike":           {[]Run{run(1, "drip", "", p)}, []Run{run(2, "drip", "", p)}, 1, ""},
		"by setting":      {[]Run{run(1, "drip", "low", p), run(2, "drip", "high", p)}, []Run{run(3, "drip", "high", p), run(4, "drip", "low", p)}, 2, ""},
		"other settings":  {[]Run{run(1, "drip", "low", p)}, []Run{run(2, "drip", "high", p)}, 1, "drip, high is compared with drip, low of the baseline"},
		"one more":        {[]Run{run(1, "drip", "low", p)}, []Run{run(2, "drip", "high", p), run(3, "drip", "low", p)}, 1, "drip, high is not in the baseline"},
		"one less":        {[]Run{run(1, "drip", "", p), run(2, "spray", "", p)}, []Run{run(3, "drip", "", p)}, 1, "spray is in the baseline only"},
		"nothing":         {[]Run{run(1, "spray", "", p)}, []Run{run(3, "drip", "", p)}, 0, "drip is not in the baseline\nspray is in the baseline only"},
		"an error is out": {[]Run{run(1, "drip", "", p)}, []Run{run(2, "drip", "", e), run(3, "drip", "", p)}, 1, "run 2 of drip is left out"},
	} {
		t.Run(name, func(t *testing.T) {
			got := Runs(c.base, c.now, Options{})
			if len(got.Differences) != c.pairs {
				t.Errorf("%d pairs, want %d", len(got.Differences), c.pairs)
			}
			if notes := strings.Join(got.Notes, "\n"); c.notes == "" && notes != "" || !strings.Contains(notes, c.notes) {
				t.Errorf("notes are %q, want %q", notes, c.notes)
			}
			if want := map[bool]verdict.Verdict{true: verdict.Pass, false: verdict.Inconc}[c.pairs > 0]; got.Verdict != want {
				t.Errorf("verdict %v: %s", got.Verdict, got.Reason)
			}
		})
	}
	other := run(2, "drip", "", p)
	other.Script, other.DUT = "t", "two"
	if got := Runs([]Run{run(1, "drip", "", p)}, []Run{other}, Options{}); len(got.Notes) != 2 {
		t.Errorf("notes on another script and another device: %q", got.Notes)
	}
}

// A measure that is gone can't be told, one that is new is noted.
func TestOneSide(t *testing.T) {
	both, one := drip(missed(0, 300), beats(4000, 2000, 0.07)), drip(missed(0, 300))
	both.Limits = []limits.Limit{{Measure: measure.BeatGap, Op: "<", Unit: rig.Level}}
	gone := Runs([]Run{both}, []Run{one}, Options{})
	if gone.Verdict != verdict.Inconc || !strings.Contains(gone.Reason, "heartbeat gap") || len(gone.Differences) != 2 {
		t.Errorf("%v: %s", gone.Verdict, gone.Reason)
	}
	fresh := Runs([]Run{one}, []Run{both}, Options{})
	if fresh.Verdict != verdict.Pass || len(fresh.Notes) != 1 || len(fresh.Differences) != 1 {
		t.Errorf("%v: %s, notes %q", fresh.Verdict, fresh.Reason, fresh.Notes)
	}
}

// Samples of other uncertainty come from other instruments, and a note says so.
func TestOtherUncertainty(t *testing.T) {
	rng := rand.New(rand.NewPCG(51, 52))
	draw := func(u int64) Run {
		m := normal(rng, 50, 1200, 100)
		for i := range m.Samples {
			m.Samples[i].U = u
		}
		return drip(m)
	}
	for u, want := range map[int64]int{1e6: 0, 1.2e6: 0, 30e6: 1} {
		d := Runs([]Run{draw(1e6)}, []Run{draw(u)}, Options{}).Differences[0]
		if len(d.Notes) != want || want > 0 && !strings.Contains(d.Notes[0], "30 ms now, of 1 ms before") {
			t.Errorf("with %d ns: notes %q", u, d.Notes)
		}
	}
}

// TestTurnedRound: the baseline and the runs change places, worse and better do
// too, and the rest stays.
func TestTurnedRound(t *testing.T) {
	swap := map[Word]Word{Worse: Better, Better: Worse, Same: Same, CantTell: CantTell}
	rapid.Check(t, func(t *rapid.T) {
		side := func() Run {
			values := rapid.SliceOfN(rapid.Float64Range(0, 3000), 1, 30).Draw(t, "latencies")
			n := rapid.IntRange(1, 300).Draw(t, "n")
			return drip(latencies(values...), missed(rapid.IntRange(0, n).Draw(t, "x"), n),
				alarms(rapid.IntRange(0, 30).Draw(t, "alarms"), time.Duration(rapid.IntRange(1, 8).Draw(t, "hours"))*time.Hour))
		}
		a, b := []Run{side()}, []Run{side()}
		there, back := Runs(a, b, Options{}), Runs(b, a, Options{})
		for i, d := range there.Differences {
			e := back.Differences[i]
			if math.Abs(d.Diff+e.Diff) > 1e-3 || (d.Interval == nil) != (e.Interval == nil) || d.Word != swap[e.Word] {
				t.Fatalf("one way %s: %s\nback %s: %s", d.Word, d.Reason, e.Word, e.Reason)
			}
		}
	})
}

func TestFew(t *testing.T) {
	for n, want := range map[int]string{1: "a", 2: "a and b", 5: "a, b, c, d and e", 6: "a, b, c, d and 2 more"} {
		if got := few([]string{"a", "b", "c", "d", "e", "f"}[:n]); got != want {
			t.Errorf("%d words: %q, want %q", n, got, want)
		}
	}
}
