package lot

import (
	"fmt"

	"drench/results/sampling"
)

func (s *Series) assign(e Entry, b assignBody) error {
	l, u, err := s.sampled(b.Lot, b.Sample)
	if err != nil {
		return err
	}
	if err := oneLine("the serial number", b.Serial); err != nil {
		return err
	}
	if u.Serial != "" {
		return fmt.Errorf("sample %d is %s since entry %d; void that first if it was wrong", b.Sample, u.Serial, u.Assigned)
	}
	if err := s.unused(l, b.Serial); err != nil {
		return err
	}
	if err := l.inTurn(b.Sample); err != nil {
		return err
	}
	u.Serial, u.Assigned = b.Serial, e.N
	s.serials[b.Serial] = append(s.serials[b.Serial], l.Lot)
	return nil
}

// unused refuses a device that stands for another unit, or has been in
// another lot than one that this one resubmits.
func (s *Series) unused(l *Lot, serial string) error {
	lots := s.serials[serial]
	if len(lots) == 0 {
		return nil
	}
	last := lots[len(lots)-1]
	if last == l.Lot {
		return fmt.Errorf("%s is in the sample of lot %q already; a unit counts once", serial, l.Lot)
	}
	for from := l; from != nil && from.Resubmits != ""; from = s.Lot(from.Resubmits) {
		if from.Resubmits == last {
			return nil
		}
	}
	return fmt.Errorf("%s was in the sample of lot %q; expected a unit of this lot", serial, last)
}

// unassign lets a device stand for another unit again.
func (s *Series) unassign(u *Unit) {
	if lots := s.serials[u.Serial]; len(lots) > 0 {
		s.serials[u.Serial] = lots[:len(lots)-1]
	}
	u.Serial, u.Assigned = "", 0
}

// inTurn holds a sequential plan to the order of its sample.
func (l *Lot) inTurn(sample int) error {
	if l.Mode != Sequential {
		return nil
	}
	st, err := l.Standing()
	switch {
	case err != nil:
		return err
	case st.Outcome != sampling.Continue:
		return fmt.Errorf("%s; no further unit counts", st.Because)
	case sample > st.N+1:
		return fmt.Errorf("sample %d is not due; a sequential plan takes them in their order, and %d is next", sample, st.N+1)
	}
	return nil
}

func (s *Series) result(e Entry, b resultBody) error {
	l, u, err := s.sampled(b.Lot, b.Sample)
	if err != nil {
		return err
	}
	switch r := u.standing(); {
	case u.Serial == "":
		return fmt.Errorf("sample %d has no serial number yet; assign it first", b.Sample)
	case r != nil && ClassOf(r.Verdict) == Neither:
		return fmt.Errorf("sample %d has run %d, which ended %v; enter a retest with its reason first", b.Sample, r.Run, r.Verdict)
	case r != nil:
		return fmt.Errorf("sample %d was tested by run %d and is %s; a unit is tested once (void that result first if it is wrong, with the reason)", b.Sample, r.Run, ClassOf(r.Verdict))
	case b.Run < 1:
		return fmt.Errorf("the run is %d; expected its number in the store", b.Run)
	case !isHash(b.Sum):
		return fmt.Errorf("the timeline's sum is %q; expected a SHA-256 in hexadecimal", b.Sum)
	case s.runs[b.Run] != 0:
		return fmt.Errorf("run %d is in entry %d already; a run counts once", b.Run, s.runs[b.Run])
	case s.sums[b.Sum] != 0:
		return fmt.Errorf("entry %d has the same timeline; a run counts once", s.sums[b.Sum])
	}
	if err := l.inTurn(b.Sample); err != nil {
		return err
	}
	u.Results = append(u.Results, Result{Entry: e.N, Serial: u.Serial, Run: b.Run, Sum: b.Sum, Verdict: b.Verdict, By: e.By, At: e.At})
	s.runs[b.Run], s.sums[b.Sum] = e.N, e.N
	return nil
}

// void takes an entry out of the count; it stays in the ledger, and is told in
// the certificate. The run of a voided result may stand for another unit: the
// two may have been mixed up.
func (s *Series) void(e Entry, b voidBody) error {
	l, err := s.current(b.Lot)
	if err != nil {
		return err
	}
	if l.Stopped != "" {
		return fmt.Errorf("inspection of lot %q has ended: %s; decide it", b.Lot, l.Stopped)
	}
	for i := range l.Units {
		u := &l.Units[i]
		r := u.standing()
		switch {
		case r != nil && r.Entry == b.Entry:
			r.Voided = e.Why
			delete(s.runs, r.Run)
			delete(s.sums, r.Sum)
			return nil
		case u.Assigned != 0 && u.Assigned == b.Entry && r != nil:
			return fmt.Errorf("entry %d assigns %s, which run %d has tested; void that result first, entry %d", b.Entry, u.Serial, r.Run, r.Entry)
		case u.Assigned != 0 && u.Assigned == b.Entry:
			s.unassign(u)
			return nil
		}
	}
	return fmt.Errorf("entry %d can't be voided; expected an assignment or a result of the open lot that stands", b.Entry)
}

