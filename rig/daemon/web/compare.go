package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"drench/results/compare"
	"drench/results/store"
	"drench/rig/daemon"
)

// mostCompared is how many runs a side may have: each is read from its
// timeline.
const mostCompared = 100

// comparePage holds two groups of runs against each other.
type comparePage struct {
	Base, Now         string // as typed
	BaseRuns, NowRuns []store.Run
	Result            *compare.Comparison
	Recent            []store.Run // to choose from
	Problems          []string
}

func (s *site) compare(w http.ResponseWriter, r *http.Request) error {
	p := comparePage{Base: strings.TrimSpace(r.FormValue("base")), Now: strings.TrimSpace(r.FormValue("now"))}
	var err error
	if p.Recent, err = s.Runs.Runs(r.Context(), store.Filter{State: store.Done, Limit: 30}); err != nil {
		return err
	}
	status := 0
	if p.Base != "" || p.Now != "" {
		patient(w)
		if err := s.fillComparison(r.Context(), &p); err != nil {
			return err
		}
		if len(p.Problems) > 0 {
			status = http.StatusUnprocessableEntity
		}
	}
	return s.show(w, r, view{page: "compare", title: "Compare", section: "compare", status: status, body: p})
}

func (s *site) fillComparison(ctx context.Context, p *comparePage) error {
	var wrong [2]string
	var err error
	if p.BaseRuns, wrong[0], err = s.side(ctx, "baseline", p.Base); err != nil {
		return err
	}
	if p.NowRuns, wrong[1], err = s.side(ctx, "new", p.Now); err != nil {
		return err
	}
	for _, text := range wrong {
		if text != "" {
			p.Problems = append(p.Problems, text)
		}
	}
	if len(p.Problems) > 0 {
		return nil
	}
	base, err := s.kept.group(ctx, p.BaseRuns)
	if err != nil {
		return err
	}
	now, err := s.kept.group(ctx, p.NowRuns)
	if err != nil {
		return err
	}
	c := compare.Runs(base, now, compare.Options{})
	p.Result = &c
	return nil
}

// side finds the runs that a text names: a number is a run, all else a tag.
func (s *site) side(ctx context.Context, which, text string) (runs []store.Run, wrong string, err error) {
	if text == "" {
		return nil, which + ": it is empty; expected the number of a run, or a tag", nil
	}
	f := store.Filter{Tag: text, State: store.Done, Limit: mostCompared + 1}
	if id, err := strconv.ParseInt(text, 10, 64); err == nil {
		r, err := s.Runs.Get(ctx, id)
		t := trouble{}
		if err != nil {
			t = troubleOf(err)
		}
		switch {
		case t.Status == http.StatusNotFound:
			return nil, fmt.Sprintf("%s: there is no run %d; expected one that the list of runs shows", which, id), nil
		case err != nil:
			return nil, "", err
		case r.State == store.Running:
			return nil, fmt.Sprintf("%s: run %d is still being recorded; expected one that is over", which, id), nil
		}
		return []store.Run{r}, "", nil
	}
	runs, err = s.Runs.Runs(ctx, f)
	if err != nil {
		return nil, "", err
	}
	switch {
	case len(runs) == 0:
		return nil, fmt.Sprintf("%s: no run has the tag %q; expected a tag that some run has, or the number of a run", which, text), nil
	case len(runs) > mostCompared:
		return nil, fmt.Sprintf("%s: more than %d runs have the tag %q; expected fewer: use drench compare for that many", which, mostCompared, text), nil
	}
	return runs, "", nil
}

// settingText names what a job ran with besides its scenario.
func settingText(q daemon.Request) string {
	var parts []string
	if q.Profile != "" {
		parts = append(parts, q.Profile)
	}
	parts = append(parts, sortedPairs(q.Settings)...)
	if len(parts) == 0 {
		return "as the profile has it"
	}
	return strings.Join(parts, ", ")
}
