package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"drench/results/limits"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/daemon/access"
	"drench/rig/timeline"
)

const runs group = "runs"

func runOperations() []operation {
	return []operation{
		op(http.MethodGet, "/runs", "listRuns", access.ToLook, "Stored runs, the newest first", listRuns),
		op(http.MethodGet, "/runs/{id}", "getRun", access.ToLook, "One run, with the texts that went into it", getRun),
		raw[eventsAsked, timelineEvent]("/runs/{id}/events", "listEvents", access.ToLook, linesType,
			"A run's timeline, one JSON object a line; of a run that goes on, what is stored so far", listEvents).eachLine(),
		op(http.MethodGet, "/runs/{id}/judgements", "listJudgements", access.ToLook, "All judgements of a run, the first one first", listJudgements),
		op(http.MethodPost, "/runs/{id}/judgements", "rejudge", access.ToRun, "Judge a run again by other limits; the judgement is added, none is changed", rejudge).creating(),
		op(http.MethodGet, "/tags", "listTags", access.ToLook, "All tags in use, and how many runs have each", listTags),
		op(http.MethodPost, "/runs/{id}/tags", "addTags", access.ToRun, "Give a run tags besides those it has", addTags),
	}
}

const linesType = "application/jsonl"

// run is a stored run.
type run struct {
	Run        int64           `json:"run"`
	State      store.State     `json:"state"`
	Started    time.Time       `json:"started"`
	Ended      time.Time       `json:"ended,omitzero"`
	Scenario   string          `json:"scenario"`
	DUT        string          `json:"dut"`
	Bench      string          `json:"bench"`
	Tool       string          `json:"tool"`
	Seed       uint64          `json:"seed"`
	Verdict    verdict.Verdict `json:"verdict"`
	Reason     string          `json:"reason"`
	Sum        string          `json:"timeline_sha256,omitempty"` // none while it goes on
	LimitsName string          `json:"limits_name"`
	Tags       []string        `json:"tags"`
}

func runOf(r store.Run) run {
	return run{Run: r.ID, State: r.State, Started: r.Started, Ended: r.Ended, Scenario: r.Scenario, DUT: r.DUT, Bench: r.Bench, Tool: r.Tool,
		Seed: r.Seed, Verdict: r.Verdict, Reason: r.Reason, Sum: r.Sum, LimitsName: r.LimitsName, Tags: filled(r.Tags)}
}

// verdictWord is a verdict that may be left out.
type verdictWord string

type runsAsked struct {
	Scenario string      `query:"scenario" about:"only this scenario"`
	DUT      string      `query:"dut" about:"only this device"`
	Tag      string      `query:"tag" about:"only runs with this tag"`
	State    store.State `query:"state" about:"only runs in this state"`
	Verdict  verdictWord `query:"verdict" about:"only runs that ended with this verdict"`
	Text     string      `query:"text" about:"only runs with this in scenario, device, bench, reason or a tag"`
	Since    time.Time   `query:"since" about:"only runs that started then or later"`
	Until    time.Time   `query:"until" about:"only runs that started before"`
	page
}

type runList struct {
	Runs []run `json:"runs"`
	Next int64 `json:"next,omitempty"` // before of the next page; none: this is the last
}

func listRuns(c *call, q runsAsked) (runList, error) {
	f := store.Filter{Scenario: q.Scenario, DUT: q.DUT, Tag: q.Tag, State: q.State, Text: q.Text, Since: q.Since, Until: q.Until,
		Before: q.Before, Limit: q.size() + 1}
	if q.Verdict != "" {
		v, err := verdict.Parse(string(q.Verdict))
		if err != nil {
			return runList{}, fmt.Errorf("list runs: %w", err)
		}
		f.Verdicts = []verdict.Verdict{v}
	}
	all, err := c.api.runs.Runs(c.Context(), f)
	if err != nil {
		return runList{}, err
	}
	list := make([]run, len(all))
	for i, r := range all {
		list[i] = runOf(r)
	}
	list, next := cut(list, q.size(), func(r run) int64 { return r.Run })
	return runList{list, next}, nil
}

type runAsked struct {
	ID int64 `path:"id" least:"1" about:"the run's number"`
}

// source is a file that went into a run.
type source struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

type runDetail struct {
	run
	LimitsText string            `json:"limits_text"`
	Sources    map[string]source `json:"sources"` // by role: script, rig, profile, calibration
}

func getRun(c *call, q runAsked) (runDetail, error) {
	r, err := c.api.runs.Get(c.Context(), q.ID)
	if err != nil {
		return runDetail{}, err
	}
	d := runDetail{run: runOf(r), LimitsText: r.LimitsText, Sources: map[string]source{}}
	for role, s := range r.Sources {
		d.Sources[role] = source{s.Name, s.Text}
	}
	return d, nil
}

type eventsAsked struct {
	runAsked
	After int64 `query:"after" about:"begin after the event with this number; 0: from the first"`
	Limit int64 `query:"limit" about:"at most so many; 0: all"`
}

