package api

import (
	"fmt"
	"io"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/report"
	"drench/results/store"
	"drench/rig/daemon/access"
	"drench/rig/timeline"
)

// artefact names a report as drench run --out does.
func artefact[A any](name, id, media, summary string, write func(io.Writer, report.Input) error) operation {
	return raw[runAsked, A]("/runs/{id}/"+name, id, access.ToLook, media, summary,
		func(c *call, q runAsked, w io.Writer) error {
			in, err := c.judged(q.ID)
			if err != nil {
				return err
			}
			h := c.w.Header()
			h.Set("Content-Disposition", fmt.Sprintf(`inline; filename="run-%d-%s"`, q.ID, name))
			h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'")
			return write(w, in)
		})
}

func artefactOperations() []operation {
	return []operation{
		artefact[string]("report.html", "getReport", "text/html; charset=utf-8", "The report as one page", report.HTML),
		artefact[string]("junit.xml", "getJUnit", "application/xml", "JUnit-style XML", report.JUnit),
		artefact[string]("trials.csv", "getTrials", "text/csv; charset=utf-8", "A row a trial", report.CSV),
		artefact[string]("timeline.vcd", "getWaveforms", "text/plain; charset=utf-8", "Waveforms (IEEE 1364 value change dump)", report.VCD),
		artefact[everything]("report.json", "getEverything", jsonType, "All of the run but its events", report.JSON),
	}
}

// everything is what report.JSON writes.
type everything struct {
	Format    int              `json:"format"`
	Run       report.Run       `json:"run"`
	Header    timeline.Header  `json:"header"`
	Judgement limits.Judgement `json:"judgement"`
	Set       *measure.Set     `json:"set"`
}

// judged reads a run's timeline and judges it by the limits it was run with.
func (c *call) judged(id int64) (report.Input, error) {
	ctx := c.Context()
	select {
	case c.api.judging <- struct{}{}:
		defer func() { <-c.api.judging }()
	case <-ctx.Done():
		return report.Input{}, fmt.Errorf("wait for other reports: %w", ctx.Err())
	}
	r, err := c.api.runs.Get(ctx, id)
	if err != nil {
		return report.Input{}, err
	}
	if r.State == store.Running {
		return report.Input{}, &failure{class: notNow, what: fmt.Sprintf("run %d goes on", id), mend: "ask again when it has ended; its events come as they are stored"}
	}
	f, err := limits.Parse(r.LimitsName, []byte(r.LimitsText))
	if err != nil {
		return report.Input{}, fmt.Errorf("read the limits of run %d: %w", id, err)
	}
	run := report.Run{ID: r.ID, Started: r.Started, Ended: r.Ended, DUT: r.DUT, LimitsName: r.LimitsName, LimitsText: r.LimitsText, Sum: r.Sum}
	return report.Judge(run, f, func() (*timeline.Reader, error) { return timeline.NewReader(c.api.runs.Timeline(ctx, id)) })
}
