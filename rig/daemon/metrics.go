package daemon

import (
	"context"
	"net/http"
	"time"

	"drench/results/store"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics is what a daemon counts, beside what its ledger and hub tell when
// they are asked.
type metrics struct {
	registry *prometheus.Registry
	runs     *prometheus.CounterVec
	last     *prometheus.GaugeVec
	latency  *prometheus.HistogramVec
	gap      *prometheus.GaugeVec
	starts   *prometheus.CounterVec
	hooks    *prometheus.CounterVec
}

func newMetrics(d *Daemon) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		runs: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "drench_runs_total",
			Help: "Runs that ended since the daemon's start."}, []string{"scenario", "verdict"}),
		last: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "drench_last_run_timestamp_seconds",
			Help: "When the last run with this verdict ended, Unix time."}, []string{"scenario", "verdict"}),
		latency: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "drench_detection_latency_seconds",
			Help: "From wetting to detection, of wet trials that were detected.", Buckets: []float64{.1, .2, .5, 1, 2, 3, 5, 10, 30, 60, 300}},
			[]string{"scenario"}),
		gap: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "drench_heartbeat_gap_seconds",
			Help: "Longest time between two heartbeats in the last run."}, []string{"scenario"}),
		starts: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "drench_night_starts_total",
			Help: "Starts that schedules asked for: started, missed (the daemon was off), refused (still running, or not in order any more)."},
			[]string{"result"}),
		hooks: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "drench_hooks_total",
			Help: "Notices to hooks: told, failed, dropped (too many waited)."}, []string{"result"}),
	}
	for _, result := range []string{"started", "missed", "refused"} {
		m.starts.WithLabelValues(result)
	}
	for _, result := range []string{"told", "failed", "dropped"} {
		m.hooks.WithLabelValues(result)
	}
	m.registry.MustRegister(m.runs, m.last, m.latency, m.gap, m.starts, m.hooks, state{d})
	return m
}

func (m *metrics) ran(scenario string, o Outcome, at time.Time) {
	word := o.Verdict.String()
	m.runs.WithLabelValues(scenario, word).Inc()
	m.last.WithLabelValues(scenario, word).Set(float64(at.Unix()))
	for _, l := range o.Latency {
		m.latency.WithLabelValues(scenario).Observe(l.Seconds())
	}
	if o.Gap > 0 {
		m.gap.WithLabelValues(scenario).Set(o.Gap.Seconds())
	}
}

func (m *metrics) start(result string, n int) { m.starts.WithLabelValues(result).Add(float64(n)) }

func (m *metrics) hook(result string) { m.hooks.WithLabelValues(result).Inc() }

// Metrics serves the daemon's metrics in Prometheus' formats, OpenMetrics among
// them.
func (d *Daemon) Metrics() http.Handler {
	return promhttp.HandlerFor(d.metrics.registry, promhttp.HandlerOpts{EnableOpenMetrics: true, MaxRequestsInFlight: 4})
}

// state tells how the daemon is, when asked.
type state struct{ *Daemon }

// gauges are what state tells, in the order of its values.
var gauges = []*prometheus.Desc{
	gauge("drench_supervisor_pass_age_seconds", "Time since the interlock supervisor last finished a pass."),
	gauge("drench_bench_lost", "1 while the bench can't be reached."),
	gauge("drench_running", "1 while a job runs."),
	gauge("drench_paused", "1 while the queue is paused."),
	gauge("drench_queue_length", "Jobs that wait."),
	gauge("drench_trips_open", "Trips that nobody has cleared."),
	gauge("drench_store_bytes", "Size of the store."),
	gauge("drench_store_free_bytes", "Of that, what is free for further runs."),
}

func gauge(name, help string) *prometheus.Desc { return prometheus.NewDesc(name, help, nil, nil) }

// Describe implements prometheus.Collector.
func (s state) Describe(out chan<- *prometheus.Desc) {
	for _, g := range gauges {
		out <- g
	}
}

// Collect implements prometheus.Collector.
func (s state) Collect(out chan<- prometheus.Metric) {
	values, err := s.values()
	for i, g := range gauges {
		if err != nil {
			out <- prometheus.NewInvalidMetric(g, err)
			continue
		}
		out <- prometheus.MustNewConstMetric(g, prometheus.GaugeValue, values[i])
	}
}

func (s state) values() ([]float64, error) {
	ctx, done := context.WithTimeout(context.Background(), 5*time.Second)
	defer done()
	l := s.Live()
	queued, err := s.Ledger.Jobs(ctx, store.JobFilter{Bench: s.Bench, States: []store.JobState{store.JobQueued}})
	if err != nil {
		return nil, err
	}
	trips, err := s.Trips(ctx, true)
	if err != nil {
		return nil, err
	}
	size, free, err := s.Ledger.Size(ctx)
	if err != nil {
		return nil, err
	}
	return []float64{s.Now().Sub(s.Alive()).Seconds(), truth(s.Lost() != ""), truth(l.Job != nil), truth(l.Paused),
		float64(len(queued)), float64(len(trips)), float64(size), float64(free)}, nil
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
