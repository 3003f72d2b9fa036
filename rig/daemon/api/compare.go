package api

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"drench/results/compare"
	"drench/results/limits"
	"drench/results/report"
	"drench/rig/daemon/access"
	"drench/rig/mistake"
)

func compareOperations() []operation {
	return []operation{
		op(http.MethodGet, "/compare", "compareRuns", access.ToLook, "Compare runs with a baseline: each measure worse, better, same or can't tell", compareRuns),
	}
}

// mostCompared is how many runs a comparison reads.
const mostCompared = 60

type compareAsked struct {
	Base string `query:"base" about:"numbers of the runs to compare with, as in 3,4,5"`
	Now  string `query:"now" about:"numbers of the runs in question"`
}

func compareRuns(c *call, q compareAsked) (compare.Comparison, error) {
	base, err := runNumbers("base", q.Base)
	if err != nil {
		return compare.Comparison{}, err
	}
	now, err := runNumbers("now", q.Now)
	if err != nil {
		return compare.Comparison{}, err
	}
	if len(base)+len(now) > mostCompared {
		return compare.Comparison{}, &failure{class: refused, where: "query base, now", what: fmt.Sprintf("they name %d runs", len(base)+len(now)), want: fmt.Sprintf("at most %d", mostCompared)}
	}
	before, err := c.measured(base)
	if err != nil {
		return compare.Comparison{}, err
	}
	after, err := c.measured(now)
	if err != nil {
		return compare.Comparison{}, err
	}
	return compare.Runs(before, after, compare.Options{}), nil
}

// runNumbers reads numbers with commas between.
func runNumbers(name, text string) ([]int64, error) {
	var list []int64
	for _, word := range strings.Split(text, ",") {
		n, err := strconv.ParseInt(word, 10, 64)
		if err != nil || n < 1 || slices.Contains(list, n) {
			return nil, &failure{class: malformed, where: "query " + name, what: "it is " + mistake.Quote(text), want: "numbers of runs, each once, as in 3,4,5", cause: err}
		}
		list = append(list, n)
	}
	return list, nil
}

// measured reads what a comparison needs of runs.
func (c *call) measured(ids []int64) ([]compare.Run, error) {
	list := make([]compare.Run, len(ids))
	for i, id := range ids {
		in, err := c.judged(id)
		if err != nil {
			return nil, err
		}
		if list[i], err = measuredOf(in); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func measuredOf(in report.Input) (compare.Run, error) {
	f, err := limits.Parse(in.Run.LimitsName, []byte(in.Run.LimitsText))
	if err != nil {
		return compare.Run{}, fmt.Errorf("read the limits of run %d: %w", in.Run.ID, err)
	}
	return compare.Run{ID: in.Run.ID, Scenario: in.Header.Scenario, DUT: in.Run.DUT, Script: in.Header.Hashes["script"], Started: in.Run.Started,
		Verdict: in.Judgement.Verdict, Reason: in.Judgement.Reason, Limits: f.Resolve(in.Header.Device).Limits, Measures: in.Set.Measures}, nil
}
