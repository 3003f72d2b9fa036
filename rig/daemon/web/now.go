package web

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/results/store"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// nowPage is what the bench does.
type nowPage struct {
	Trips  []store.Trip // open ones
	Lines  []daemon.Reading
	Guard  state // of the supervisor
	Inputs []interlock
	Queue  []daemon.Job
	Recent []daemon.Job
	Form   runForm
}

// interlock is an input of the supervisor, and how one knows that it works.
type interlock struct {
	daemon.Reading
	Proof string
}

// Closed tells whether the line lets the bench run.
func (i interlock) Closed() bool { return i.Value == 1 }

func (s *site) now(w http.ResponseWriter, r *http.Request) error {
	return s.showNow(w, r, 0, runForm{Scenario: r.FormValue("scenario"), Limits: r.FormValue("limits")})
}

func (s *site) showNow(w http.ResponseWriter, r *http.Request, status int, form runForm) error {
	ctx := r.Context()
	live := s.Bench.Live()
	p := nowPage{Form: form, Guard: supervised(live, s.Now())}
	var err error
	if p.Trips, err = s.Bench.Trips(ctx, true); err != nil {
		return err
	}
	if p.Queue, err = s.Bench.Jobs(ctx, daemon.JobFilter{States: []daemon.State{daemon.Queued}}); err != nil {
		return err
	}
	over := []daemon.State{daemon.Finished, daemon.Cancelled, daemon.Interrupted}
	if p.Recent, err = s.Bench.Jobs(ctx, daemon.JobFilter{States: over, Limit: 5}); err != nil {
		return err
	}
	files, err := s.Bench.Files(ctx)
	if err != nil {
		return err
	}
	p.Form.offer(files, live.Virtual)
	proofs, err := s.Runs.Proofs(ctx, live.Bench)
	if err != nil {
		return err
	}
	for _, c := range live.Channels {
		if c.Interlock {
			p.Inputs = append(p.Inputs, interlock{c, proofText(proofs, c.Name, s.Now())})
		} else {
			p.Lines = append(p.Lines, c)
		}
	}
	return s.show(w, r, view{page: "now", title: title(live), section: "now", status: status, body: p})
}

// title says in a tab what the bench does.
func title(l daemon.Live) string {
	switch {
	case l.Trip != "":
		return "Tripped"
	case l.Job != nil:
		return fmt.Sprintf("%s, trial %d of %d", l.Job.Scenario, l.Trial, l.Trials)
	case l.Paused:
		return "Paused"
	}
	return "Idle"
}

// proofText says when an interlock was last seen to open.
func proofText(proofs []store.Proof, input string, now time.Time) string {
	i := slices.IndexFunc(proofs, func(p store.Proof) bool { return p.Input == input })
	if i < 0 {
		return "never seen to open: prove it by hand"
	}
	p := proofs[i]
	text := fmt.Sprintf("opened %s ago (%s)", span(now.Sub(p.LastOpened)), p.How)
	if p.By != "" {
		text += " by " + p.By
	}
	return text
}

func (s *site) stop(w http.ResponseWriter, r *http.Request) error {
	if err := s.Bench.Stop(r.Context(), who(r)); err != nil {
		return err
	}
	return done(w, r, back(r), "stopped")
}

func (s *site) pause(w http.ResponseWriter, r *http.Request) error {
	if err := s.Bench.Pause(r.Context(), who(r)); err != nil {
		return err
	}
	return done(w, r, "/", "paused")
}

func (s *site) resume(w http.ResponseWriter, r *http.Request) error {
	if err := s.Bench.Resume(r.Context(), who(r)); err != nil {
		return err
	}
	return done(w, r, "/", "resumed")
}

func (s *site) clearTrip(w http.ResponseWriter, r *http.Request) error {
	id, err := number(r)
	if err != nil {
		return err
	}
	note := strings.TrimSpace(r.FormValue("note"))
	if note == "" {
		return &daemon.BadRequest{Problems: []string{"note: it is empty; expected what you found at the bench and what you did about it"}}
	}
	if err := s.Bench.ClearTrip(r.Context(), id, who(r), note); err != nil {
		return err
	}
	return done(w, r, "/", "cleared")
}

func (s *site) cancel(w http.ResponseWriter, r *http.Request) error {
	id, err := number(r)
	if err != nil {
		return err
	}
	if err := s.Bench.Cancel(r.Context(), who(r), id); err != nil {
		return err
	}
	return done(w, r, "/", "cancelled")
}

func (s *site) move(w http.ResponseWriter, r *http.Request) error {
	id, err := number(r)
	if err != nil {
		return err
	}
	place, err := strconv.Atoi(r.FormValue("place"))
	if err != nil || place < 1 {
		return &daemon.BadRequest{Problems: []string{fmt.Sprintf("place: %q; expected a number from 1", r.FormValue("place"))}}
	}
	if err := s.Bench.Move(r.Context(), who(r), id, place); err != nil {
		return err
	}
	return done(w, r, "/", "moved")
}

// who is the name that the daemon logs an action with.
func who(r *http.Request) string { return access.Who(r.Context()).Name }

// back is the page that a form stood on.
func back(r *http.Request) string {
	to, _, _ := strings.Cut(access.LocalPath(r.FormValue("then")), "done=")
	return strings.TrimRight(to, "?&")
}

// number is the number in the path.
func number(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil || id < 1 {
		return 0, errNoPage
	}
	return id, nil
}

// name is the name in the path, one that could be kept.
func name(r *http.Request) (string, error) {
	n := r.PathValue("name")
	if !access.PlainName(n) {
		return "", errNoPage
	}
	return n, nil
}
