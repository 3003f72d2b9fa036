package main

import (
	"iter"
	"math"
	"slices"
	"testing"
	"time"

	"drench/drivers/virtual"
	"drench/results/measure"
	"drench/results/stats"
	"drench/rig"
	"drench/rig/timeline"

	"github.com/spf13/cobra"
)

// recordedRun is a scenario on the stock virtual bench, with the world that
// knows what really happened.
type recordedRun struct {
	job      *job
	world    *virtual.Bench
	timeline timeline.Memory
	cut      error // what cut it short
}

func record(t *testing.T, scenario string, f runFlags, mend func(*bench)) *recordedRun {
	t.Helper()
	cmd := &cobra.Command{}
	cmd.Flags().String("rig", "", "")
	cmd.Flags().String("data", t.TempDir(), "")
	jobs, err := prepare(cmd, []string{scenario}, f)
	if err != nil {
		t.Fatal(err)
	}
	if mend != nil {
		mend(jobs[0].bench)
	}
	return recordJob(t, jobs[0])
}

func recordJob(t *testing.T, j *job) (r *recordedRun) {
	t.Helper()
	r = &recordedRun{job: j}
	var err error
	if r.world, err = j.bench.open(j.seed); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.world.Close() })
	if _, r.cut, err = r.job.runOn(t.Context(), r.world, &r.timeline, nil); err != nil {
		t.Fatal(err)
	}
	return r
}

