package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/results/limits"
	"drench/results/safety"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig/daemon"
)

const runsOnPage = 50

// runsPage lists runs.
type runsPage struct {
	Filter   runFilter
	Words    []string // of verdicts
	Runs     []store.Run
	Older    string // path of the next page, "" on the last
	Problems []string
}

// runFilter is what was typed to find runs by.
type runFilter struct{ Scenario, DUT, Tag, Verdict, From, To string }

func (f runFilter) query() url.Values {
	q := url.Values{}
	for name, v := range map[string]string{"scenario": f.Scenario, "dut": f.DUT, "tag": f.Tag, "verdict": f.Verdict, "from": f.From, "to": f.To} {
		if v != "" {
			q.Set(name, v)
		}
	}
	return q
}

// sieve is a filter that the store knows, and what it leaves to us.
type sieve struct {
	store.Filter
	verdict string
	until   time.Time // started before
}

func (f runFilter) sieve() (sieve, []string) {
	s := sieve{Filter: store.Filter{Scenario: f.Scenario, DUT: f.DUT, Tag: f.Tag}, verdict: f.Verdict}
	var wrong []string
	day := func(where, text string) time.Time {
		if text == "" {
			return time.Time{}
		}
		t, err := time.Parse(time.DateOnly, text)
		if err != nil {
			wrong = append(wrong, fmt.Sprintf("%s: %q; expected a day such as 2026-03-09", where, text))
		}
		return t
	}
	s.Since = day("from", f.From)
	if s.until = day("to", f.To); !s.until.IsZero() {
		s.until = s.until.AddDate(0, 0, 1)
	}
	if _, err := verdict.Parse(f.Verdict); f.Verdict != "" && err != nil {
		wrong = append(wrong, fmt.Sprintf("verdict: %q; expected one of the list", f.Verdict))
	}
	return s, wrong
}

func (s sieve) keeps(r store.Run) bool {
	return (s.verdict == "" || r.State == store.Done && r.Verdict.String() == s.verdict) && (s.until.IsZero() || r.Started.Before(s.until))
}

// find lists the runs that pass, from most to one more, the newest first.
func (s sieve) find(ctx context.Context, runs Runs, before int64, most int) ([]store.Run, error) {
	var found []store.Run
	f := s.Filter
	f.Before, f.Limit = before, 4*most
	for len(found) <= most {
		some, err := runs.Runs(ctx, f)
		if err != nil {
			return nil, err
		}
		for _, r := range some {
			f.Before = r.ID
			if s.keeps(r) {
				found = append(found, r)
			}
		}
		if len(some) < f.Limit {
			break
		}
	}
	return found[:min(len(found), most+1)], nil
}

func (s *site) runs(w http.ResponseWriter, r *http.Request) error {
	v := func(name string) string { return strings.TrimSpace(r.FormValue(name)) }
	p := runsPage{Filter: runFilter{v("scenario"), v("dut"), v("tag"), v("verdict"), v("from"), v("to")}}
	for w := verdict.None; w <= verdict.Error; w++ {
		p.Words = append(p.Words, w.String())
	}
	sv, wrong := p.Filter.sieve()
	if p.Problems = wrong; len(wrong) > 0 {
		return s.show(w, r, view{page: "runs", title: "Runs", section: "runs", status: http.StatusUnprocessableEntity, body: p})
	}
	before, _ := strconv.ParseInt(r.FormValue("before"), 10, 64) // anything else is the first page
	found, err := sv.find(r.Context(), s.Runs, before, runsOnPage)
	if err != nil {
		return err
	}
	if len(found) > runsOnPage {
		found = found[:runsOnPage]
		q := p.Filter.query()
		q.Set("before", strconv.FormatInt(found[len(found)-1].ID, 10))
		p.Older = "/runs?" + q.Encode()
	}
	p.Runs = found
	return s.show(w, r, view{page: "runs", title: "Runs", section: "runs", body: p})
}

