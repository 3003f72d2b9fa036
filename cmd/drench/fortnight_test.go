package main

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"drench/drivers/virtual"
	"drench/results/compare"
	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"

	"gonum.org/v1/gonum/stat/distuv"
)

// compared is a recorded run as package compare takes it.
func (r *recordedRun) compared(t *testing.T, id int64) compare.Run {
	t.Helper()
	set := r.measures(t)
	tl, err := r.timeline.Reader()
	if err != nil {
		t.Fatal(err)
	}
	j := limits.Judge(set, r.job.limits, tl.Header)
	return compare.Run{ID: id, Scenario: tl.Header.Scenario, DUT: tl.Header.DUT, Verdict: j.Verdict, Reason: j.Reason,
		Limits: r.job.limits.Resolve(tl.Header.Device).Limits, Measures: set.Measures}
}

// fortnight runs the drip scenario for 14 nights on the virtual bench, each
// night with another seed and the faults that faults puts in, nights from 1.
func fortnight(t *testing.T, trials int, seed uint64, faults func(night int) map[string]virtual.Fault) []compare.Night {
	t.Helper()
	var nights []compare.Night
	for n := 1; n <= 14; n++ {
		r := record(t, "drip", runFlags{trials: trials, seed: seed + uint64(n)}, func(b *bench) {
			if faults != nil {
				b.world.Faults = faults(n)
			}
		})
		nights = append(nights, compare.Night{Name: fmt.Sprint(n), Runs: []compare.Run{r.compared(t, int64(n))}})
	}
	return nights
}

// injected is what happens in the scripted fortnight: from night 9 on the
// device answers 120 ms later, in night 11 it cries wolf, and from night 8 on
// its clock, and so its heartbeat, gets slower by half a thousandth each night.
func injected(night int) map[string]virtual.Fault {
	f := map[string]virtual.Fault{}
	if night >= 9 {
		f["late"] = virtual.Fault{Time: 120 * time.Millisecond}
	}
	if night == 11 {
		f["false_alarms"] = virtual.Fault{Rate: 30 * rig.Rate(1e9) / 3600}
	}
	if night >= 8 {
		f["slow_clock"] = virtual.Fault{Factor: 1 + 0.0005*float64(night-7)}
	}
	return f
}

// TestFortnight: what happens in the scripted fortnight is found, on the right
// night, and nothing else is. A device that answers later lets go later too, so
// that release may be found with latency.
func TestFortnight(t *testing.T) {
	if testing.Short() {
		t.Skip("runs 14 nights of 600 trials")
	}
	t.Parallel()
	trend := compare.Nights(fortnight(t, 600, 100, injected), compare.Options{})
	want := map[string]struct {
		night int
		shape compare.Shape
		must  bool
	}{
		measure.Latency:     {9, compare.Shift, true},
		measure.FalseAlarms: {11, compare.Burst, true},
		measure.BeatGap:     {8, compare.Drift, true},
		measure.ReleaseTime: {9, "", false},
	}
	for _, f := range trend.Findings {
		t.Log(f.Reason)
		w, ok := want[f.Measure]
		night, err := strconv.Atoi(f.Night)
		if !ok || err != nil || max(night-w.night, w.night-night) > 1 || w.must && f.Shape != w.shape || !f.Worse {
			t.Errorf("%s is found: %s", f.Measure, f.Reason)
		}
		delete(want, f.Measure)
	}
	for name, w := range want {
		if w.must {
			t.Errorf("%s is not found", name)
		}
	}
	if trend.Verdict != verdict.Fail {
		t.Errorf("verdict %v", trend.Verdict)
	}
}

// TestQuietFortnights: fortnights in which nothing changes raise an alarm no
// more often than is stated. A fortnight is 14 of 200 nights on the virtual
// bench, drawn at random; the device cries wolf once an hour in all of them, so
// in some nights and not in others: that is flaky, and no change.
func TestQuietFortnights(t *testing.T) {
	if testing.Short() {
		t.Skip("runs 200 nights")
	}
	t.Parallel()
	var pool []compare.Run
	for seed := range uint64(200) {
		r := record(t, "drip", runFlags{trials: 12, seed: seed}, func(b *bench) {
			b.world.Faults = map[string]virtual.Fault{"false_alarms": {Rate: rig.Rate(1e9) / 3600}}
		})
		pool = append(pool, r.compared(t, int64(seed)))
	}
	const fortnights = 200
	rng := rand.New(rand.NewPCG(1, 2))
	alarms, flaky := 0, 0
	for range fortnights {
		var nights []compare.Night
		for n, i := range rng.Perm(len(pool))[:14] {
			nights = append(nights, compare.Night{Name: fmt.Sprint(n + 1), Runs: pool[i : i+1]})
		}
		trend := compare.Nights(nights, compare.Options{})
		if len(trend.Findings) > 0 {
			alarms++
			t.Log(trend.Reason)
		}
		for _, s := range trend.Series {
			if s.Measure == measure.FalseAlarms && s.State == compare.Flaky {
				flaky++
			}
		}
	}
	t.Logf("%d of %d fortnights raise an alarm; false alarms are flaky in %d", alarms, fortnights, flaky)
	if p := (distuv.Binomial{N: fortnights, P: 0.05}).Survival(float64(alarms - 1)); p < 0.001 {
		t.Errorf("%d of %d fortnights raise an alarm, which is more than 5 %% (p %v)", alarms, fortnights, p)
	}
	if flaky < fortnights/2 {
		t.Errorf("false alarms are flaky in %d of %d fortnights", flaky, fortnights)
	}
}
