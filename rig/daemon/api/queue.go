package api

import (
	"net/http"
	"slices"

	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

const queue group = "queue"

func queueOperations() []operation {
	return []operation{
		op(http.MethodGet, "/jobs", "listJobs", access.ToLook, "Jobs: the queue in its order and what runs, then a page of what is over, the newest first", listJobs),
		op(http.MethodPost, "/jobs", "addJobs", access.ToRun, "Put runs into the queue: all or, if one is wrong, none", addJobs).creating(),
		op(http.MethodGet, "/jobs/{id}", "getJob", access.ToLook, "One job", getJob),
		op(http.MethodPost, "/jobs/{id}/cancel", "cancelJob", access.ToRun, "Take a job out of the queue", cancelJob),
		op(http.MethodPost, "/jobs/{id}/move", "moveJob", access.ToRun, "Give a job another place in the queue", moveJob),
	}
}

type jobsAsked struct {
	State daemon.State `query:"state" about:"only jobs in this state"`
	Night int64        `query:"night" least:"1" about:"only jobs of this run of a night"`
	page
}

type jobList struct {
	Jobs []daemon.Job `json:"jobs"`
	Next int64        `json:"next,omitempty"` // before of the next page; none: this is the last
}

// Jobs that wait or run are few, and all on the first page, in their order;
// those that are over come in pages, by their number.
var (
	waiting = []daemon.State{daemon.Queued, daemon.Running}
	over    = []daemon.State{daemon.Finished, daemon.Cancelled, daemon.Interrupted}
)

func listJobs(c *call, q jobsAsked) (jobList, error) {
	wanted := func(states []daemon.State) []daemon.State {
		return slices.DeleteFunc(slices.Clone(states), func(s daemon.State) bool { return q.State != "" && s != q.State })
	}
	list := jobList{Jobs: []daemon.Job{}}
	if states := wanted(waiting); len(states) > 0 && q.Before == 0 {
		jobs, err := c.api.daemon.Jobs(c.Context(), daemon.JobFilter{States: states, Night: q.Night})
		if err != nil {
			return jobList{}, err
		}
		list.Jobs = append(list.Jobs, jobs...)
	}
	if states := wanted(over); len(states) > 0 {
		jobs, err := c.api.daemon.Jobs(c.Context(), daemon.JobFilter{States: states, Night: q.Night, Before: q.Before, Limit: q.size() + 1})
		if err != nil {
			return jobList{}, err
		}
		jobs, list.Next = cut(jobs, q.size(), func(j daemon.Job) int64 { return j.ID })
		list.Jobs = append(list.Jobs, jobs...)
	}
	return list, nil
}

type jobRequests struct {
	Requests []daemon.Request `json:"requests"`
}

func addJobs(c *call, q struct {
	Body jobRequests `body:"application/json"`
}) (jobList, error) {
	if len(q.Body.Requests) == 0 {
		return jobList{}, &failure{class: refused, where: "body /requests", what: "it is empty", want: "what to run, such as {\"scenario\": \"drip\"}"}
	}
	jobs, err := c.api.daemon.Enqueue(c.Context(), c.by, q.Body.Requests...)
	return jobList{Jobs: filled(jobs)}, err
}

type jobAsked struct {
	ID int64 `path:"id" least:"1" about:"the job's number"`
}

func getJob(c *call, q jobAsked) (daemon.Job, error) { return c.api.daemon.Job(c.Context(), q.ID) }

func cancelJob(c *call, q jobAsked) (daemon.Job, error) {
	if err := c.api.daemon.Cancel(c.Context(), c.by, q.ID); err != nil {
		return daemon.Job{}, err
	}
	return getJob(c, q)
}

type place struct {
	Place int `json:"place"` // 1 is next
}

func moveJob(c *call, q struct {
	jobAsked
	Body place `body:"application/json"`
}) (daemon.Job, error) {
	if q.Body.Place < 1 {
		return daemon.Job{}, &failure{class: refused, where: "body /place", what: "it is below 1", want: "1 for the next to run, 2 for the one after, …"}
	}
	if err := c.api.daemon.Move(c.Context(), c.by, q.ID, q.Body.Place); err != nil {
		return daemon.Job{}, err
	}
	return getJob(c, q.jobAsked)
}
