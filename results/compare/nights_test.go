package compare

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"drench/results/measure"
	"drench/results/stats"
	"drench/results/verdict"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// fortnightOf makes n nights of one run each; fill gets the night from 1.
func fortnightOf(n int, fill func(night int) Run) []Night {
	var nights []Night
	for i := 1; i <= n; i++ {
		r := fill(i)
		r.ID = int64(i)
		nights = append(nights, Night{Name: fmt.Sprint(i), Runs: []Run{r}})
	}
	return nights
}

// seriesOf returns one series of a trend.
func seriesOf(t *testing.T, trend Trend, name string) Series {
	t.Helper()
	for _, s := range trend.Series {
		if s.Measure == name {
			return s
		}
	}
	t.Fatalf("no series %s", name)
	return Series{}
}

// TestShapes: what is put into a fortnight is found, named, and nothing else.
func TestShapes(t *testing.T) {
	for name, c := range map[string]struct {
		level  func(night int) float64
		shape  Shape
		night  string
		worse  bool
		reason string
	}{
		"shift up":       {func(n int) float64 { return 300 * float64(b2i(n >= 9)) }, Shift, "9", true, "latency worse: from night 9 on it is"},
		"shift down":     {func(n int) float64 { return -300 * float64(b2i(n >= 10)) }, Shift, "10", false, "latency better"},
		"drift":          {func(n int) float64 { return 120 * float64(max(0, n-7)) }, Drift, "8", true, "from night 8 on it drifts"},
		"burst":          {func(n int) float64 { return 800 * float64(b2i(n == 10)) }, Burst, "10", true, "in night 10 alone it was"},
		"the last night": {func(n int) float64 { return 900 * float64(b2i(n == 14)) }, Shift, "14", true, "one night can't tell a lasting change from a passing one"},
	} {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(11, 12))
			trend := Nights(fortnightOf(14, func(n int) Run { return drip(normal(rng, 200, 1200+c.level(n), 500), missed(0, 200)) }), Options{})
			if len(trend.Findings) != 1 {
				t.Fatalf("findings %+v", trend.Findings)
			}
			f := trend.Findings[0]
			if f.Measure != measure.Latency || f.Shape != c.shape || f.Night != c.night || f.Worse != c.worse || !strings.Contains(f.Reason, c.reason) {
				t.Errorf("%+v", f)
			}
			if want := map[bool]verdict.Verdict{true: verdict.Fail, false: verdict.Pass}[c.worse]; trend.Verdict != want {
				t.Errorf("verdict %v: %s", trend.Verdict, trend.Reason)
			}
			if s := seriesOf(t, trend, measure.Missed); s.State != NotMoving {
				t.Errorf("missed is %s: %s", s.State, s.Reason)
			}
			if _, err := json.Marshal(trend); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestFlaky: what goes wrong now and then is told from what went wrong from a
// night on.
func TestFlaky(t *testing.T) {
	const p, f = verdict.Pass, verdict.Fail
	for name, c := range map[string]struct {
		verdicts string // of 14 nights; i: inconclusive, e: error
		misses   [14]int
		of       string
		state    State
		night    string
		reason   string
	}{
		"never":                {verdicts: "pppppppppppppp", of: VerdictSeries, state: NotMoving, reason: "0 in 14 nights, 14"},
		"always":               {verdicts: "ffffffffffffff", of: VerdictSeries, state: Steady, reason: "14 of 14, in each of 14 nights"},
		"once":                 {verdicts: "pppppppppfpppp", of: VerdictSeries, state: Once, reason: "1 time in one of 14 nights"},
		"flips":                {verdicts: "ppfpppfpppfppp", of: VerdictSeries, state: Flaky, reason: "3 in 14: 21.43 % (4.658 % to 50.8 % with 95 % confidence)"}, // R binom.test(3, 14)
		"broke":                {verdicts: "pppppppfffffff", of: VerdictSeries, state: Changed, night: "8", reason: "from night 8 on it is 100 %, was 0 %"},
		"mended":               {verdicts: "fffffffppppppp", of: VerdictSeries, state: Changed, night: "8", reason: "verdict better"},
		"errors say nothing":   {verdicts: "eeeeeeeppppppp", of: VerdictSeries, state: TooShort, reason: "0 nights of the baseline"},
		"inconc says nothing":  {verdicts: "iipppppppppppp", of: VerdictSeries, state: NotMoving, reason: "0 in 12 nights, 12"},
		"misses now and then":  {misses: [14]int{1, 0, 2, 0, 1, 1, 0, 0, 2, 0, 1, 0, 2, 0}, of: measure.Missed, state: Flaky, reason: "in 7 of 14 nights"},
		"misses in bad nights": {misses: [14]int{0, 30, 0, 0, 30, 0, 0, 0, 30, 0, 0, 30, 0, 0}, of: measure.Missed, state: Flaky, reason: "in 4 of 14 nights"},
		"more misses":          {misses: [14]int{1, 0, 2, 0, 1, 1, 0, 0, 2, 12, 9, 14, 8, 11}, of: measure.Missed, state: Changed, night: "10", reason: "from night 10 on"},
		"a night of misses":    {misses: [14]int{0, 0, 0, 0, 0, 0, 0, 0, 0, 25, 0, 0, 0, 0}, of: measure.Missed, state: Changed, night: "10", reason: "in night 10 alone"},
	} {
		t.Run(name, func(t *testing.T) {
			words := map[byte]verdict.Verdict{'p': p, 'f': f, 'i': verdict.Inconc, 'e': verdict.Error}
			trend := Nights(fortnightOf(14, func(n int) Run {
				r := drip(missed(c.misses[n-1], 200))
				if c.verdicts != "" {
					r.Verdict = words[c.verdicts[n-1]]
				}
				return r
			}), Options{})
			s := seriesOf(t, trend, c.of)
			if s.State != c.state || !strings.Contains(s.Reason, c.reason) {
				t.Errorf("%s: %s", s.State, s.Reason)
			}
			if c.night != "" && (s.Finding == nil || s.Finding.Night != c.night) {
				t.Errorf("finding %+v, want night %s", s.Finding, c.night)
			}
		})
	}
}

// The intervals between disasters in British coal mines, counted by year from
// 1851 to 1961 (Jarrett, Biometrika 66 (1979) 191; counts from memory, they add
// up to the published 191): the rate drops after 1891 (Carlin, Gelfand and
// Smith, Applied Statistics 41 (1992) 389, have the change point there, from
// memory).
func TestChangeOfRate(t *testing.T) {
	counts := []int{4, 5, 4, 0, 1, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4, 2, 5, 2, 2, 3, 4, 2, 1, 3, 2, 2,
		1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1, 2,
		1, 1, 1, 1, 2, 4, 2, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1}
	var tallies []tally
	sum := 0
	for _, x := range counts {
		tallies = append(tallies, tally{x: x, exposure: 1})
		sum += x
	}
	c := fitCounts(tallies, 1, len(tallies)-1)
	if sum != 191 || c.shape != Shift || 1851+c.at != 1892 {
		t.Errorf("%d disasters, %s in %d", sum, c.shape, 1851+c.at)
	}
	near(t, "rate before", c.before, 127.0/41, 1e-12)
	near(t, "rate after", c.after, 64.0/70, 1e-12)
}

// A shift fitted to the numbers is that of package stats.
func TestShiftIsHinkleys(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-5, 5), 4, 14).Draw(t, "nights")
		want, err := stats.ChangePoint(v, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		c := fitNumbers(nightsOf(v...), 1, len(v)-1)
		if c.shape == Shift && c.at != want.Index {
			t.Fatalf("shift at %d, stats has %d", c.at, want.Index)
		}
	})
}