// runPage is one run.
type runPage struct {
	store.Run
	Meaning    string
	Results    []limitRow
	Judgements []store.Judgement
	Downloads  []format
	Limits     []string // files to judge by
	Safety     *safety.Report
	SafetyWhy  string // why there is no Safety
	Problems   []string
}

// limitRow is what became of one limit.
type limitRow struct {
	limits.Result
	Found string
}

// meanings say what each verdict is about.
var meanings = map[verdict.Verdict]string{
	verdict.Pass:   "The device did what the limits ask.",
	verdict.Fail:   "The device did not do what the limits ask.",
	verdict.Inconc: "The rig can’t stand behind a pass or a fail.",
	verdict.Error:  "The rig or an interlock failed; nothing is said of the device.",
	verdict.None:   "Nothing was judged.",
}

func (s *site) run(w http.ResponseWriter, r *http.Request) error { return s.showRun(w, r, nil) }

// showRun shows a run, with what was wrong with a form on it.
func (s *site) showRun(w http.ResponseWriter, r *http.Request, wrong []string) error {
	id, err := number(r)
	if err != nil {
		return err
	}
	ctx := r.Context()
	p := runPage{Problems: wrong, Downloads: formats[1:]}
	if p.Run, err = s.Runs.Get(ctx, id); err != nil {
		return err
	}
	p.Meaning = meanings[p.Verdict]
	if p.Judgements, err = s.Runs.Judgements(ctx, id); err != nil {
		return err
	}
	if p.Results, err = firstResults(p.Judgements); err != nil {
		return fmt.Errorf("read the judgement of run %d: %w", id, err)
	}
	slices.Reverse(p.Judgements)
	files, err := s.Bench.Files(ctx)
	if err != nil {
		return err
	}
	_, p.Limits, _ = byKind(files)
	if p.State == store.Done {
		patient(w)
		if p.Safety, err = s.kept.held(ctx, p.Run); err != nil {
			p.SafetyWhy = err.Error()
		}
	}
	v := view{page: "run", title: fmt.Sprintf("Run %d: %s", id, p.Verdict), section: "runs", body: p}
	if p.State == store.Running {
		v.title = fmt.Sprintf("Run %d: running", id)
	}
	if len(wrong) > 0 {
		v.status = http.StatusUnprocessableEntity
	}
	return s.show(w, r, v)
}

// firstResults are the results of the judgement that a run ended with.
func firstResults(list []store.Judgement) ([]limitRow, error) {
	if len(list) == 0 {
		return nil, nil
	}
	var j limits.Judgement
	if err := json.Unmarshal(list[0].Body, &j); err != nil {
		return nil, err
	}
	rows := make([]limitRow, len(j.Results))
	for i, r := range j.Results {
		rows[i] = limitRow{Result: r}
	}
	return rows, nil
}

func (s *site) tag(w http.ResponseWriter, r *http.Request) error {
	id, err := number(r)
	if err != nil {
		return err
	}
	tags := splitList(r.FormValue("tags"))
	if len(tags) == 0 {
		return s.showRun(w, r, []string{"tags: there are none; expected words such as firmware=1.4, with commas between them"})
	}
	if err := s.Bench.Tag(r.Context(), who(r), id, tags...); err != nil {
		return err
	}
	return done(w, r, fmt.Sprintf("/runs/%d", id), "tagged")
}

func (s *site) rejudge(w http.ResponseWriter, r *http.Request) error {
	id, err := number(r)
	if err != nil {
		return err
	}
	_, err = s.Bench.Rejudge(r.Context(), who(r), id, r.FormValue("limits"))
	if wrong, ok := problems(err); ok {
		return s.showRun(w, r, wrong)
	}
	if err != nil {
		return err
	}
	return done(w, r, fmt.Sprintf("/runs/%d", id), "rejudged")
}

// notYet refuses what needs the end of a run.
func notYet(r store.Run) error {
	return fmt.Errorf("%w: run %d is still being recorded; look at it when it is over", daemon.ErrBusy, r.ID)
}
