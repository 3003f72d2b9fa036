package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"drench/results/limits"
	"drench/results/measure"
	"drench/rig"
	"drench/rig/timeline"
	"drench/scenarios"

	"github.com/spf13/cobra"
)

// night is a scenario that fills eight hours with 1,000 wet trials and as many
// releases.
const night = `
about = "A night of doses."
trials = {"wet": 1000, "release": 1000}
budget = "36 h" # where the dry reading has drifted, drying is waited for longer

def run():
    power()
    prime()
    for i in range(count("wet")):
        trial("wet", dose = "0.1 ml", within = "6 s")
        trial("release", within = "2 min")
        wait("15 s")
`

// file is a timeline's sink on a disk.
type file struct{ *os.File }

func (f file) WriteChunk(b []byte) error {
	_, err := f.Write(b)
	return err
}

// BenchmarkNight runs the night on the virtual bench through the whole engine,
// records it, and measures and judges it. It reports the time on the bench, how
// much faster than that it went, and the live memory after a whole night over
// that after an eighth of one.
func BenchmarkNight(b *testing.B) {
	small := sleep(b, 125)
	b.ResetTimer()
	var large nightly
	for range b.N {
		large = sleep(b, 1000)
	}
	b.ReportMetric(large.bench.Hours(), "bench-h")
	b.ReportMetric(large.bench.Seconds()/large.wall.Seconds(), "bench/wall")
	b.ReportMetric(float64(large.live)/float64(small.live), "live-night/eighth")
	b.ReportMetric(float64(large.live)/1e6, "live-MB")
}

type nightly struct {
	bench time.Duration
	wall  time.Duration
	live  uint64 // heap in use after a collection, with the measures held
}

// nightJob is the night with so many doses.
func nightJob(tb testing.TB, trials int, seed uint64) *job {
	tb.Helper()
	cmd := &cobra.Command{}
	cmd.Flags().String("rig", "", "")
	cmd.Flags().String("data", tb.TempDir(), "")
	jobs, err := prepare(cmd, []string{"drip"}, runFlags{seed: seed})
	if err != nil {
		tb.Fatal(err)
	}
	j := jobs[0]
	if j.script, err = scenarios.Parse("night", "night.star", []byte(night)); err != nil {
		tb.Fatal(err)
	}
	j.counts = map[rig.TrialKind]int{rig.Wet: trials, rig.Release: trials}
	return j
}

func sleep(b *testing.B, trials int) nightly {
	j := nightJob(b, trials, 1)
	kept, err := os.Create(filepath.Join(b.TempDir(), "timeline"))
	if err != nil {
		b.Fatal(err)
	}
	defer kept.Close()
	began := time.Now()
	if _, cut, err := j.run(context.Background(), file{kept}, nil); err != nil || cut != nil {
		b.Fatal(err, cut)
	}
	if _, err := kept.Seek(0, io.SeekStart); err != nil {
		b.Fatal(err)
	}
	tl, err := timeline.NewReader(kept)
	if err != nil {
		b.Fatal(err)
	}
	set, err := measure.Extract(tl.Header, tl.All())
	if err != nil {
		b.Fatal(err)
	}
	judged := limits.Judge(set, j.limits, tl.Header)
	wall := time.Since(began)
	var mem runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&mem)
	runtime.KeepAlive(judged)
	if n := set.Find(measure.Missed).N; n != trials {
		b.Fatalf("%d wet trials, want %d", n, trials)
	}
	return nightly{set.End.Sub(set.Begin), wall, mem.HeapAlloc}
}