// TestEveryMorning: what is found with the nights so far stays found, with the
// same signal, when more nights come: limits hold for the whole horizon.
func TestEveryMorning(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	nights := fortnightOf(14, func(n int) Run {
		return drip(normal(rng, 100, 1200+400*float64(b2i(n >= 10)), 500), missed(8*b2i(n >= 11), 100))
	})
	first := map[string]string{}
	for n := 8; n <= 14; n++ {
		trend := Nights(nights[:n], Options{})
		for _, f := range trend.Findings {
			if first[f.Measure] == "" {
				first[f.Measure] = f.Signal
				if f.Signal != fmt.Sprint(n) {
					t.Errorf("after night %d: %s, but it did not signal before", n, f.Reason)
				}
			}
			if f.Signal != first[f.Measure] {
				t.Errorf("after night %d %s signals in night %s, before it was %s", n, f.Measure, f.Signal, first[f.Measure])
			}
		}
		if len(trend.Findings) < len(first) {
			t.Errorf("after night %d a finding is gone", n)
		}
	}
	if len(first) != 2 {
		t.Errorf("found %v", first)
	}
}

// TestLevelDoesNotMatter: nights that are all later by the same time look the
// same to every check.
func TestLevelDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(8, 14).Draw(t, "nights")
		levels := rapid.SliceOfN(rapid.IntRange(900, 1500), n, n).Draw(t, "levels")
		more := rapid.IntRange(0, 5000).Draw(t, "more")
		trend := func(more int) Series {
			return Nights(fortnightOf(n, func(night int) Run {
				l := float64(levels[night-1] + more)
				return drip(latencies(l-20, l, l+20, l+5, l-5))
			}), Options{Only: []string{measure.Latency}}).Series[0]
		}
		a, b := trend(0), trend(more)
		if a.State != b.State || (a.Finding == nil) != (b.Finding == nil) || a.Finding != nil && (a.Finding.Night != b.Finding.Night || a.Finding.Shape != b.Finding.Shape) {
			t.Fatalf("%s %+v\n%s %+v", a.State, a.Finding, b.State, b.Finding)
		}
		for i := range a.Points {
			if p, q := a.Points[i].Score, b.Points[i].Score; p != nil && math.Abs(*p-*q) > 1e-6 {
				t.Fatalf("night %d: score %v, later by %d ms %v", i+1, *p, more, *q)
			}
		}
	})
}

