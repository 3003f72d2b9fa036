package limits

import (
	"math"
	"strings"
	"testing"
	"time"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/timeline"
)

const (
	pass   = verdict.Pass
	inconc = verdict.Inconc
	fail   = verdict.Fail
)

var device = timeline.Header{Device: rig.DUT{Sampling: rig.SamplingSpec{Period: 2 * time.Second}, Heartbeat: time.Second}}

// set holds one measure.
func set(m measure.Measure) *measure.Set {
	for _, s := range measure.Specs() {
		if s.Name == m.Name {
			m.Kind, m.Unit = s.Kind, s.Unit
		}
	}
	return &measure.Set{Measures: []*measure.Measure{&m}}
}

// judge judges a measure by one line.
func judge(t *testing.T, m measure.Measure, line string) Result {
	t.Helper()
	j := Judge(set(m), parse(t, line), device)
	if len(j.Results) != 1 || j.Verdict != j.Results[0].Verdict || j.Reason == "" || j.Results[0].Reason == "" {
		t.Fatalf("%s: %+v", line, j)
	}
	return j.Results[0]
}

// latencies has n samples of a second and bad of three seconds.
func latencies(n, bad int) measure.Measure {
	m := measure.Measure{Name: measure.Latency}
	for i := range n {
		s := measure.Sample{Value: 1e9 + int64(i)}
		if i < bad {
			s.Value += 2e9
		}
		m.Samples = append(m.Samples, s)
	}
	return m
}

// Sample sizes are Wilks's (Ann. Math. Stat. 12 (1941) 91), as computed with R
// pbinom: 95/95 with the k-th largest 59, 93, 124, 153; 99/95 299; 95/99 90.
func TestQuantileWithConfidence(t *testing.T) {
	for _, c := range []struct {
		line    string
		n, bad  int
		verdict verdict.Verdict
		needed  int
		method  string
	}{
		{"latency p95 < 2.5 s with 95 % confidence", 59, 0, pass, 59, "order statistic 59 of 59"},
		{"latency p95 < 2.5 s with 95 % confidence", 58, 0, inconc, 59, "order statistics"},
		{"latency p95 < 2.5 s with 95 % confidence", 93, 1, pass, 93, "order statistic 92 of 93"},
		{"latency p95 < 2.5 s with 95 % confidence", 92, 1, inconc, 93, "order statistic 92 of 92"},
		{"latency p95 < 2.5 s with 95 % confidence", 124, 2, pass, 124, "order statistic 122 of 124"},
		{"latency p95 < 2.5 s with 95 % confidence", 153, 3, pass, 153, "order statistic 150 of 153"},
		{"latency p95 < 1.25 periods with 95 % confidence", 152, 3, inconc, 153, "order statistic 150 of 152"},
		{"latency p99 < 2.5 s with 95 % confidence", 299, 0, pass, 299, "order statistic 299 of 299"},
		{"latency p95 < 2.5 s with 99 % confidence", 90, 0, pass, 90, "order statistic 90 of 90"},
		{"latency p95 < 2.5 s with 99 % confidence", 89, 0, inconc, 90, "order statistics"},
		// P(4 or more of 20 beyond the true p95) = 0.0159, of 3 or more 0.0755.
		{"latency p95 < 2.5 s with 95 % confidence", 20, 3, inconc, 153, "order statistics"},
		{"latency p95 < 2.5 s with 95 % confidence", 20, 4, fail, 181, "order statistic 17 of 20"},
		// The mirror image: a lower limit on p5.
		{"latency p5 > 0.9 s with 95 % confidence", 59, 0, pass, 59, "order statistic 1 of 59"},
		{"latency p5 > 0.9 s with 95 % confidence", 58, 0, inconc, 59, "order statistics"},
		{"latency p5 > 2 s with 95 % confidence", 20, 16, fail, 181, "order statistic 4 of 20"},
		{"latency p5 > 2 s with 95 % confidence", 20, 17, inconc, 153, "order statistics"},
	} {
		r := judge(t, latencies(c.n, c.bad), c.line)
		if r.Verdict != c.verdict || r.Needed != c.needed || r.Method != c.method || r.N != c.n {
			t.Errorf("%s, %d of %d bad: %v, needs %d, %s (%s); want %v, %d, %s",
				c.line, c.bad, c.n, r.Verdict, r.Needed, r.Method, r.Reason, c.verdict, c.needed, c.method)
		}
	}
}