// timelineEvent is one line: the event and its number, from 1.
type timelineEvent struct {
	N int64 `json:"n"`
	event
}

// listEvents writes events as it reads them, a chunk in memory at a time.
func listEvents(c *call, q eventsAsked, w io.Writer) error {
	body := c.api.runs.Timeline(c.Context(), q.ID)
	defer body.Close()
	t, err := timeline.NewReader(body)
	if errors.Is(err, io.EOF) {
		return nil // it has just begun
	}
	if err != nil {
		return fmt.Errorf("read the timeline of run %d: %w", q.ID, err)
	}
	channel := func(id rig.ID) string {
		if int(id) < len(t.Header.Channels) {
			return t.Header.Channels[id].Name
		}
		return fmt.Sprintf("channel %d", id)
	}
	out := json.NewEncoder(w)
	for n := int64(1); q.Limit == 0 || n <= q.After+q.Limit; n++ {
		ev, err := t.Next()
		var tail *timeline.TailError
		switch {
		case err == io.EOF:
			return nil
		case errors.As(err, &tail):
			return c.damaged(out, q, n, tail)
		case err != nil:
			return fmt.Errorf("read event %d of run %d: %w", n, q.ID, err)
		case n <= q.After:
			continue
		}
		if err := out.Encode(timelineEvent{n, eventOf(ev, channel)}); err != nil {
			return fmt.Errorf("write event %d of run %d: %w", n, q.ID, err)
		}
	}
	return nil
}

// damaged ends the list of a timeline whose tail can't be read. One that is
// being recorded ends that way between two chunks.
func (c *call) damaged(out *json.Encoder, q eventsAsked, n int64, tail error) error {
	r, err := c.api.runs.Get(c.Context(), q.ID)
	if err != nil || r.State == store.Running {
		return err
	}
	return out.Encode(timelineEvent{n, event{Kind: damaged, Text: tail.Error()}})
}

type judgement struct {
	ID         int64             `json:"id"`
	Run        int64             `json:"run"`
	At         time.Time         `json:"at"`
	LimitsName string            `json:"limits_name"`
	LimitsText string            `json:"limits_text"`
	LimitsHash string            `json:"limits_sha256"`
	Verdict    verdict.Verdict   `json:"verdict"`
	Reason     string            `json:"reason"`
	Judgement  *limits.Judgement `json:"judgement,omitempty"` // limit by limit; none if the run ended before it could be judged
}

func judgementOf(j store.Judgement) (judgement, error) {
	out := judgement{ID: j.ID, Run: j.Run, At: j.At, LimitsName: j.LimitsName, LimitsText: j.LimitsText, LimitsHash: j.LimitsHash, Verdict: j.Verdict, Reason: j.Reason}
	if len(j.Body) > 0 {
		if err := json.Unmarshal(j.Body, &out.Judgement); err != nil {
			return out, fmt.Errorf("read judgement %d: %w", j.ID, err)
		}
	}
	return out, nil
}

type judgementList struct {
	Judgements []judgement `json:"judgements"`
}

func listJudgements(c *call, q runAsked) (judgementList, error) {
	if _, err := c.api.runs.Get(c.Context(), q.ID); err != nil {
		return judgementList{}, err
	}
	all, err := c.api.runs.Judgements(c.Context(), q.ID)
	if err != nil {
		return judgementList{}, err
	}
	list := judgementList{Judgements: make([]judgement, len(all))}
	for i, j := range all {
		if list.Judgements[i], err = judgementOf(j); err != nil {
			return judgementList{}, err
		}
	}
	return list, nil
}

type limitsAsked struct {
	Limits string `json:"limits"` // a limits file that the daemon keeps
}

func rejudge(c *call, q struct {
	runAsked
	Body limitsAsked `body:"application/json"`
}) (judgement, error) {
	j, err := c.api.daemon.Rejudge(c.Context(), c.by, q.ID, q.Body.Limits)
	if err != nil {
		return judgement{}, err
	}
	return judgementOf(j)
}

type tag struct {
	Tag  string `json:"tag"`
	Runs int    `json:"runs"` // that have it
}

type tagList struct {
	Tags []tag `json:"tags"`
}

func listTags(c *call, _ nothing) (tagList, error) {
	all, err := c.api.runs.Tags(c.Context())
	list := tagList{Tags: make([]tag, len(all))}
	for i, t := range all {
		list.Tags[i] = tag{t.Tag, t.Runs}
	}
	return list, err
}

type tagsAsked struct {
	Tags []string `json:"tags"` // such as "firmware=1.4"
}

func addTags(c *call, q struct {
	runAsked
	Body tagsAsked `body:"application/json"`
}) (run, error) {
	if err := c.api.daemon.Tag(c.Context(), c.by, q.ID, q.Body.Tags...); err != nil {
		return run{}, err
	}
	r, err := c.api.runs.Get(c.Context(), q.ID)
	return runOf(r), err
}
