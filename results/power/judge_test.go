package power

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig/timeline"

	"gonum.org/v1/gonum/stat/distuv"
)

// judge judges one measure by one line, as a run is judged.
func judge(t *testing.T, m measure.Measure, line string) verdict.Verdict {
	t.Helper()
	f, err := limits.Parse("test.limits", []byte(line))
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range measure.Specs() {
		if s.Name == m.Name {
			m.Kind, m.Unit = s.Kind, s.Unit
		}
	}
	return limits.Judge(&measure.Set{Measures: []*measure.Measure{&m}}, f, timeline.Header{}).Verdict
}

// expected is the verdict that a rule has for a number gone wrong.
func expected(wrong, allowed, fails int) verdict.Verdict {
	switch {
	case wrong <= allowed:
		return verdict.Pass
	case wrong >= fails:
		return verdict.Fail
	}
	return verdict.Inconc
}

// The rule that chances are computed for is the one that verdicts are made by:
// each number of misses has the same verdict, and a run that is smaller by one
// passes with fewer.
func TestSharesAreJudgedSo(t *testing.T) {
	c := ofProcess(5*percentShare, 0, 0.95)
	for allowed := range 5 {
		size, err := c.size(allowed)
		if err != nil {
			t.Fatal(err)
		}
		n, fails := int(size), c.fails(size)
		for wrong := range n + 1 {
			got := judge(t, measure.Measure{Name: measure.Missed, Count: wrong, N: n}, "missed <= 5 % with 95 % confidence")
			if want := expected(wrong, allowed, fails); got != want {
				t.Fatalf("%d of %d missed: %v; want %v", wrong, n, got, want)
			}
		}
		smaller := judge(t, measure.Measure{Name: measure.Missed, Count: allowed, N: n - 1}, "missed <= 5 % with 95 % confidence")
		if smaller == verdict.Pass {
			t.Errorf("%d of %d missed pass", allowed, n-1)
		}
	}
}

func TestRatesAreJudgedSo(t *testing.T) {
	q := Rate{Limit: 138888, Confidence: 0.9}
	a := ask(t, q)
	const line = "false alarms <= 0.5 per h with 90 % confidence"
	for allowed, p := range a.Curve {
		exposure := time.Duration(p.Size * float64(time.Hour))
		for wrong := range allowed + 25 {
			got := judge(t, measure.Measure{Name: measure.FalseAlarms, Count: wrong, Exposure: exposure}, line)
			if (got == verdict.Pass) != (wrong <= p.Allowed) {
				t.Fatalf("%d events in %v: %v; allowed %d", wrong, exposure, got, p.Allowed)
			}
		}
		if judge(t, measure.Measure{Name: measure.FalseAlarms, Count: p.Allowed, Exposure: exposure * 9999 / 10000}, line) == verdict.Pass {
			t.Errorf("%d events in a shorter time than %v pass", p.Allowed, exposure)
		}
	}
}

// latency draws n latencies with an uncertainty.
func latency(rng *rand.Rand, n int, draw func(*rand.Rand) float64, u time.Duration) measure.Measure {
	m := measure.Measure{Name: measure.Latency}
	for range n {
		m.Samples = append(m.Samples, measure.Sample{Value: int64(draw(rng)), U: int64(u)})
	}
	return m
}

// Judged runs drawn from the assumed law pass, fail and stay open as often as
// computed, within 4.5 standard errors.
func TestLatenciesAreJudgedSo(t *testing.T) {
	if testing.Short() {
		t.Skip("simulation")
	}
	const runs = 1500
	for _, q := range []Latency{
		{Quantile: 0.9, Confidence: 0.9, Limit: 2 * time.Second, True: 1800 * time.Millisecond, Shape: Normal, SD: 300 * time.Millisecond},
		{Quantile: 0.9, Confidence: 0.9, Limit: 2 * time.Second, True: 1800 * time.Millisecond, Shape: LogNormal, SD: 300 * time.Millisecond, U: 20 * time.Millisecond},
		{Quantile: 0.9, Confidence: 0.9, Limit: 2 * time.Second, True: 2300 * time.Millisecond, Shape: Uniform, From: 10 * time.Millisecond, U: 50 * time.Millisecond},
		{Quantile: 0.5, Confidence: 0.95, Limit: 1 * time.Second, True: 900 * time.Millisecond, Shape: Uniform},
	} {
		law, _, err := q.law()
		if err != nil {
			t.Fatal(err)
		}
		draw := func(rng *rand.Rand) float64 { return law.(distuv.Quantiler).Quantile(rng.Float64()) }
		line := fmt.Sprintf("latency p%v < %v s with %v %% confidence", 100*q.Quantile, q.Limit.Seconds(), 100*q.Confidence)
		rng := rand.New(rand.NewPCG(1, 2))
		for _, p := range ask(t, q).Curve[1:4] {
			count := map[verdict.Verdict]float64{}
			for range runs {
				count[judge(t, latency(rng, int(p.Size), draw, q.U), line)]++
			}
			for v, chance := range map[verdict.Verdict]float64{verdict.Pass: p.Pass, verdict.Inconc: p.Inconc, verdict.Fail: p.Fail} {
				if se := math.Sqrt(chance * (1 - chance) / runs); math.Abs(count[v]/runs-chance) > 4.5*se+1e-3 {
					t.Errorf("%+v, %v trials: %v in %.4f of runs; computed %.4f", q, p.Size, v, count[v]/runs, chance)
				}
			}
		}
	}
}

// The rate's chances, by drawing.
func TestRatesBySimulation(t *testing.T) {
	const runs = 20000
	rng := rand.New(rand.NewPCG(3, 4))
	q := Rate{Limit: 138888, Confidence: 0.9, True: 55555}
	for _, p := range ask(t, q).Curve {
		passed := 0.0
		for range runs {
			events, at := 0, 0.0
			for at += rng.ExpFloat64(); at < perHour(q.True)*p.Size; at += rng.ExpFloat64() {
				events++
			}
			if events <= p.Allowed {
				passed++
			}
		}
		if se := math.Sqrt(p.Pass * (1 - p.Pass) / runs); math.Abs(passed/runs-p.Pass) > 4.5*se {
			t.Errorf("%v h: passed in %.4f; computed %.4f", p.Size, passed/runs, p.Pass)
		}
	}
}
