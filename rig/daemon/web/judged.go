package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"sync"
	"time"

	"drench/results/compare"
	"drench/results/limits"
	"drench/results/report"
	"drench/results/safety"
	"drench/results/store"
	"drench/rig/timeline"
)

// judged reads stored runs again and judges them. A run that is over does not
// change, so what was found of the last few is kept. One timeline is read at
// a time: the bench beside it needs the machine too.
type judged struct {
	runs Runs
	one  chan struct{} // held while a timeline is read

	mu       sync.Mutex
	safety   map[string]*safety.Report // by the timeline's sum
	measures map[int64]compare.Run     // by run, without setting
}

// mostKept is how many findings are kept: enough for the trends of a night of
// two dozen runs.
const mostKept = 1000

// patient lets an answer take longer than others: what it is made of may have
// to be read from many timelines, the first time.
func patient(w http.ResponseWriter) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(10 * time.Minute)) // not every connection has one
}

func newJudged(runs Runs) *judged {
	return &judged{runs: runs, one: make(chan struct{}, 1), safety: map[string]*safety.Report{}, measures: map[int64]compare.Run{}}
}

func (j *judged) begin(ctx context.Context) (end func(), err error) {
	select {
	case j.one <- struct{}{}:
		return func() { <-j.one }, nil
	case <-ctx.Done():
		return nil, fmt.Errorf("wait to read a timeline: %w", ctx.Err())
	}
}

// input judges a stored run by limits as they were written, and returns those
// too.
func (j *judged) input(ctx context.Context, r store.Run, limitsName, limitsText string) (report.Input, *limits.File, error) {
	f, err := limits.Parse(limitsName, []byte(limitsText))
	if err != nil {
		return report.Input{}, nil, fmt.Errorf("limits of run %d: %w", r.ID, err)
	}
	run := report.Run{ID: r.ID, Started: r.Started, Ended: r.Ended, DUT: r.DUT, LimitsName: limitsName, LimitsText: limitsText, Sum: r.Sum}
	in, err := report.Judge(run, f, func() (*timeline.Reader, error) { return timeline.NewReader(j.runs.Timeline(ctx, r.ID)) })
	return in, f, err
}

// write writes a run in one of the report's formats.
func (j *judged) write(ctx context.Context, f format, r store.Run, limitsName, limitsText string) ([]byte, error) {
	end, err := j.begin(ctx)
	if err != nil {
		return nil, err
	}
	defer end()
	in, _, err := j.input(ctx, r, limitsName, limitsText)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := f.write(&b, in); err != nil {
		return nil, fmt.Errorf("write %s of run %d: %w", f.file, r.ID, err)
	}
	return b.Bytes(), nil
}

// held is what an independent reading of a run's timeline says of its
// interlocks.
func (j *judged) held(ctx context.Context, r store.Run) (*safety.Report, error) {
	j.mu.Lock()
	found := j.safety[r.Sum]
	j.mu.Unlock()
	if found != nil {
		return found, nil
	}
	end, err := j.begin(ctx)
	if err != nil {
		return nil, err
	}
	defer end()
	tl, err := timeline.NewReader(j.runs.Timeline(ctx, r.ID))
	if err != nil {
		return nil, fmt.Errorf("read run %d: %w", r.ID, err)
	}
	rep, err := safety.Check(tl.Header, safety.Allowed(tl.Header.Interlock), tl.All())
	if err != nil {
		return nil, fmt.Errorf("check run %d for safety: %w", r.ID, err)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(j.safety) >= mostKept {
		clear(j.safety)
	}
	j.safety[r.Sum] = &rep
	return &rep, nil
}
