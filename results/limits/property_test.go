package limits

import (
	"slices"
	"testing"
	"time"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"

	"pgregory.net/rapid"
)

// TestWorseSampleNeverHelps: one more sample that is beyond the limit and no
// better than any before does not turn a verdict for the better.
func TestWorseSampleNeverHelps(t *testing.T) {
	limits := []string{
		"latency max < 1 s", "latency mean < 1 s", "latency p50 < 1 s", "latency p95 < 1 s",
		"latency p90 < 1 s with 90 % confidence", "latency p50 < 1 s with 95 % confidence", "latency p95 < 1 s with 80 % confidence",
	}
	rapid.Check(t, func(rt *rapid.T) {
		line := rapid.SampledFrom(limits).Draw(rt, "limit")
		values := rapid.SliceOfN(rapid.Int64Range(1e8, 2e9), 1, 80).Draw(rt, "values")
		u := rapid.Int64Range(0, 1e8).Draw(rt, "u")
		misses := rapid.IntRange(0, 3).Draw(rt, "misses")
		m := measure.Measure{Name: measure.Latency}
		for _, v := range values {
			m.Samples = append(m.Samples, measure.Sample{Value: v, U: u})
		}
		// A miss is watched for longer than the limit; until then order
		// statistics alone decide.
		for range misses {
			m.Samples = append(m.Samples, measure.Sample{Value: 3e9, U: u, Censored: true})
		}
		before := judge(t, m, line)
		worse := measure.Sample{Value: 3e9, U: u, Censored: true}
		if misses == 0 && rapid.Bool().Draw(rt, "answered") {
			worse = measure.Sample{Value: max(slices.Max(values), 1e9), U: u}
		}
		m.Samples = append(slices.Clone(m.Samples), worse)
		if after := judge(t, m, line); after.Verdict < before.Verdict {
			rt.Fatalf("%s: %v with %d samples (%s), %v with a worse one more (%s)",
				line, before.Verdict, before.N, before.Reason, after.Verdict, after.Reason)
		}
	})
}

// TestWorseCountNeverHelps: one more that went wrong does not help either.
func TestWorseCountNeverHelps(t *testing.T) {
	limits := []string{
		"missed <= 2", "missed <= 5 %", "missed <= 5 % with 95 % confidence", "missed < 30 % with 60 % confidence",
		"false alarms <= 2", "false alarms <= 0.5 per h", "false alarms <= 0.5 per h with 90 % confidence",
	}
	rapid.Check(t, func(rt *rapid.T) {
		line := rapid.SampledFrom(limits).Draw(rt, "limit")
		n := rapid.IntRange(1, 200).Draw(rt, "n")
		x := rapid.IntRange(0, n).Draw(rt, "x")
		m := measure.Measure{Name: measure.Missed, Count: x, N: n}
		if line[0] == 'f' {
			m = measure.Measure{Name: measure.FalseAlarms, Count: x, Exposure: time.Duration(n) * time.Hour}
		}
		before := judge(t, m, line)
		m.Count++
		if m.N > 0 {
			m.N++
		}
		if after := judge(t, m, line); after.Verdict < before.Verdict {
			rt.Fatalf("%s: %v with %d of %d, %v with one more", line, before.Verdict, x, n, after.Verdict)
		}
	})
}

// TestMoreConfidenceClaimsLess: what is passed or failed with much confidence
// is so with less.
func TestMoreConfidenceClaimsLess(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		m := measure.Measure{Name: measure.Latency}
		for _, v := range rapid.SliceOfN(rapid.Int64Range(1e8, 2e9), 1, 150).Draw(rt, "values") {
			m.Samples = append(m.Samples, measure.Sample{Value: v})
		}
		line := "latency " + rapid.SampledFrom([]string{"p10", "p50", "p90", "p95"}).Draw(rt, "p") +
			rapid.SampledFrom([]string{" < ", " > "}).Draw(rt, "op") + "1 s with "
		much, less := judge(t, m, line+"95 % confidence"), judge(t, m, line+"75 % confidence")
		if much.Verdict != verdict.Inconc && much.Verdict != less.Verdict {
			rt.Fatalf("%v with much confidence (%s), %v with less (%s)", much.Verdict, much.Reason, less.Verdict, less.Reason)
		}
	})
}

func TestNeeds(t *testing.T) {
	f := parse(t, `latency p95 < 2.5 s with 95 % confidence
latency p5 > 0.1 s with 95 % confidence
release p95 < 60 s with 90 % confidence
missed <= 5 % with 95 % confidence
not recovered <= 5 % with 95 % confidence
false alarms <= 0.5 per h with 90 % confidence
false alarms <= 0
settings lost <= 0
start-up <= 0.5 s
start-up p90 < 0.5 s with 90 % confidence
`)
	want := []Need{ // sizes as in TestQuantileWithConfidence and TestCounts; 45 is 95 % at 90 % (R)
		{Needed: 59, Planned: 100, Text: `"latency p95 < 2.5 s with 95 % confidence" takes at least 59 trials; 100 wet planned, of which 1 may be beyond it.`},
		{Needed: 59, Planned: 100, Text: `"latency p5 > 0.1 s with 95 % confidence" takes at least 59 trials; 100 wet planned, of which 1 may be beyond it.`},
		{Needed: 45, Planned: 45, Text: `"release p95 < 60 s with 90 % confidence" takes at least 45 trials; 45 release planned, every one of which must keep the limit.`},
		{Needed: 59, Planned: 100, Text: `"missed <= 5 % with 95 % confidence" takes at least 59 trials without one that goes wrong; 100 wet planned, of which 1 may go wrong.`},
		{Needed: 59, Planned: 0, Text: `"not recovered <= 5 % with 95 % confidence" takes at least 59 trials without one that goes wrong; 0 dip planned.`},
		{Exposure: 16579 * time.Second, Planned: 7, Text: `"false alarms <= 0.5 per h with 90 % confidence" takes at least 4.605 h of watching without an event.`},
		{Planned: 7, Text: `"false alarms <= 0" takes no number of trials; 7 dry or decoy planned.`},
		{Text: `"settings lost <= 0" takes no trials of its own.`},
		{Text: `"start-up <= 0.5 s" takes no trials of its own.`},
		{Needed: 22, Text: `"start-up p90 < 0.5 s with 90 % confidence" takes at least 22 trials; their number is not planned.`},
	}
	short := []bool{4: true, 9: false}
	got := Needs(f, map[rig.TrialKind]int{rig.Wet: 100, rig.Release: 45, rig.Dry: 5, rig.Decoy: 2})
	if len(got) != len(want) {
		t.Fatalf("%d needs; want %d", len(got), len(want))
	}
	for i, n := range got {
		if n.Short() != short[i] {
			t.Errorf("%q: short is %v", n.Limit.Text, n.Short())
		}
		n.Limit, n.counted = Limit{}, false
		if n != want[i] {
			t.Errorf("need is\n%+v; want\n%+v", n, want[i])
		}
	}
	// More trials than the least: the k-th largest does (Wilks: 153 for k = 4).
	more := Needs(parse(t, "latency p95 < 2.5 s with 95 % confidence\nmissed <= 5 % with 95 % confidence"), map[rig.TrialKind]int{rig.Wet: 153})
	for i, want := range []string{"of which 3 may be beyond it.", "of which 3 may go wrong."} {
		if got := more[i].Text; got[len(got)-len(want):] != want {
			t.Errorf("need is %s; want %s", got, want)
		}
	}
}
