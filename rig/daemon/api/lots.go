package api

import (
	"errors"
	"fmt"
	"net/http"
	"time"

	"drench/results/inspection"
	"drench/results/lot"
	"drench/results/sampling"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

const lots group = "lots"

func lotOperations() []operation {
	return []operation{
		op(http.MethodGet, "/lots", "listLots", access.ToLook, "Lots that are inspected by sampling, by product, in their order", listLots),
		op(http.MethodPost, "/lots", "openLot", access.ToArrange, "Put a lot to inspection: look up its plan and draw its sample", openLot).creating(),
		op(http.MethodGet, "/lots/{product}/lot/{lot}", "getLot", access.ToLook, "One lot: its plan, risks, sample and results, and what is to be done next", getLot),
		op(http.MethodPost, "/lots/{product}/assign", "assignUnit", access.ToRun, "Say which device is a unit of the open lot's sample", assignUnit),
		op(http.MethodGet, "/lots/{product}/verify", "verifyLots", access.ToLook, "Compute the product's ledger anew, and hold it against the runs that are stored", verifyLots),
	}
}

// lotRow is a lot in a list.
type lotRow struct {
	Product       string `json:"product"`
	Lot           string `json:"lot"`
	Size          int    `json:"size"`
	Decision      string `json:"decision"` // open, accepted, rejected, withdrawn
	Severity      string `json:"severity"`
	Tested        int    `json:"tested"`
	Sample        int    `json:"sample"` // the largest, of a sequential plan
	Nonconforming int    `json:"nonconforming"`
}

type lotList struct {
	Lots []lotRow `json:"lots"`
}

// inspectedLot is a lot with its sample.
type inspectedLot struct {
	lotRow
	Accept int           `json:"accept_up_to"`
	Reject int           `json:"reject_from"`
	AQL    float64       `json:"aql,omitempty"` // in percent
	Level  string        `json:"level,omitempty"`
	Mode   string        `json:"mode"`
	Test   *lotTest      `json:"test,omitempty"`
	Risks  []lotRisk     `json:"risks"`
	Seal   string        `json:"seal"`
	Units  []sampledUnit `json:"units"`
	Next   lotStep       `json:"next"`
	Head   string        `json:"head"` // SHA-256 of its last entry
}

type lotTest struct {
	Scenario string `json:"scenario"`
	Limits   string `json:"limits,omitempty"`
	Profile  string `json:"profile,omitempty"`
	Trials   int    `json:"trials,omitempty"`
}

type lotRisk struct {
	Quality float64 `json:"quality"` // fraction nonconforming in the process
	Accept  float64 `json:"accept"`
}

type sampledUnit struct {
	Sample  int          `json:"sample"`
	Unit    int          `json:"unit"` // its number in the lot
	Serial  string       `json:"serial,omitempty"`
	Class   string       `json:"class,omitempty"` // conforming, nonconforming, neither
	Results []unitResult `json:"results"`
}

type unitResult struct {
	Entry   int             `json:"entry"`
	Run     int64           `json:"run"`
	Sum     string          `json:"timeline_sha256"`
	Verdict verdict.Verdict `json:"verdict"`
	By      string          `json:"by"`
	At      time.Time       `json:"at"`
	Voided  string          `json:"voided,omitempty"` // why it does not count
	Retest  string          `json:"retest,omitempty"` // why it was tested again
}

type lotStep struct {
	Do     string `json:"do"` // show, take, test, retest, stop, decide, nothing
	Sample int    `json:"sample,omitempty"`
	Unit   int    `json:"unit,omitempty"`
	Serial string `json:"serial,omitempty"`
	Says   string `json:"says"`
}

// desk is where lots are inspected.
func (c *call) desk() inspection.Desk { return inspection.Desk{Store: c.api.runs} }

// asAsked turns what a ledger refuses into what is wrong with a request. A
// ledger or a store that can't be read is a fault.
func asAsked(err error) error {
	var broken *lot.BadEntry
	var kept *store.Error
	switch {
	case err == nil, errors.As(err, &kept), errors.As(err, &broken), errors.Is(err, store.ErrNotNext):
		return err
	case errors.Is(err, lot.ErrNoLedger):
		return &failure{class: missing, what: err.Error(), mend: "GET " + Root + "/lots has those that there are", cause: err}
	}
	return &daemon.BadRequest{Problems: []string{err.Error()}}
}

func rowOf(product string, l *lot.Lot) (lotRow, error) {
	st, err := l.Standing()
	return lotRow{product, l.Lot, l.Size, string(l.Decision), l.Severity.String(), st.N, l.Plan.N, st.Bad}, err
}

func listLots(c *call, q struct {
	Product string `query:"product" about:"only lots of this product"`
}) (lotList, error) {
	list := lotList{Lots: []lotRow{}}
	products := []string{q.Product}
	if q.Product == "" {
		var err error
		if products, err = c.api.runs.Products(c.Context()); err != nil {
			return list, err
		}
	}
	for _, p := range products {
		s, err := c.desk().Series(c.Context(), p)
		if err != nil {
			return list, asAsked(err)
		}
		for _, l := range s.Lots {
			row, err := rowOf(p, l)
			if err != nil {
				return list, err
			}
			list.Lots = append(list.Lots, row)
		}
	}
	return list, nil
}

// lotOrder is a lot that is to be opened.
type lotOrder struct {
	Product   string   `json:"product"`
	Lot       string   `json:"lot,omitempty"` // its name; none: its number in the ledger
	Size      int      `json:"size"`
	AQL       float64  `json:"aql"` // in percent
	Level     string   `json:"level"`
	Curtailed bool     `json:"curtailed,omitempty"`
	Test      *lotTest `json:"test,omitempty"`
	Resubmits string   `json:"resubmits,omitempty"`
	Steady    bool     `json:"steady,omitempty"`
	Agreed    bool     `json:"agreed,omitempty"`
}

func (o lotOrder) terms() lot.Terms {
	t := lot.Terms{Lot: o.Lot, Size: o.Size, AQL: o.AQL, Level: sampling.Level(o.Level), Mode: lot.Whole, Resubmits: o.Resubmits, Steady: o.Steady, Agreed: o.Agreed}
	if o.Curtailed {
		t.Mode = lot.Curtailed
	}
	if o.Test != nil {
		t.Test = &lot.Test{Scenario: o.Test.Scenario, Limits: o.Test.Limits, Profile: o.Test.Profile, Trials: o.Test.Trials}
	}
	return t
}

func openLot(c *call, q struct {
	Body lotOrder `body:"application/json"`
}) (inspectedLot, error) {
	d := c.desk()
	l, err := d.Open(c.Context(), d.Act(c.by, ""), q.Body.Product, sampling.ISO2859, q.Body.terms())
	if err != nil {
		return inspectedLot{}, asAsked(err)
	}
	return inspected(q.Body.Product, l)
}

type ofProduct struct {
	Product string `path:"product" about:"whose lots"`
}

func getLot(c *call, q struct {
	ofProduct
	Lot string `path:"lot" about:"its name"`
}) (inspectedLot, error) {
	s, err := c.desk().Series(c.Context(), q.Product)
	if err != nil {
		return inspectedLot{}, asAsked(err)
	}
	l := s.Lot(q.Lot)
	if l == nil {
		return inspectedLot{}, notFound(fmt.Sprintf("there is no lot %q of %s", q.Lot, q.Product), "GET "+Root+"/lots has those that there are")
	}
	return inspected(q.Product, l)
}

// inspected describes a lot.
func inspected(product string, l *lot.Lot) (inspectedLot, error) {
	out := inspectedLot{Accept: l.Plan.Ac, Reject: l.Plan.Re, AQL: l.AQL, Level: string(l.Level), Mode: string(l.Mode), Seal: l.Seal, Head: l.Head,
		Risks: []lotRisk{}, Units: []sampledUnit{}}
	var err error
	if out.lotRow, err = rowOf(product, l); err != nil {
		return out, err
	}
	if t := l.Test; t != nil {
		out.Test = &lotTest{t.Scenario, t.Limits, t.Profile, t.Trials}
	}
	risks, err := l.Risks()
	if err != nil {
		return out, err
	}
	for _, r := range risks {
		out.Risks = append(out.Risks, lotRisk(r))
	}
	for i := range l.Units {
		out.Units = append(out.Units, sampledOf(&l.Units[i]))
	}
	step, err := l.Next()
	out.Next = lotStep{string(step.Do), step.Sample, step.Unit, step.Serial, step.Says}
	return out, err
}

func sampledOf(u *lot.Unit) sampledUnit {
	out := sampledUnit{Sample: u.Sample, Unit: u.Unit, Serial: u.Serial, Class: string(u.Class()), Results: []unitResult{}}
	for _, r := range u.Results {
		out.Results = append(out.Results, unitResult{r.Entry, r.Run, r.Sum, r.Verdict, r.By, r.At, r.Voided, r.Retest})
	}
	return out
}

type assignment struct {
	Sample int    `json:"sample"`
	Serial string `json:"serial"`
}

func assignUnit(c *call, q struct {
	ofProduct
	Body assignment `body:"application/json"`
}) (inspectedLot, error) {
	d := c.desk()
	if err := d.Assign(c.Context(), d.Act(c.by, ""), q.Product, q.Body.Sample, q.Body.Serial); err != nil {
		return inspectedLot{}, asAsked(err)
	}
	s, err := d.Series(c.Context(), q.Product)
	if err != nil {
		return inspectedLot{}, asAsked(err)
	}
	return inspected(q.Product, s.Lots[len(s.Lots)-1])
}

// ledgerProof is what verifying a ledger found.
type ledgerProof struct {
	Whole    bool     `json:"whole"`
	Entries  int      `json:"entries"` // that hold
	Bad      int      `json:"bad_entry,omitempty"`
	Why      string   `json:"why,omitempty"`
	Head     string   `json:"head"`
	Runs     int      `json:"runs"`     // whose timeline was summed anew
	Differs  []string `json:"differs"`  // between ledger and store
	Unlike   []string `json:"unlike"`   // runs of a lot by another script or other limits
	Vanished []string `json:"vanished"` // runs that the store no longer has
}

func verifyLots(c *call, q struct {
	ofProduct
	Head string `query:"head" about:"the hash that the last entry must have, from a certificate"`
}) (ledgerProof, error) {
	select {
	case c.api.judging <- struct{}{}:
		defer func() { <-c.api.judging }()
	case <-c.Context().Done():
		return ledgerProof{}, c.Context().Err()
	}
	s, err := lot.Verify(c.api.runs.Read(c.Context(), q.Product), q.Head)
	var broken *lot.BadEntry
	p := ledgerProof{Whole: err == nil, Entries: s.Entries, Head: s.Head}
	if errors.As(err, &broken) {
		p.Bad, p.Why = broken.N, broken.Err.Error()
	} else if err != nil {
		return p, asAsked(fmt.Errorf("%s: %w", q.Product, err))
	}
	a, err := c.desk().Audit(c.Context(), s)
	p.Runs, p.Differs, p.Unlike, p.Vanished = a.Runs, filled(a.Differs), filled(a.Unlike), filled(a.Missing)
	return p, err
}
