package store

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"testing"

	"drench/rig"
	"drench/rig/timeline"
)

// BenchmarkBytesPerEdge keeps the same edges in chunks and as a row an edge,
// each in a file of its own, and reports what an edge takes in either and the
// ratio.
func BenchmarkBytesPerEdge(b *testing.B) {
	const edges = 50_000
	var chunked, rows float64
	for range b.N {
		chunked = fileSize(b, func(path string) { keepChunks(b, path, edges) }) / edges
		rows = fileSize(b, func(path string) { keepRows(b, path, edges) }) / edges
	}
	b.ReportMetric(chunked, "chunk-B/edge")
	b.ReportMetric(rows, "row-B/edge")
	b.ReportMetric(rows/chunked, "row/chunk")
}

func fileSize(b *testing.B, write func(path string)) float64 {
	path := filepath.Join(b.TempDir(), "edges.db")
	write(path)
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	return float64(info.Size())
}

// edgeAt is the i-th edge of a heartbeat, a detect line and a drop gate.
func edgeAt(i int) rig.Event {
	return rig.Event{At: rig.Instant(i)*1_000_017_345 + rig.Instant(i*i%977_001), Kind: rig.Edge, Channel: rig.ID(i % 3), Value: int64(i / 3 % 2)}
}

func keepChunks(b *testing.B, path string, edges int) {
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
	w, err := timeline.NewWriter(rec, timeline.Header{}, timeline.Pace{Events: 1000, Span: 1 << 60})
	for i := 0; i < edges && err == nil; i++ {
		err = w.Append(edgeAt(i))
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
}

func keepRows(b *testing.B, path string, edges int) {
	db, err := sql.Open("sqlite", path)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	tx, err := db.Begin()
	if err == nil {
		_, err = tx.Exec(`CREATE TABLE events (run INTEGER, at INTEGER, channel INTEGER, level INTEGER)`)
	}
	for i := 0; i < edges && err == nil; i++ {
		ev := edgeAt(i)
		_, err = tx.Exec(`INSERT INTO events VALUES (1, ?, ?, ?)`, int64(ev.At), ev.Channel, ev.Value)
	}
	if err == nil {
		err = tx.Commit()
	}
	if err != nil {
		b.Fatal(err)
	}
}
