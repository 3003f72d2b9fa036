package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"drench/results/inspection"
	"drench/results/lot"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// linePage is what an operator sees who tests a lot: one thing to do.
type linePage struct {
	Product string
	Path    string
	Lot     string
	LotPath string
	Do      string // what is to be done: take, test, wait, retest, decide, over, none
	Mark    string // shape
	Word    string // large
	Says    string
	Serial  string // of the device that it is about
	Sound   string // what is to be heard when the page has come to this
	Key     string // changes with every result, so that each is heard once
	Asks    bool   // for a serial number

	By      string // who signs; "" where nobody is known
	MaySign bool   // there is no login, so people say who they are

	Tested, Sample, Bad, Accept, Reject int
	Sequential                          bool

	Last     *lastResult
	Problems []string
}

// lastResult is the result that was entered last.
type lastResult struct {
	lot.Result
	Sample int
	Class  lot.Class
}

// Refresh tells whether the page will change by itself.
func (p linePage) Refresh() bool { return p.Do == "wait" }

// CanDecide tells whether the plan has decided.
func (p linePage) CanDecide() bool { return p.Do == "decide" }

func (s *site) line(w http.ResponseWriter, r *http.Request) error { return s.showLine(w, r, nil) }

func (s *site) showLine(w http.ResponseWriter, r *http.Request, wrong []string) error {
	d, series, err := s.series(r)
	if err != nil {
		return err
	}
	p := linePage{Product: series.Product, Path: linePath(series.Product), Problems: wrong, MaySign: who(r) == access.Local}
	if p.By = signer(r); p.By == access.Local {
		p.By = ""
	}
	if err := s.standing(r.Context(), &p, d, series); err != nil {
		return err
	}
	v := view{page: "lotline", title: p.Word, section: "lots", body: p}
	if len(wrong) > 0 {
		v.status = http.StatusUnprocessableEntity
		p.Sound, p.Key = "wrong", "wrong "+p.Key
		v.body = p
	}
	return s.show(w, r, v)
}

// standing fills in how far the lot is and what is to be done.
func (s *site) standing(ctx context.Context, p *linePage, d inspection.Desk, series *lot.Series) error {
	if len(series.Lots) == 0 {
		p.Do, p.Mark, p.Word, p.Says = "none", "idle", "No lot", "No lot of this product is open."
		return nil
	}
	l := series.Lots[len(series.Lots)-1]
	st, err := l.Standing()
	if err != nil {
		return err
	}
	p.Lot, p.LotPath, p.Sequential = l.Lot, lotPath(series.Product, l.Lot), l.Mode == lot.Sequential
	p.Tested, p.Sample, p.Bad, p.Accept, p.Reject = st.N, l.Plan.N, st.Bad, l.Plan.Ac, l.Plan.Re
	p.Last = lastOf(l)
	p.Sound, p.Key = "", l.Head
	if p.Last != nil {
		p.Sound, p.Key = string(p.Last.Class), fmt.Sprint(p.Last.Entry)
	}
	step, err := l.Next()
	if err != nil {
		return err
	}
	if job, ok, err := s.pending(ctx, d, series.Product, l); err != nil || ok {
		s.waits(p, job)
		return err
	}
	p.step(l, step)
	return nil
}

// step says what is to be done.
func (p *linePage) step(l *lot.Lot, step lot.Step) {
	p.Serial = step.Serial
	switch step.Do {
	case lot.ToTake:
		p.Do, p.Mark, p.Asks = "take", "idle", true
		p.Word, p.Says = fmt.Sprintf("Take unit %d", step.Unit), "Count to it in the lot, put it on the bench, and scan its serial number."
	case lot.ToTest:
		p.Do, p.Mark, p.Asks = "test", "idle", true
		p.Word, p.Says = "Test "+step.Serial, "It is not tested yet. Put it on the bench and scan it to start."
	case lot.ToRetest:
		p.Do, p.Mark = "retest", "inconc"
		p.Word, p.Says = "Look at "+step.Serial, fmt.Sprintf("Run %d could not tell whether it is good. Find out why, write it down, and test it again.", step.Run)
	case lot.ToStop, lot.ToDecide:
		p.Do, p.Mark, p.Word, p.Says = "decide", "idle", "All tested", "Nothing more is to be tested. Enter the decision that the plan has come to."
	case lot.ToShow:
		p.Do, p.Mark, p.Word, p.Says = "none", "inconc", "Sealed", "The sample of this lot was never shown. An engineer withdraws it and opens it again."
	default:
		p.over(l)
	}
}

// over says what became of a lot.
func (p *linePage) over(l *lot.Lot) {
	p.Do, p.Mark, p.Key = "over", lotMarks[l.Decision], l.Head
	st, err := l.Standing()
	switch {
	case err != nil:
		p.Says = err.Error()
	case l.Decision == lot.Withdrawn:
		p.Word, p.Says, p.Sound = "Withdrawn", "No lot of this product is open.", ""
	default:
		p.Word, p.Says = "Lot "+string(l.Decision), sentence(st.Because)
		p.Sound = string(l.Decision)
	}
}

