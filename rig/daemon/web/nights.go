package web

import (
	"fmt"
	"net/http"
	"time"

	"drench/rig/daemon"
)

// nightRow is a night in the list of them.
type nightRow struct {
	daemon.Night
	Starts  []time.Time
	Plan    string // the cron expression in words
	Changes int    // runs it makes
	Last    *daemon.NightRun
}

func (s *site) nights(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Bench.Nights(r.Context())
	if err != nil {
		return err
	}
	rows := make([]nightRow, len(list))
	for i, n := range list {
		if rows[i], err = s.nightRow(r, n); err != nil {
			return err
		}
	}
	return s.show(w, r, view{page: "nights", title: "Nights", section: "nights", body: rows})
}

func (s *site) nightRow(r *http.Request, n daemon.Night) (nightRow, error) {
	row := nightRow{Night: n, Plan: explainCron(n.Cron), Changes: len(n.Scenarios) * max(1, len(n.Profiles)) * max(1, len(n.Settings))}
	if !n.Off {
		row.Starts, _ = n.Starts(s.Now(), 3) // one that was kept can be read
	}
	past, err := s.Bench.NightRuns(r.Context(), n.Name, 1)
	if err != nil {
		return row, err
	}
	if len(past) > 0 {
		row.Last = &past[0]
	}
	return row, nil
}

// nightPage is a night with the times that it ran.
type nightPage struct {
	nightRow
	Past []daemon.NightRun
}

func (s *site) night(w http.ResponseWriter, r *http.Request) error {
	n, err := s.nightOf(r)
	if err != nil {
		return err
	}
	p := nightPage{}
	if p.nightRow, err = s.nightRow(r, n); err != nil {
		return err
	}
	if p.Past, err = s.Bench.NightRuns(r.Context(), n.Name, 60); err != nil {
		return err
	}
	return s.show(w, r, view{page: "night", title: "Night " + n.Name, section: "nights", body: p})
}

func (s *site) nightOf(r *http.Request) (daemon.Night, error) {
	n, err := name(r)
	if err != nil {
		return daemon.Night{}, err
	}
	return s.Bench.Night(r.Context(), n)
}

func (s *site) startNight(w http.ResponseWriter, r *http.Request) error {
	n, err := name(r)
	if err != nil {
		return err
	}
	run, err := s.Bench.StartNight(r.Context(), who(r), n)
	if err != nil {
		return err
	}
	return done(w, r, fmt.Sprintf("/nights/run/%d", run.ID), "started")
}

func (s *site) deleteNight(w http.ResponseWriter, r *http.Request) error {
	n, err := name(r)
	if err != nil {
		return err
	}
	if err := s.Bench.DeleteNight(r.Context(), who(r), n); err != nil {
		return err
	}
	return done(w, r, "/nights", "deleted")
}
