package api

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"drench/drivers/virtual"
	"drench/results/limits"
	"drench/results/measure"
	"drench/results/store"
	"drench/rig"
	"drench/rig/config"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/timeline"
	"drench/scenarios"
)

// recorded is a store's file with a trip, and with three runs of stock
// scenarios on the virtual bench: drip, brownout, drip again. It is made once.
var recorded struct {
	once sync.Once
	file []byte
}

// stored opens a copy of recorded, in which a fourth run has just begun.
func stored(t testing.TB) *store.Store {
	t.Helper()
	path := filepath.Join(t.TempDir(), "drench.db")
	recorded.once.Do(func() { recorded.file = recordAll(t, path+".first") })
	if recorded.file == nil {
		t.Fatal("the runs were not recorded; another test says why")
	}
	if err := os.WriteFile(path, recorded.file, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	rec, err := s.Begin(t.Context(), store.Run{Started: evening, Scenario: "spray", Bench: "virtual"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { runtime.KeepAlive(rec) }) // it holds the lock that says that the run goes on
	w, err := timeline.NewWriter(rec, timeline.Header{}, timeline.VirtualPace)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Append(rig.Event{Kind: rig.Note, Text: "hello"}); err != nil {
		t.Fatal(err)
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return s
}

// recordAll makes the file.
func recordAll(t testing.TB, path string) []byte {
	t.Helper()
	s, err := store.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"drip", "brownout", "drip"} {
		record(t, s, name)
	}
	if _, err := s.AddTrip(t.Context(), store.Trip{At: evening, Bench: "virtual", Run: 1, Reason: "tray wet"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil { // which leaves nothing beside the file
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// record runs a stock scenario on the virtual bench into the store.
func record(t testing.TB, st *store.Store, name string) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	world := virtual.Default()
	l, err := config.LoadRig("", map[string]any{"virtual": &world})
	must(err)
	var model virtual.Model
	device, _, err := l.LoadProfile(&model)
	must(err)
	bench, err := virtual.Open(world, device, model, 7)
	must(err)
	s, err := scenarios.Load(name)
	must(err)
	counts := s.Scale(4)
	const text = "latency p95 < 3 s with 95 % confidence\nmissed <= 5 % with 95 % confidence\nheartbeat gap <= 1.2 periods\n"
	rec, err := st.Begin(t.Context(), store.Run{Started: evening, Scenario: name, DUT: "unit 17", Bench: "virtual", Tool: "test", Seed: 7,
		LimitsName: "test.limits", LimitsText: text, Sources: map[string]store.Source{"script": {Name: name + ".star", Text: "…"}}, Tags: []string{"b", "a"}})
	must(err)
	h := timeline.Header{Scenario: name, Bench: "virtual", Channels: bench.Channels(), Device: device, Calibration: l.Calibration, Planned: counts}
	var k timeline.Memory
	w, err := timeline.NewWriter(both{rec, &k}, h, timeline.Pace{Events: 500, Span: time.Hour})
	must(err)
	guard, err := interlock.New(t.Context(), bench, l.Interlock)
	must(err)
	run, err := engine.New(t.Context(), guard, w)
	must(err)
	must(run.Do(t.Context(), func(ctx context.Context) error {
		return s.Run(ctx, run, scenarios.Setup{Device: device, Calibration: l.Calibration, Seed: 7, Counts: counts})
	}))
	r, err := k.Reader()
	must(err)
	set, err := measure.Extract(r.Header, r.All())
	must(err)
	f, err := limits.Parse("test.limits", []byte(text))
	must(err)
	j := limits.Judge(set, f, r.Header)
	body, err := json.Marshal(j)
	must(err)
	must(rec.Finish(t.Context(), j.Verdict, j.Reason, w.Sum(), body))
}

// both is two sinks.
type both struct{ a, b timeline.Sink }

func (s both) WriteChunk(b []byte) error {
	if err := s.a.WriteChunk(b); err != nil {
		return err
	}
	return s.b.WriteChunk(b)
}