// withMisses adds misses at the times given to n good latencies.
func withMisses(n int, at ...time.Duration) measure.Measure {
	m := latencies(n, 0)
	for _, d := range at {
		m.Samples = append(m.Samples, measure.Sample{Value: int64(d), Censored: true})
	}
	return m
}

func repeat(d time.Duration, n int) []time.Duration {
	list := make([]time.Duration, n)
	for i := range list {
		list[i] = d
	}
	return list
}

func TestMisses(t *testing.T) {
	for _, c := range []struct {
		what, line string
		m          measure.Measure
		verdict    verdict.Verdict
		says       string
	}{
		{"a miss is the largest value", "latency p95 < 2.5 s with 95 % confidence", withMisses(92, 5*time.Second), pass, "order statistic 92 of 93"},
		{"and proves a bad quantile", "latency p95 < 2.5 s with 95 % confidence", withMisses(16, repeat(5*time.Second, 4)...), fail, "at least 5 s"},
		{"a miss breaks max", "latency max < 2.5 s", withMisses(10, 5*time.Second), fail, "above 5 s"},
		{"but not if it was cut off before", "latency max < 2.5 s", withMisses(10, time.Second), inconc, "no value"},
		{"a miss leaves the mean open", "latency mean < 2.5 s", withMisses(10, 5*time.Second), inconc, "no value"},
		{"unless it is bad anyway", "latency mean < 1.1 s", withMisses(10, 5*time.Second), fail, "above 1.36"},
		{"a miss does not touch min", "latency min > 0.5 s", withMisses(10, 5*time.Second), pass, "allowed > 500 ms"},
		{"a miss leaves sd open", "latency sd < 1 s", withMisses(10, 5*time.Second), inconc, "no answer"},
		{"median without confidence", "latency p50 < 1.5 s", withMisses(3, 5*time.Second, 5*time.Second), pass, "p50 is 1 s"},
		{"quantile in the misses", "latency p95 < 2.5 s", withMisses(3, 5*time.Second), fail, "above"},
	} {
		r := judge(t, c.m, c.line)
		if r.Verdict != c.verdict || !strings.Contains(r.Reason, c.says) {
			t.Errorf("%s: %v, %s; want %v, %q", c.what, r.Verdict, r.Reason, c.verdict, c.says)
		}
	}
}

// Trials that were cut off before the limit are no misses: order statistics
// can't tell, the survival curve can.
func TestKaplanMeier(t *testing.T) {
	const line = "latency p95 < 2.5 s with 95 % confidence"
	r := judge(t, withMisses(150, repeat(time.Second/2, 10)...), line)
	if r.Verdict != pass || !strings.HasPrefix(r.Method, "Kaplan-Meier") {
		t.Errorf("cut off early: %v by %s: %s", r.Verdict, r.Method, r.Reason)
	}
	m := withMisses(0, repeat(time.Second/2, 10)...)
	for i := range 150 {
		m.Samples = append(m.Samples, measure.Sample{Value: 3e9 + int64(i)})
	}
	if r := judge(t, m, line); r.Verdict != fail {
		t.Errorf("cut off early and bad: %v by %s: %s", r.Verdict, r.Method, r.Reason)
	}
	if r := judge(t, withMisses(150, repeat(3*time.Second, 10)...), line); r.Verdict == pass || r.Method != "order statistic 157 of 160" {
		t.Errorf("missed: %v by %s: %s", r.Verdict, r.Method, r.Reason)
	}
}