// measures extracts the measures as a rig without some of the channels would
// have them.
func (r *recordedRun) measures(t *testing.T, without ...string) *measure.Set {
	t.Helper()
	if r.cut != nil {
		t.Fatal(r.cut)
	}
	tl, err := r.timeline.Reader()
	if err != nil {
		t.Fatal(err)
	}
	var gone []rig.ID
	for _, name := range without {
		id, ok := rig.Find(tl.Header.Channels, name)
		if !ok {
			t.Fatalf("no channel %s", name)
		}
		tl.Header.Channels[id].Name = "not_wired_" + name
		gone = append(gone, id)
	}
	set, err := measure.Extract(tl.Header, except(tl.All(), gone))
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func except(events iter.Seq2[rig.Event, error], channels []rig.ID) iter.Seq2[rig.Event, error] {
	return func(yield func(rig.Event, error) bool) {
		for ev, err := range events {
			if ev.Kind == rig.Edge && slices.Contains(channels, ev.Channel) {
				continue
			}
			if !yield(ev, err) {
				return
			}
		}
	}
}

// TestWettingInstants holds the wetting instants that each source gives
// against the hidden truth of the virtual bench: bias and spread lie within
// the standard uncertainty that travels with them.
func TestWettingInstants(t *testing.T) {
	run := record(t, "drip", runFlags{trials: 100, seed: 11}, nil)
	truth := run.world.Truth()
	for _, c := range []struct {
		source  measure.Source
		without []string
	}{
		{measure.FromWitness, nil},
		{measure.FromGate, []string{rig.Witness}},
		{measure.FromPump, []string{rig.Witness, rig.DropGate}},
	} {
		var errs []float64
		var u time.Duration
		for _, trial := range run.measures(t, c.without...).Trials {
			if trial.Spec.Kind != rig.Wet {
				continue
			}
			w := trial.Wetting
			if w == nil || w.Source != c.source {
				t.Fatalf("%s: trial %d has wetting %+v (%s)", c.source, trial.N, w, trial.Reason)
			}
			u = w.U
			errs = append(errs, w.At.Sub(nearestTruth(truth, w.At)).Seconds())
		}
		s, err := stats.Summarize(errs)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: bias %.3f ms, spread %.3f ms, stated u %v, n %d", c.source, s.Mean*1e3, s.SD*1e3, u, s.N)
		if math.Abs(s.Mean) > u.Seconds() || s.SD > u.Seconds() {
			t.Errorf("%s: bias %v s and spread %v s are not within the stated %v", c.source, s.Mean, s.SD, u)
		}
		if s.N < 100 {
			t.Errorf("%s: %d wetting instants", c.source, s.N)
		}
	}
}

func nearestTruth(truth []virtual.Wetting, at rig.Instant) rig.Instant {
	best := truth[0].At
	for _, w := range truth {
		if w.At.Sub(at).Abs() < best.Sub(at).Abs() {
			best = w.At
		}
	}
	return best
}

// TestSamplerLaw: a healthy detector that samples every 2 s answers a drop that
// suffices at a random phase: latencies are uniform on (c, T+c], their mean is
// T/2 + c (derived; see docs/statistics.md), and other laws are rejected.
func TestSamplerLaw(t *testing.T) {
	run := record(t, "drip", runFlags{trials: 250, seed: 5}, func(b *bench) {
		b.world.Drip.Drop, b.rig.Calibration.Drip.Drop = 50*rig.Microlitre, 50*rig.Microlitre // one drop suffices
		b.rig.Calibration.Drip.Rate = 6 * rig.MlPerMin
		b.device.Sampling.Conversion = 10 * time.Millisecond
	})
	var latencies []float64
	for _, s := range run.measures(t).Find(measure.Latency).Samples {
		if s.Censored {
			t.Fatalf("trial %d: missed", s.Trial)
		}
		latencies = append(latencies, time.Duration(s.Value).Seconds())
	}
	const period = 2.0
	fit, err := stats.FitSamplerLaw(latencies, period)
	if err != nil {
		t.Fatal(err)
	}
	s, err := stats.Summarize(latencies)
	if err != nil {
		t.Fatal(err)
	}
	c := fit.From
	t.Logf("n %d, c %.4f s, mean %.4f s, D %.4f, p %.3f", s.N, c, s.Mean, fit.D, fit.P)
	if c < 0.010 || c > 0.100 { // conversion 10 ms, and the drop has to spread
		t.Errorf("the law begins at %v s", c)
	}
	if fit.P < 0.01 {
		t.Errorf("latencies do not fit the sampler's law: D %v, p %v", fit.D, fit.P)
	}
	if se := period / math.Sqrt(12) / math.Sqrt(float64(s.N)); math.Abs(s.Mean-(period/2+c)) > 4*se {
		t.Errorf("mean latency %v s, want %v ± %v", s.Mean, period/2+c, se)
	}
	for name, law := range map[string][2]float64{
		"T = 2.5 s":         {c, 2.5 + c},
		"two readings":      {period + c, 2*period + c},
		"no wait for phase": {c, 1 + c},
	} {
		ks, err := stats.UniformLaw(latencies, law[0], law[1])
		if err != nil {
			t.Fatal(err)
		}
		if ks.P > 0.001 {
			t.Errorf("the wrong law %q is not rejected: D %v, p %v", name, ks.D, ks.P)
		}
	}
}

// TestLatencyIntervalCovers holds the stated interval of latency's 95 % quantile
// against the truth: of 1,000 studies of 111 doses each, it covers in 93 to
// 97 %. The truth is the quantile of all latencies by the instants at which the
// world got wet, which no study knows. (Ranks are whole: with 111 values the
// interval covers 95.4 %, with 100 it would 98.3 %.)
func TestLatencyIntervalCovers(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute")
	}
	t.Parallel()
	const runs, studies, size = 100, 1000, 111
	rank, err := stats.OrderStatInterval(size, 0.95, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	var measured [runs][]float64
	var truly [runs][]float64
	t.Run("runs", func(t *testing.T) {
		for n := range runs {
			t.Run("", func(t *testing.T) {
				t.Parallel()
				measured[n], truly[n] = latencies(t, recordJob(t, nightJob(t, studies/runs*size, uint64(n))))
			})
		}
	})
	want, err := stats.Quantile(slices.Concat(truly[:]...), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	covered, n := 0, 0
	for study := range slices.Chunk(slices.Concat(measured[:]...), size) {
		slices.Sort(study)
		n++
		if study[rank.L-1] <= want && want <= study[rank.U-1] {
			covered++
		}
	}
	share := float64(covered) / float64(n)
	t.Logf("%d studies cover %.3f s in %.3f of cases; exactly %.3f by the binomial", n, want, share, rank.Cover)
	if n != studies || share < 0.93 || share > 0.97 {
		t.Errorf("%d studies, of which %.3f cover the truth; want 1000, 0.93 to 0.97", n, share)
	}
}

// latencies are those of a run's doses in seconds, as measured and in truth.
func latencies(t *testing.T, run *recordedRun) (measured, truly []float64) {
	truth := run.world.Truth()
	for _, trial := range run.measures(t).Trials {
		if trial.Spec.Kind == rig.Wet && trial.Detected {
			measured = append(measured, trial.Latency.Seconds())
			truly = append(truly, trial.DetectAt.Sub(nearestTruth(truth, trial.Wetting.At)).Seconds())
		}
	}
	return measured, truly
}