func (s *Series) retest(e Entry, b sampleBody) error {
	_, u, err := s.sampled(b.Lot, b.Sample)
	if err != nil {
		return err
	}
	r := u.standing()
	switch {
	case r == nil:
		return fmt.Errorf("sample %d has no result that stands; there is nothing to retest", b.Sample)
	case ClassOf(r.Verdict) != Neither:
		return fmt.Errorf("run %d makes sample %d %s, and a unit is tested once; only inconc, error and none ask for a retest (void the result if it is wrong, with the reason)", r.Run, b.Sample, ClassOf(r.Verdict))
	}
	r.Retest = e.Why
	return nil
}

func (s *Series) stop(e Entry, b countBody) error {
	l, err := s.current(b.Lot)
	if err != nil {
		return err
	}
	if l.Stopped != "" {
		return fmt.Errorf("inspection of lot %q has ended before: %s", b.Lot, l.Stopped)
	}
	st, err := l.Standing()
	switch {
	case err != nil:
		return err
	case !st.Early && l.Mode == Whole:
		return fmt.Errorf("lot %q is inspected whole: ISO 2859-1 has every unit of a single sample inspected; open a lot as curtailed or sequential to end early", b.Lot)
	case !st.Early:
		return fmt.Errorf("lot %q is not decided before the end of its sample: %d nonconforming of %d, and the plan has n %d, Re %d", b.Lot, st.Bad, st.N, l.Plan.N, l.Plan.Re)
	case b.N != st.N || b.Bad != st.Bad:
		return fmt.Errorf("it counts %d nonconforming of %d; the entries have %d of %d", b.Bad, b.N, st.Bad, st.N)
	}
	l.Stopped = st.Because
	return nil
}

func (s *Series) decide(e Entry, b decideBody) error {
	l, err := s.current(b.Lot)
	if err != nil {
		return err
	}
	decision, st, next, err := s.due(l)
	switch {
	case err != nil:
		return err
	case b.N != st.N || b.Bad != st.Bad:
		return fmt.Errorf("it counts %d nonconforming of %d; the entries have %d of %d", b.Bad, b.N, st.Bad, st.N)
	case b.Decision != decision:
		return fmt.Errorf("it says %q; the plan says %s: %s", b.Decision, decision, st.Because)
	case b.Severity != next.Severity:
		return fmt.Errorf("it says %v inspection for the next lot; the switching rules say %v: %s", b.Severity, next.Severity, next.Because)
	}
	l.Decision, l.Decided, l.After = decision, actOf(e), next
	s.State = next
	return nil
}

// due is the decision that the entries come to, and how switching stands
// after it.
func (s *Series) due(l *Lot) (Decision, Standing, sampling.State, error) {
	st, err := l.Standing()
	switch {
	case err != nil:
		return "", st, s.State, err
	case st.Outcome == sampling.Continue:
		left := fmt.Sprintf("%d of %d units of the sample of lot %q are conforming or nonconforming", st.N, l.Plan.N, l.Lot)
		if asks := l.Asks(); len(asks) > 0 {
			left += "; next: " + asks[0]
		}
		return "", st, s.State, fmt.Errorf("%s", left)
	case st.Early && l.Stopped == "":
		return "", st, s.State, fmt.Errorf("inspection of lot %q has not ended; stop it first: %s", l.Lot, st.Because)
	}
	decision := Accepted
	if st.Outcome == sampling.Reject {
		decision = Rejected
	}
	next, err := s.switched(l, st)
	return decision, st, next, err
}

// switched is the state after a lot. The rules are those of the tables' single
// samples: a sequential lot leaves it as it is.
func (s *Series) switched(l *Lot, st Standing) (sampling.State, error) {
	if l.Mode == Sequential {
		return s.State, nil
	}
	return s.State.Next(sampling.Lot{Plan: l.Plan, Bad: st.Bad, Resubmitted: l.Resubmits != "",
		Steady: l.Steady, Agreed: l.Agreed, WithinLimit: l.WithinLimit})
}
