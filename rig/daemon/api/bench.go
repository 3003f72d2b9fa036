package api

import (
	"net/http"
	"time"

	"drench/results/store"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

const bench group = "bench"

func benchOperations() []operation {
	return []operation{
		op(http.MethodGet, "/calibrations", "listCalibrations", access.ToLook, "Calibration records that the rig file names, with their expiry", listCalibrations),
		op(http.MethodGet, "/trips", "listTrips", access.ToLook, "Trips of interlocks, the newest first", listTrips),
		op(http.MethodPost, "/trips/{id}/clear", "clearTrip", access.ToClear, "Clear a trip, after you have looked at the bench", clearTrip),
	}
}

type calibrationList struct {
	Calibrations []daemon.Calibration `json:"calibrations"`
}

func listCalibrations(c *call, _ nothing) (calibrationList, error) {
	list, err := c.api.daemon.Calibrations(c.Context())
	return calibrationList{filled(list)}, err
}

type trip struct {
	ID        int64     `json:"id"`
	At        time.Time `json:"at"`
	Bench     string    `json:"bench"`
	Run       int64     `json:"run,omitempty"`
	Reason    string    `json:"reason"`
	Open      bool      `json:"open"`
	ClearedAt time.Time `json:"cleared_at,omitzero"`
	ClearedBy string    `json:"cleared_by,omitempty"`
	Note      string    `json:"note,omitempty"` // of whoever cleared it
}

type tripList struct {
	Trips []trip `json:"trips"`
}

func tripOf(t store.Trip) trip {
	return trip{ID: t.ID, At: t.At, Bench: t.Bench, Run: t.Run, Reason: t.Reason, Open: t.Open(), ClearedAt: t.ClearedAt, ClearedBy: t.ClearedBy, Note: t.Note}
}

func listTrips(c *call, q struct {
	Open bool `query:"open" about:"true: only those that nobody has cleared"`
}) (tripList, error) {
	all, err := c.api.daemon.Trips(c.Context(), q.Open)
	list := tripList{Trips: make([]trip, len(all))}
	for i, t := range all {
		list.Trips[i] = tripOf(t)
	}
	return list, err
}

type clearing struct {
	Note string `json:"note"` // what was found and mended
}

func clearTrip(c *call, q struct {
	ID   int64    `path:"id" least:"1" about:"the trip's number"`
	Body clearing `body:"application/json"`
}) (nothing, error) {
	return nothing{}, c.api.daemon.ClearTrip(c.Context(), q.ID, c.by, q.Body.Note)
}