// ISO 14253-1:2017 as computed with R: limit 3 s, u = 0.05 s: acceptance to
// 2.917757319 s; at 2.93 s conformity has a probability of 0.919, neither pass
// nor fail.
func TestGuardBand(t *testing.T) {
	for _, c := range []struct {
		line    string
		value   int64
		verdict verdict.Verdict
	}{
		{"start-up max <= 3 s", 2917757318, pass},
		{"start-up max <= 3 s", 2917757320, inconc},
		{"start-up max <= 3 s", 2930000000, inconc},
		{"start-up max <= 3 s", 3082242681, inconc},
		{"start-up max <= 3 s", 3082242683, fail},
		{"start-up min >= 3 s", 2930000000, inconc},
		{"start-up min >= 3 s", 2917757316, fail},
		{"start-up min >= 3 s", 3082242683, pass},
		{"start-up mean < 3 s", 2917757320, inconc},
		{"start-up p50 < 3 s", 2917757318, pass},
		{"heartbeat jitter <= 3 s", 2930000000, inconc},
		{"heartbeat jitter <= 3 s", 2900000000, pass},
		{"heartbeat gap max <= 3 s", 2930000000, inconc},
		{"heartbeat gap max <= 3 s", 2900000000, pass},
		{"heartbeat gap max <= 3 s", 3100000000, fail},
	} {
		name, _, _ := strings.Cut(c.line, " m")
		m := measure.Measure{Name: strings.TrimSuffix(strings.TrimSuffix(name, " p50 < 3 s"), " jitter <= 3 s")}
		switch {
		case strings.HasPrefix(c.line, measure.BeatGap):
			m.Name, m.Summary = measure.BeatGap, &measure.Summary{N: 9, Max: c.value, U: 50e6}
		case strings.HasPrefix(c.line, measure.BeatJitter):
			m.Name = measure.BeatJitter
			fallthrough
		default:
			m.Samples = []measure.Sample{{Value: c.value, U: 50e6}}
		}
		r := judge(t, m, c.line)
		if r.Verdict != c.verdict {
			t.Errorf("%s, found %d: %v (%s); want %v", c.line, c.value, r.Verdict, r.Reason, c.verdict)
		}
		if straddles := strings.Contains(r.Reason, "straddles"); straddles != (c.verdict == inconc) {
			t.Errorf("%s, found %d: says %s", c.line, c.value, r.Reason)
		}
	}
	r := judge(t, measure.Measure{Name: measure.StartUp, Samples: []measure.Sample{{Value: 2917757318, U: 50e6}}}, "start-up max <= 3 s")
	if !r.HasBound || math.Abs(r.Bound-3e9) > 2 || math.Abs(r.Margin) > 2 || r.Value != 2917757318 {
		t.Errorf("at the edge of acceptance: %+v", r)
	}
}

