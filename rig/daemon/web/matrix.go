package web

import (
	"fmt"
	"net/http"
	"slices"

	"drench/results/compare"
	"drench/results/verdict"
	"drench/rig/daemon"
)

// nightRunPage is one execution of a night.
type nightRunPage struct {
	daemon.NightRun
	Matrix  matrix
	Left    int // jobs that have not run
	Summary *compare.Summary
	Why     string // why there is no Summary
	Flaky   []compare.Series
}

// matrix is scenario by setting.
type matrix struct {
	Settings []string
	Rows     []matrixRow
}

type matrixRow struct {
	Scenario string
	Cells    []matrixCell
}

// matrixCell is what became of one scenario with one setting.
type matrixCell struct {
	Setting string
	Jobs    []daemon.Job
	Verdict verdict.Verdict
	State   daemon.State  // of the jobs together: Finished when all are over
	Change  *compare.Cell // against the baseline, if that is known
}

// newMatrix orders a night's jobs as they were asked for.
func newMatrix(jobs []daemon.Job, sum *compare.Summary) matrix {
	var m matrix
	for _, j := range jobs {
		if t := settingText(j.Request); !slices.Contains(m.Settings, t) {
			m.Settings = append(m.Settings, t)
		}
	}
	for _, j := range jobs {
		i := slices.IndexFunc(m.Rows, func(r matrixRow) bool { return r.Scenario == j.Scenario })
		if i < 0 {
			i = len(m.Rows)
			m.Rows = append(m.Rows, matrixRow{Scenario: j.Scenario, Cells: make([]matrixCell, len(m.Settings))})
		}
		c := &m.Rows[i].Cells[slices.Index(m.Settings, settingText(j.Request))]
		c.add(j)
	}
	for _, r := range m.Rows {
		for i := range r.Cells {
			r.Cells[i].Setting = m.Settings[i]
			if sum != nil {
				r.Cells[i].Change = sum.Cell(r.Scenario, m.Settings[i])
			}
		}
	}
	return m
}

func (c *matrixCell) add(j daemon.Job) {
	c.Jobs = append(c.Jobs, j)
	if len(c.Jobs) == 1 {
		c.State = daemon.Finished
	}
	switch j.State {
	case daemon.Queued, daemon.Running:
		c.State = j.State
	case daemon.Cancelled, daemon.Interrupted:
		if c.State == daemon.Finished {
			c.State = j.State
		}
	}
	c.Verdict = c.Verdict.Overwrite(j.Verdict)
}

func (s *site) nightRun(w http.ResponseWriter, r *http.Request) error {
	id, err := number(r)
	if err != nil {
		return err
	}
	run, err := s.Bench.NightRun(r.Context(), id)
	if err != nil {
		return err
	}
	p := nightRunPage{NightRun: run}
	patient(w)
	for _, j := range run.Jobs {
		if j.State == daemon.Queued || j.State == daemon.Running {
			p.Left++
		}
	}
	if p.Left == 0 {
		if p.Summary, err = s.summarize(r.Context(), run); err != nil {
			p.Why = err.Error()
		}
		if p.Flaky, err = s.flakyUntil(r.Context(), run); err != nil {
			return err
		}
	}
	p.Matrix = newMatrix(run.Jobs, p.Summary)
	return s.show(w, r, view{page: "nightrun", title: fmt.Sprintf("Night %s, %s", run.Night, wall(run.Started)), section: "nights", body: p})
}
