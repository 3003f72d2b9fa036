package daemon

import (
	"errors"
	"io"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// scrape reads the metrics as OpenMetrics.
func scrape(t testing.TB, d *Daemon) string {
	t.Helper()
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Header.Set("Accept", "application/openmetrics-text; version=1.0.0")
	w := httptest.NewRecorder()
	d.Metrics().ServeHTTP(w, r)
	b, err := io.ReadAll(w.Result().Body)
	if err != nil || w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), "application/openmetrics-text") {
		t.Fatalf("%d %v %v: %s", w.Code, w.Header(), err, b)
	}
	return string(b)
}

func TestMetrics(t *testing.T) {
	tr := newTrial(t)
	jobs := tr.enqueue(t, "drip", "bad", "trip", "spray", "spray")
	tr.start(t)
	tr.over(t, jobs[2].ID)
	until(t, "the bench is idle", func() bool { l := tr.Live(); return l.Job == nil && l.Trip != "" && tr.lab.watching.Load() })
	tr.clock.set(tr.Alive().Add(3 * time.Second))
	text := scrape(t, tr.Daemon)
	for _, line := range []string{
		`drench_runs_total{scenario="drip",verdict="pass"} 1.0`, `drench_runs_total{scenario="bad",verdict="fail"} 1.0`,
		`drench_runs_total{scenario="trip",verdict="error"} 1.0`, `drench_queue_length 2.0`, `drench_trips_open 1.0`,
		`drench_supervisor_pass_age_seconds 3.0`, `drench_bench_lost 0.0`, `drench_running 0.0`, `drench_paused 0.0`,
		`drench_heartbeat_gap_seconds{scenario="drip"} 2.0`, `drench_detection_latency_seconds_bucket{scenario="drip",le="2.0"} 1`,
		`drench_last_run_timestamp_seconds{scenario="drip",verdict="pass"} 1.7951976e+09`,
		`drench_hooks_total{result="told"} 0.0`, `drench_night_starts_total{result="missed"} 0.0`, "# EOF",
	} {
		if !strings.Contains(text, line+"\n") {
			t.Errorf("lacks %s", line)
		}
	}
	if t.Failed() {
		t.Log(text)
	}
}

// TestMetricsWithoutStore: what can't be read is an error of the scrape, not a
// number.
func TestMetricsWithoutStore(t *testing.T) {
	tr := newTrial(t)
	if err := tr.store.Close(); err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	tr.Metrics().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	if w.Code != 500 {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
}

func TestNewLacks(t *testing.T) {
	if _, err := New(Options{Bench: "lab"}); err == nil || errors.Is(err, ErrBusy) {
		t.Errorf("got %v", err)
	}
}