// Bounds are those of Clopper and Pearson, and of Garwood, one-sided.
func TestCounts(t *testing.T) {
	share := func(x, n int) measure.Measure { return measure.Measure{Name: measure.Missed, Count: x, N: n} }
	alarms := func(x int, hours float64) measure.Measure {
		return measure.Measure{Name: measure.FalseAlarms, Count: x, Exposure: time.Duration(hours * 3600e9)}
	}
	for _, c := range []struct {
		line    string
		m       measure.Measure
		verdict verdict.Verdict
		needed  int
		bound   float64 // in % or per h, 0: not checked
	}{
		{"missed <= 0", share(0, 10), pass, 0, 0},
		{"missed <= 0", share(1, 10), fail, 0, 0},
		{"missed < 2", share(2, 10), fail, 0, 0},
		{"missed <= 0", share(0, 0), inconc, 0, 0},
		{"missed <= 10 %", share(1, 10), pass, 0, 10},
		{"missed < 10 %", share(1, 10), fail, 0, 10},
		{"missed <= 5 %", share(0, 0), inconc, 0, 0},
		// 1 - 0.05^(1/59) (R): 0.0495076098882270.
		{"missed <= 5 % with 95 % confidence", share(0, 59), pass, 59, 4.95076098882270},
		{"missed <= 5 % with 95 % confidence", share(0, 58), inconc, 59, 0},
		// 92 of 93 succeed: at least 0.950006021612012 (R binom.test).
		{"missed <= 5 % with 95 % confidence", share(1, 93), pass, 93, 4.9993978387988},
		{"missed <= 5 % with 95 % confidence", share(1, 92), inconc, 93, 0},
		{"missed <= 1 % with 95 % confidence", share(0, 299), pass, 299, 0},
		{"missed <= 10 % with 90 % confidence", share(0, 22), pass, 22, 0},
		{"missed <= 10 % with 90 % confidence", share(0, 21), inconc, 22, 0},
		// 4 of 20: at least 0.0713538843086181 at one-sided 95 % (R, two-sided 90 %).
		{"missed <= 7 % with 95 % confidence", share(4, 20), fail, 0, 7.13538843086181},
		{"missed <= 8 % with 95 % confidence", share(4, 20), inconc, 0, 0},
		{"false alarms <= 0", alarms(0, 8), pass, 0, 0},
		{"false alarms <= 0", alarms(1, 8), fail, 0, 0},
		{"false alarms <= 0.5 per h", alarms(1, 2), pass, 0, 0.5},
		{"false alarms < 0.5 per h", alarms(1, 2), fail, 0, 0.5},
		{"false alarms <= 0.5 per h", alarms(0, 0), inconc, 0, 0},
		// -ln 0.1 = 2.30258509299405 (R poisson.test).
		{"false alarms <= 0.5 per h with 90 % confidence", alarms(0, 8), pass, 0, 2.30258509299405 / 8},
		{"false alarms <= 0.5 per h with 90 % confidence", alarms(0, 4.60), inconc, 0, 0},
		{"false alarms <= 0.5 per h with 90 % confidence", alarms(0, 4.61), pass, 0, 0},
		// 2 in 168 h: at most 0.0374749620349523 at one-sided 95 % (R).
		{"false alarms <= 0.05 per h with 95 % confidence", alarms(2, 168), pass, 0, 0.0374749620349523},
		// 3 in 1 h: at least 0.618672122895602 at one-sided 97.5 % (R).
		{"false alarms <= 0.6 per h with 97.5 % confidence", alarms(3, 1), fail, 0, 0.618672122895602},
		{"false alarms <= 0.7 per h with 97.5 % confidence", alarms(3, 1), inconc, 0, 0},
	} {
		r := judge(t, c.m, c.line)
		if r.Verdict != c.verdict || c.needed != 0 && r.Needed != c.needed {
			t.Errorf("%s, %d of %d in %v: %v, needs %d (%s); want %v, %d",
				c.line, c.m.Count, c.m.N, c.m.Exposure, r.Verdict, r.Needed, r.Reason, c.verdict, c.needed)
		}
		unit := 1e7 // 1 %
		if c.m.Name == measure.FalseAlarms {
			unit = 1e9 / 3600
		}
		if c.bound != 0 && math.Abs(r.Bound/unit-c.bound) > 1e-5*c.bound {
			t.Errorf("%s, %d of %d: bound %v; want %v", c.line, c.m.Count, c.m.N, r.Bound/unit, c.bound)
		}
	}
}

