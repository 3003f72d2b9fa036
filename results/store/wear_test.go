package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/timeline"
)

// BenchmarkWearPerHour keeps an hour of a real bench, second by second of its
// clock, and reports how many bytes the kernel was asked to write to the disk
// for it (write_bytes of /proc/self/io, proc(5)), and by how much the file
// grew. quiet has a heartbeat and two gauges read once a second; talkative has
// a line of 60 characters on the UART every 100 ms besides.
//
//	TMPDIR=a folder on a disk, not in memory
//	go test -run '^$' -bench WearPerHour -benchtime 1x ./results/store
func BenchmarkWearPerHour(b *testing.B) {
	for _, c := range []struct {
		name  string
		lines int // a second
	}{{"quiet", 0}, {"talkative", 10}} {
		b.Run(c.name, func(b *testing.B) {
			var written, grown, chunks float64
			for range b.N {
				path := filepath.Join(b.TempDir(), "wear.db")
				before := writeBytes(b)
				chunks = keepHour(b, path, c.lines)
				written = writeBytes(b) - before
				info, err := os.Stat(path)
				if err != nil {
					b.Fatal(err)
				}
				grown = float64(info.Size())
			}
			b.ReportMetric(written/1e6, "MB-written/hour")
			b.ReportMetric(grown/1e6, "MB-kept/hour")
			b.ReportMetric(chunks, "chunks/hour")
		})
	}
}

// writeBytes is what this process has had written to disks.
func writeBytes(b *testing.B) float64 {
	b.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Skip(err)
	}
	_, rest, _ := strings.Cut(string(text), "\nwrite_bytes: ")
	var n float64
	if _, err := fmt.Sscan(rest, &n); err != nil {
		b.Fatal(err)
	}
	return n
}

// keepHour records an hour and returns how many chunks it took.
func keepHour(b *testing.B, path string, lines int) (chunks float64) {
	b.Helper()
	ctx := context.Background()
	s, err := Open(ctx, path)
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	rec, err := s.Begin(ctx, exampleRun())
	if err != nil {
		b.Fatal(err)
	}
	w, err := timeline.NewWriter(rec, timeline.Header{}, timeline.LivePace)
	for second := 0; second < 3600 && err == nil; second++ {
		at := rig.Instant(second) * rig.Instant(time.Second)
		evs := []rig.Event{
			{At: at + 17_345, Kind: rig.Edge, Value: int64(second % 2)},
			{At: at + 20_000_000, Kind: rig.Reading, Channel: 1, Value: 3_300_000_000 + int64(second*7919%1_000_003)},
			{At: at + 21_000_000, Kind: rig.Reading, Channel: 2, Value: 12_000_000 + int64(second*104729%100_003)},
		}
		for i := range lines {
			evs = append(evs, rig.Event{At: at + rig.Instant(i+1)*90_000_000, Kind: rig.Line, Channel: 3, Text: fmt.Sprintf("%060d", second*lines+i)})
		}
		for _, ev := range evs {
			if err == nil {
				err = w.Append(ev)
			}
		}
	}
	if err == nil {
		err = w.Close()
	}
	if err == nil {
		err = rec.Finish(ctx, 1, "", w.Sum(), nil)
	}
	if err != nil {
		b.Fatal(err)
	}
	return float64(rec.number)
}
