package api

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"time"

	"drench/results/report"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
	"drench/rig/mistake"
)

const nights group = "nights"

func nightOperations() []operation {
	return []operation{
		op(http.MethodGet, "/nights", "listNights", access.ToLook, "All nights, with when each starts next", listNights),
		op(http.MethodGet, "/nights/{name}", "getNight", access.ToLook, "One night", getNight),
		op(http.MethodPut, "/nights/{name}", "putNight", access.ToArrange, "Make or change a night; a change needs If-Match", putNight).maybeCreated(),
		op(http.MethodDelete, "/nights/{name}", "deleteNight", access.ToArrange, "Delete a night; its runs stay; needs If-Match", deleteNight),
		op(http.MethodPost, "/nights/{name}/start", "startNight", access.ToRun, "Put a night's runs into the queue now", startNight).creating(),
		op(http.MethodGet, "/nights/{name}/runs", "listNightRuns", access.ToLook, "When a night ran, the newest first", listNightRuns),
		op(http.MethodGet, "/night-runs/{id}", "getNightRun", access.ToLook, "One run of a night, with its jobs", getNightRun),
		raw[nightRunAsked, string]("/night-runs/{id}/junit.xml", "getNightJUnit", access.ToLook, "application/xml", "A whole night as JUnit-style XML, a suite for each of its runs", nightJUnit),
	}
}

// night is a night as its own answer.
type night struct{ daemon.Night }

// version hashes the night as JSON, which writes maps in order.
func (n night) version() string {
	b, err := json.Marshal(n.Night)
	if err != nil {
		return "" // a struct of texts and numbers can always be written
	}
	sum := sha256.Sum256(b)
	return `"` + hex.EncodeToString(sum[:]) + `"`
}

type nightRow struct {
	Night daemon.Night `json:"night"`
	Next  time.Time    `json:"next,omitzero"` // start by the schedule; none: only by hand
	ETag  string       `json:"etag"`
}

type nightList struct {
	Nights []nightRow `json:"nights"`
}

func listNights(c *call, _ nothing) (nightList, error) {
	all, err := c.api.daemon.Nights(c.Context())
	if err != nil {
		return nightList{}, err
	}
	list := nightList{Nights: make([]nightRow, len(all))}
	for i, n := range all {
		list.Nights[i] = nightRow{Night: n, ETag: night{n}.version()}
		if at, ok := c.api.daemon.NextStart(n); ok {
			list.Nights[i].Next = at
		}
	}
	return list, nil
}

type named struct {
	Name string `path:"name" about:"its name"`
}

func getNight(c *call, q named) (night, error) {
	n, err := c.api.daemon.Night(c.Context(), q.Name)
	return night{n}, err
}

func putNight(c *call, q struct {
	named
	ifMatch
	Body daemon.Night `body:"application/json"`
}) (night, error) {
	if q.Body.Name != q.Name {
		return night{}, &failure{class: refused, where: "body /name", what: "it is " + mistake.Quote(q.Body.Name), want: "the name in the path, " + mistake.Quote(q.Name)}
	}
	c.api.edit.Lock()
	defer c.api.edit.Unlock()
	now, err := getNight(c, q.named)
	existed, err := q.allows(now.version(), err)
	if err != nil {
		return night{}, err
	}
	if err := c.api.daemon.PutNight(c.Context(), c.by, q.Body); err != nil {
		return night{}, err
	}
	c.created = !existed
	return getNight(c, q.named)
}

func deleteNight(c *call, q struct {
	named
	ifMatch
}) (nothing, error) {
	c.api.edit.Lock()
	defer c.api.edit.Unlock()
	now, err := getNight(c, q.named)
	if err != nil {
		return nothing{}, err
	}
	if _, err := q.allows(now.version(), nil); err != nil {
		return nothing{}, err
	}
	return nothing{}, c.api.daemon.DeleteNight(c.Context(), c.by, q.Name)
}

func startNight(c *call, q named) (daemon.NightRun, error) {
	return c.api.daemon.StartNight(c.Context(), c.by, q.Name)
}

type nightRunList struct {
	Runs []daemon.NightRun `json:"runs"`
}

func listNightRuns(c *call, q struct {
	named
	Limit int `query:"limit" least:"1" most:"500" about:"at most so many, 1 to 500; 50 if not given"`
}) (nightRunList, error) {
	if _, err := c.api.daemon.Night(c.Context(), q.Name); err != nil {
		return nightRunList{}, err
	}
	list, err := c.api.daemon.NightRuns(c.Context(), q.Name, page{Limit: q.Limit}.size())
	return nightRunList{filled(list)}, err
}

type nightRunAsked struct {
	ID int64 `path:"id" least:"1" about:"its number"`
}

func getNightRun(c *call, q nightRunAsked) (daemon.NightRun, error) {
	return c.api.daemon.NightRun(c.Context(), q.ID)
}

// nightJUnit writes a night that is over. A job that left no run is an error in
// it.
func nightJUnit(c *call, q nightRunAsked, w io.Writer) error {
	n, err := c.api.daemon.NightRun(c.Context(), q.ID)
	if err != nil {
		return err
	}
	var ran []report.Input
	var unrun []report.Unrun
	for _, j := range n.Jobs {
		switch {
		case j.State == daemon.Queued || j.State == daemon.Running:
			return &failure{class: notNow, what: fmt.Sprintf("job %d of the night is %s", j.ID, j.State), mend: "ask again when the night is over"}
		case j.Run == 0:
			unrun = append(unrun, report.Unrun{Scenario: j.Scenario, DUT: cmp.Or(j.DUT, "the device"), Reason: cmp.Or(j.Reason, string(j.State)), At: j.Ended})
			continue
		}
		in, err := c.judged(j.Run)
		if err != nil {
			return err
		}
		ran = append(ran, in)
	}
	c.w.Header().Set("Content-Disposition", fmt.Sprintf(`inline; filename="night-run-%d.xml"`, q.ID))
	return report.NightJUnit(w, ran, unrun)
}
