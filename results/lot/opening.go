package lot

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"drench/results/sampling"
)

// largest is the most units that a lot may have: to draw from them takes a
// hash each.
const largest = 1_000_000

// planned is what a lot's terms come to at a severity.
func planned(t Terms, severity sampling.Severity) (sampling.Plan, error) {
	switch {
	case severity == sampling.Stopped:
		return sampling.Plan{}, sampling.ErrStopped
	case t.Size < 2 || t.Size > largest:
		return sampling.Plan{}, fmt.Errorf("the lot has %d units; expected 2 to %d", t.Size, largest)
	case t.Mode == Whole || t.Mode == Curtailed:
		if t.Sequential != nil {
			return sampling.Plan{}, fmt.Errorf("the mode is %s, and there is a sequential plan; expected one of the two", t.Mode)
		}
		sel, err := sampling.Select(t.Size, t.Level, t.AQL, severity)
		return sel.Plan, err
	case t.Mode != Sequential:
		return sampling.Plan{}, fmt.Errorf("the mode is %q; expected whole, curtailed or sequential", t.Mode)
	case t.Sequential == nil || t.AQL != 0 || t.Level != "":
		return sampling.Plan{}, fmt.Errorf("the mode is sequential; expected a sequential plan, and neither AQL nor level")
	case t.Sequential.Limit > t.Size:
		return sampling.Plan{}, fmt.Errorf("the sequential plan may take %d units, and the lot has %d; expected a limit up to that", t.Sequential.Limit, t.Size)
	}
	_, err := t.Sequential.Plan()
	return sampling.Plan{N: t.Sequential.Limit}, err
}

// terms of an opening entry.
func (b openBody) terms() Terms {
	return Terms{Lot: b.Lot, Size: b.Size, AQL: b.AQL, Level: b.Level, Mode: b.Mode, Sequential: b.Sequential,
		Resubmits: b.Resubmits, Test: b.Test, Steady: b.Steady, Agreed: b.Agreed, WithinLimit: b.WithinLimit}
}

func bodyOf(t Terms, severity sampling.Severity, p sampling.Plan, seal string) openBody {
	return openBody{Agreed: t.Agreed, AQL: t.AQL, Level: t.Level, Lot: t.Lot, Mode: t.Mode, Plan: planBody{p.Ac, p.N, p.Re}, Resubmits: t.Resubmits,
		Seal: seal, Sequential: t.Sequential, Severity: severity, Size: t.Size, Steady: t.Steady, Test: t.Test, WithinLimit: t.WithinLimit}
}

func (s *Series) open(e Entry, b openBody) error {
	if l := s.Current(); l != nil {
		return fmt.Errorf("lot %q is still open; decide it first: its decision may change how the next one is inspected", l.Lot)
	}
	if err := s.mayOpen(b.terms()); err != nil {
		return err
	}
	if b.Severity != s.State.Severity {
		return fmt.Errorf("it says %v inspection; the switching rules say %v: %s", b.Severity, s.State.Severity, s.State.Because)
	}
	plan, err := planned(b.terms(), b.Severity)
	if err != nil {
		return err
	}
	if b.Plan != (planBody{plan.Ac, plan.N, plan.Re}) {
		return fmt.Errorf("its plan is n %d, Ac %d, Re %d; its terms come to n %d, Ac %d, Re %d", b.Plan.N, b.Plan.Ac, b.Plan.Re, plan.N, plan.Ac, plan.Re)
	}
	if !isHash(b.Seal) {
		return fmt.Errorf("its seal is %q; expected a SHA-256 in hexadecimal", b.Seal)
	}
	s.Lots = append(s.Lots, &Lot{Terms: b.terms(), Severity: b.Severity, Plan: plan, Seal: b.Seal, Decision: Open,
		Before: s.State, After: s.State, Opened: actOf(e), First: e.N})
	return nil
}

// mayOpen tells whether a lot of that name may come now.
func (s *Series) mayOpen(t Terms) error {
	if err := oneLine("the lot's name", t.Lot); err != nil {
		return err
	}
	if l := s.Lot(t.Lot); l != nil && l.Decision != Withdrawn {
		return fmt.Errorf("lot %q was %s before; expected another name (a lot comes again as one that resubmits it)", t.Lot, l.Decision)
	}
	if t.Test != nil {
		if err := oneLine("the scenario of its test", t.Test.Scenario); err != nil {
			return err
		}
		if t.Test.Trials < 0 {
			return fmt.Errorf("its test has %d trials; expected a number from 1, or 0 for as many as the scenario has", t.Test.Trials)
		}
	}
	if t.Resubmits == "" {
		return nil
	}
	l := s.Lot(t.Resubmits)
	if l == nil || l.Decision != Rejected {
		return fmt.Errorf("it resubmits lot %q; expected one that was rejected", t.Resubmits)
	}
	for _, other := range s.Lots {
		if other.Resubmits == t.Resubmits && other.Decision != Withdrawn {
			return fmt.Errorf("lot %q was resubmitted before, as %q; expected to resubmit that, if it was rejected", t.Resubmits, other.Lot)
		}
	}
	return nil
}

func isHash(text string) bool {
	b, err := hex.DecodeString(text)
	return err == nil && len(b) == sha256.Size && hex.EncodeToString(b) == text
}

func actOf(e Entry) Act { return Act{By: e.By, Why: e.Why, At: e.At} }

func (s *Series) draw(_ Entry, d Draw) error {
	l, err := s.current(d.Lot)
	if err != nil {
		return err
	}
	if l.Draw != nil {
		return fmt.Errorf("the sample of lot %q was shown before", d.Lot)
	}
	seal, err := d.Seal()
	if err != nil {
		return err
	}
	if seal != l.Seal {
		return fmt.Errorf("its seal is %.12s…; the lot was opened under %.12s…: it is another sample than the one drawn then", seal, l.Seal)
	}
	if err := d.follows(l.Size, l.Plan.N); err != nil {
		return err
	}
	l.Draw, l.Units = &d, make([]Unit, len(d.Units))
	for i, unit := range d.Units {
		l.Units[i] = Unit{Sample: i + 1, Unit: unit, Results: []Result{}}
	}
	return nil
}

func (s *Series) withdraw(e Entry, b lotBody) error {
	l, err := s.current(b.Lot)
	switch {
	case err != nil:
		return err
	case l.tested():
		return fmt.Errorf("units of lot %q have been tested; from then on it can only be decided", b.Lot)
	}
	for i := range l.Units {
		if l.Units[i].Serial != "" {
			s.unassign(&l.Units[i])
		}
	}
	l.Decision, l.Decided = Withdrawn, actOf(e)
	return nil
}