// waits says that a device is being tested, or why it is not yet.
func (s *site) waits(p *linePage, job daemon.Job) {
	live := s.Bench.Live()
	p.Do, p.Mark, p.Serial, p.Sound, p.Key = "wait", "running", job.DUT, "", fmt.Sprintf("job %d", job.ID)
	p.Word, p.Says = "Testing "+job.DUT, "Leave it alone until the result is here."
	switch {
	case live.Trip != "":
		p.Mark, p.Word, p.Says = "tripped", "Stopped", "An interlock made the bench safe: "+live.Trip+". Look at the bench; the trip is cleared on the first page."
	case job.State == daemon.Queued && live.Paused:
		p.Mark, p.Word, p.Says = "paused", job.DUT+" waits", "The queue is paused; it goes on when somebody resumes it on the first page."
	case job.State == daemon.Queued && job.Place > 1 || job.State == daemon.Queued && live.Job != nil:
		p.Word, p.Says = job.DUT+" waits", fmt.Sprintf("The bench is busy; %s is number %d in the queue.", job.DUT, job.Place)
	}
}

// lastOf is the result of a lot that was entered last.
func lastOf(l *lot.Lot) (last *lastResult) {
	for i := range l.Units {
		u := &l.Units[i]
		for _, r := range u.Results {
			if r.Voided == "" && (last == nil || r.Entry > last.Entry) {
				last = &lastResult{r, u.Sample, lot.ClassOf(r.Verdict)}
			}
		}
	}
	return last
}

// pending is a test of the lot that is queued or runs, or whose result is
// about to be entered.
func (s *site) pending(ctx context.Context, d inspection.Desk, product string, l *lot.Lot) (daemon.Job, bool, error) {
	tag := inspection.Tag(product, l.Lot)
	jobs, err := s.Bench.Jobs(ctx, daemon.JobFilter{States: []daemon.State{daemon.Queued, daemon.Running}})
	if err != nil || l.Decision != lot.Open {
		return daemon.Job{}, false, err
	}
	i := slices.IndexFunc(jobs, func(j daemon.Job) bool { return slices.Contains(j.Tags, tag) })
	if i >= 0 {
		return jobs[i], true, nil
	}
	serial, err := d.Waiting(ctx, product)
	return daemon.Job{Request: daemon.Request{DUT: serial}, State: daemon.Running}, serial != "", err
}

// scan takes a serial number: the device is assigned if it is due, and its
// test goes into the queue. Nothing is tested twice: one test of a lot is
// under way at a time, and what is over is entered first.
func (s *site) scan(w http.ResponseWriter, r *http.Request) error {
	s.scanning.Lock()
	defer s.scanning.Unlock()
	d, series, err := s.series(r)
	if err != nil {
		return err
	}
	return s.backToLine(w, r, series, s.startTest(r, d, series, strings.TrimSpace(r.FormValue("serial"))))
}

// backToLine shows the line's page again after what was asked of it, with what
// was refused.
func (s *site) backToLine(w http.ResponseWriter, r *http.Request, series *lot.Series, err error) error {
	err = asAsked(err)
	if wrong, ok := problems(err); ok {
		return s.showLine(w, r, wrong)
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, linePath(series.Product), http.StatusSeeOther)
	return nil
}

func (s *site) startTest(r *http.Request, d inspection.Desk, series *lot.Series, serial string) error {
	ctx, product := r.Context(), series.Product
	if _, err := d.Enter(ctx, product); err != nil {
		return err
	}
	l := series.Current()
	switch {
	case l == nil:
		return fmt.Errorf("no lot of %s is open, so nothing is to be tested", product)
	case l.Test == nil:
		return fmt.Errorf("lot %s was opened without a test; test it by drench lot test %s SCENARIO", l.Lot, serial)
	}
	if job, ok, err := s.pending(ctx, d, product, l); err != nil {
		return err
	} else if ok {
		return fmt.Errorf("%s is being tested; scan the next device when its result is here", job.DUT)
	}
	step, err := d.Scan(ctx, d.Act(signer(r), ""), product, serial)
	if err != nil {
		return err
	}
	_, err = s.Bench.Enqueue(ctx, who(r), daemon.Request{Scenario: l.Test.Scenario, Limits: l.Test.Limits, Profile: l.Test.Profile, Trials: l.Test.Trials,
		DUT: step.Serial, Tags: inspection.Tags(product, l.Lot, signer(r))})
	return err
}

func (s *site) retest(w http.ResponseWriter, r *http.Request) error {
	d, series, err := s.series(r)
	if err != nil {
		return err
	}
	why := strings.TrimSpace(r.FormValue("why"))
	if !strings.Contains(why, " ") { // a scanner types into whatever has the cursor
		return s.showLine(w, r, []string{fmt.Sprintf("the reason is %q; expected some words, not a serial number", why)})
	}
	return s.backToLine(w, r, series, d.Retest(r.Context(), d.Act(signer(r), why), series.Product, r.FormValue("serial")))
}

func (s *site) decide(w http.ResponseWriter, r *http.Request) error {
	d, series, err := s.series(r)
	if err != nil {
		return err
	}
	_, err = d.Decide(r.Context(), d.Act(signer(r), ""), series.Product)
	if wrong, ok := problems(asAsked(err)); ok {
		return s.showLine(w, r, wrong)
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, linePath(series.Product), http.StatusSeeOther)
	return nil
}