// A DUT that ran down to the bottom of the ramp stops somewhere below.
func TestCensoredBelow(t *testing.T) {
	m := measure.Measure{Name: measure.DropOut, Samples: []measure.Sample{{Value: 2e9, Censored: true}, {Value: 22e8}}}
	for line, want := range map[string]verdict.Verdict{
		"drop-out max <= 2.4 V": pass,
		"drop-out max <= 2.1 V": fail,
		"drop-out min <= 2.1 V": pass,
		"drop-out min <= 1.9 V": inconc,
		"drop-out min >= 2.1 V": fail,
		"drop-out min >= 1.9 V": inconc,
	} {
		if r := judge(t, m, line); r.Verdict != want {
			t.Errorf("%s: %v (%s); want %v", line, r.Verdict, r.Reason, want)
		}
	}
}

func TestWithoutEvidence(t *testing.T) {
	doubtful := latencies(59, 0)
	doubtful.Inconc, doubtful.Why = 3, []string{"edges were lost"}
	none := measure.Measure{Name: measure.Latency, Inconc: 2, Why: []string{"stimulus not confirmed"}}
	bad := latencies(20, 20)
	bad.Inconc = 9
	for _, c := range []struct {
		what, file string
		m          measure.Measure
		verdict    verdict.Verdict
		says       string
	}{
		{"no such measure", "release p95 < 60 s", latencies(9, 0), inconc, "the run has nothing on release"},
		{"nothing but doubt", "latency max < 2 s", none, inconc, "stimulus not confirmed"},
		{"too much doubt", "latency p95 < 2.5 s with 95 % confidence\nallow 4 % inconc", doubtful, inconc, "3 of 62 were inconclusive, more than the 4 % allowed: edges were lost"},
		{"doubt that is allowed", "latency p95 < 2.5 s with 95 % confidence\nallow 5 % inconc", doubtful, pass, ""},
		{"doubt does not hide a failure", "latency p95 < 2.5 s with 95 % confidence", bad, fail, ""},
	} {
		j := Judge(set(c.m), parse(t, c.file), device)
		if j.Verdict != c.verdict || !strings.Contains(j.Results[0].Reason, c.says) {
			t.Errorf("%s: %v, %s; want %v, %q", c.what, j.Verdict, j.Results[0].Reason, c.verdict, c.says)
		}
	}
	j := Judge(set(latencies(9, 0)), parse(t, "latency max < 2 periods"), timeline.Header{})
	if j.Verdict != inconc || !strings.Contains(j.Reason, "gives no period") {
		t.Errorf("no period: %v, %s", j.Verdict, j.Reason)
	}
}

func TestRunVerdict(t *testing.T) {
	s := set(latencies(59, 0))
	s.Measures = append(s.Measures, set(measure.Measure{Name: measure.Missed, Count: 1, N: 60}).Measures...)
	good, open, bad := "latency p95 < 2.5 s with 95 % confidence\n", "release p95 < 60 s\n", "missed <= 0\n"
	tripped, cut := *s, *s
	tripped.Trips, cut.Interrupted = []string{"the tray overflows."}, "cut off or damaged from chunk 3 on"
	trials := *s
	trials.Trials = []measure.Trial{{N: 1, Verdict: pass}, {N: 2, Verdict: fail}, {N: 3, Verdict: inconc}}
	for _, c := range []struct {
		what, file string
		set        *measure.Set
		verdict    verdict.Verdict
		reason     string
	}{
		{"good", good, s, pass, `The limit "latency p95 < 2.5 s with 95 % confidence" is met: p95 is at most 1 s`},
		{"open", good + open, s, inconc, `Limit "release p95 < 60 s": the run has nothing on release.`},
		{"bad", good + open + bad, s, fail, `Limit "missed <= 0": 1 of 60, allowed <= 0.`},
		{"tripped", good, &tripped, verdict.Error, "An interlock tripped: the tray overflows."},
		{"cut short", bad, &cut, verdict.Error, "The run was cut short: cut off or damaged from chunk 3 on."},
		{"failed trials that no limit counts", good, &trials, pass, ""},
		{"no limits", "", &trials, fail, "No limits were given; of 3 trials 1 failed and 1 were inconclusive."},
		{"nothing", "", &measure.Set{}, verdict.None, "No limits were given and no trials made."},
	} {
		j := Judge(c.set, parse(t, c.file), device)
		if j.Verdict != c.verdict || !strings.HasPrefix(j.Reason, c.reason) {
			t.Errorf("%s: %v, %s; want %v, %s", c.what, j.Verdict, j.Reason, c.verdict, c.reason)
		}
	}
	// Of several failures the reason names the one by the largest margin.
	m := measure.Measure{Name: measure.StartUp, Samples: []measure.Sample{{Value: 2e9}}}
	j := Judge(set(m), parse(t, "start-up max <= 1.9 s\nstart-up mean <= 0.5 s\nstart-up p50 <= 1.5 s"), device)
	if !strings.HasPrefix(j.Reason, `Limit "start-up mean`) {
		t.Errorf("reason names the wrong limit: %s", j.Reason)
	}
}