// TestGone: a measure of which nothing is heard any more is not passed over, but
// one whose scenario did not run, or ended as an error, is no matter.
func TestGone(t *testing.T) {
	for name, c := range map[string]struct {
		last  func() Run
		state State
	}{
		"a measure is gone":        {func() Run { return drip(missed(0, 100)) }, Gone},
		"the scenario did not run": {func() Run { return Run{Scenario: "spray", Measures: []*measure.Measure{missed(0, 100)}} }, Steady},
		"an error":                 {func() Run { return Run{Scenario: "drip", Verdict: verdict.Error} }, Steady},
	} {
		trend := Nights(fortnightOf(12, func(n int) Run {
			if n >= 11 {
				return c.last()
			}
			return drip(missed(0, 100), latencies(1200+float64(n*n%7), 1210, 1190))
		}), Options{})
		s := seriesOf(t, trend, measure.Latency)
		if s.State != c.state || c.state == Gone && (trend.Verdict != verdict.Inconc || !strings.Contains(trend.Reason, "nothing on it since night 11")) {
			t.Errorf("%s: %s, %s; %v: %s", name, s.State, s.Reason, trend.Verdict, trend.Reason)
		}
	}
}

// TestFewNights: with a night too few nothing is said.
func TestFewNights(t *testing.T) {
	for n := range 8 {
		trend := Nights(fortnightOf(n, func(int) Run { return drip(missed(0, 100), latencies(1, 2, 3)) }), Options{})
		if trend.Verdict != verdict.Inconc || len(trend.Findings) != 0 {
			t.Errorf("%d nights: %v, %s", n, trend.Verdict, trend.Reason)
		}
	}
}

// quiet draws a night in which nothing is changed: latencies by the law of a
// sampling detector whose nights differ a little, single values and counts.
func quiet(rng *rand.Rand, law stats.SamplerLaw) Run {
	shift := 15 * rng.NormFloat64()
	v := make([]float64, 64)
	for i := range v {
		v[i] = law.From + shift + (law.To-law.From)*rng.Float64()
	}
	poisson := func(mean float64) int { return int(distuv.Poisson{Lambda: mean, Src: rng}.Rand()) }
	start := latencies(250 + 12*rng.NormFloat64())
	start.Name = measure.StartUp
	r := drip(latencies(v...), missed(int(distuv.Binomial{N: 64, P: 0.03, Src: rng}.Rand()), 64), alarms(poisson(0.7), time.Hour),
		standby(98+0.5*rng.NormFloat64(), 1), beats(1400, 2000+0.06*rng.NormFloat64(), 0.07), start)
	if rng.Float64() < 0.15 {
		r.Verdict = verdict.Fail
	}
	return r
}

// TestFalseAlarmRate: over fortnights in which nothing changes, drawn from the
// law of the stock device (a period of 2 s and 10 ms of conversion; spreads as
// in runs of the virtual bench), alarms come no more often than is stated.
func TestFalseAlarmRate(t *testing.T) {
	if testing.Short() {
		t.Skip("draws 400 fortnights")
	}
	law, err := stats.SamplerLatency(2000, 10, 1)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(15, 16))
	for _, o := range []Options{{}, {Baseline: 4, FalseAlarm: 0.2}} {
		const fortnights = 200
		alarms := 0
		for range fortnights {
			trend := Nights(fortnightOf(14, func(int) Run { return quiet(rng, law) }), o)
			alarms += b2i(len(trend.Findings) > 0)
		}
		stated := o.nightly(14).FalseAlarm
		t.Logf("%d of %d fortnights with a false alarm, stated %v", alarms, fortnights, stated)
		if p := (distuv.Binomial{N: fortnights, P: stated}).Survival(float64(alarms - 1)); p < 0.001 {
			t.Errorf("%d of %d fortnights have a false alarm, which is more than %v (p %v)", alarms, fortnights, stated, p)
		}
	}
}