func TestStatistics(t *testing.T) {
	m := measure.Measure{Name: measure.StartUp, Samples: []measure.Sample{{Value: 1e9}, {Value: 2e9}, {Value: 4e9}}}
	gap := measure.Measure{Name: measure.BeatGap, Summary: &measure.Summary{N: 3, Min: 1e9, Max: 4e9, Mean: 7e9 / 3, SD: 1527525232}}
	for line, want := range map[string]float64{
		"start-up max < 9 s": 4e9, "start-up min < 9 s": 1e9, "start-up mean < 9 s": 7e9 / 3, "start-up sd < 9 s": 1527525231.65,
		"start-up p50 < 9 s": 2e9, "start-up p75 < 9 s": 3e9,
		"heartbeat gap max < 9 s": 4e9, "heartbeat gap min < 9 s": 1e9, "heartbeat gap mean < 9 s": 7e9 / 3, "heartbeat gap sd < 9 s": 1527525232,
	} {
		use := m
		if strings.HasPrefix(line, measure.BeatGap) {
			use = gap
		}
		if r := judge(t, use, line); r.Verdict != pass || math.Abs(r.Value-want) > 1 {
			t.Errorf("%s: found %v, %v; want %v", line, r.Value, r.Verdict, want)
		}
	}
	if r := judge(t, latencies(1, 0), "latency sd < 1 s"); r.Verdict != inconc {
		t.Errorf("sd of one sample: %v, %s", r.Verdict, r.Reason)
	}
}

// TestExpiredCalibrations: a count that says which; records in doubt leave the
// verdict open, unless one has expired for sure.
func TestExpiredCalibrations(t *testing.T) {
	expired := measure.Measure{Name: measure.ExpiredCals, N: 2, Count: 1, Things: []string{"supply expired on 2021-01-01"}}
	unclear := measure.Measure{Name: measure.ExpiredCals, N: 1, Inconc: 1, Why: []string{"dated after the run"}}
	for _, c := range []struct {
		m       measure.Measure
		line    string
		verdict verdict.Verdict
		reason  string
	}{
		{measure.Measure{Name: measure.ExpiredCals, N: 2}, "expired calibrations <= 0", pass, "0, allowed <= 0"},
		{expired, "expired calibrations <= 0", fail, "1 (supply expired on 2021-01-01), allowed <= 0"},
		{expired, "expired calibrations <= 1", pass, "1 (supply expired"},
		{unclear, "expired calibrations <= 0", inconc, "dated after the run"},
		{measure.Measure{Name: measure.Latency}, "expired calibrations <= 0", inconc, "nothing on expired calibrations"},
	} {
		if r := judge(t, c.m, c.line); r.Verdict != c.verdict || !strings.Contains(r.Reason, c.reason) {
			t.Errorf("%s: %v, %s; want %v, %s", c.line, r.Verdict, r.Reason, c.verdict, c.reason)
		}
	}
}
