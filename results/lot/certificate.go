package lot

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"time"

	"drench/results/sampling"
)

// Certificate is all that is to be told of a decided lot.
type Certificate struct {
	Product  string            `json:"product"`
	Lot      string            `json:"lot"`
	Size     int               `json:"size"`
	Decision Decision          `json:"decision"`
	N        int               `json:"n"` // units that count
	Bad      int               `json:"bad"`
	Because  string            `json:"because"`
	Rules    sampling.Rules    `json:"rules"`
	Severity sampling.Severity `json:"severity"`
	Why      string            `json:"why"` // inspection was at this severity

	Mode       Mode           `json:"mode"`
	AQL        float64        `json:"aql,omitempty"` // in percent
	Level      sampling.Level `json:"level,omitempty"`
	Plan       sampling.Plan  `json:"plan"`
	Sequential *Wald          `json:"sequential,omitempty"`
	Test       *Test          `json:"test,omitempty"`
	Risks      []Risk         `json:"risks"`

	Seal  string `json:"seal"`
	Seed  string `json:"seed"`
	Units []Unit `json:"units"`

	Retests   int               `json:"retests"`
	Voids     int               `json:"voids"`
	Withdrawn int               `json:"withdrawn"` // times that a lot of this name was opened and taken back before
	Next      sampling.Severity `json:"next"`      // severity for the next lot
	NextWhy   string            `json:"next_why"`

	By     string    `json:"by"` // who decided
	Opened time.Time `json:"opened"`
	At     time.Time `json:"at"`    // decided
	First  int       `json:"first"` // entries of the ledger
	Last   int       `json:"last"`
	Head   string    `json:"head"` // hash of the last of them
	Notes  []string  `json:"notes,omitempty"`
}

// Risk is the chance that the plan accepts from a process of some quality.
type Risk struct {
	Quality float64 `json:"quality"` // fraction nonconforming
	Accept  float64 `json:"accept"`
}

// consumers is the usual risk at which the limiting quality is stated.
const consumers = 0.10

// Certify returns the certificate of a lot that was accepted or rejected.
func (s *Series) Certify(name string) (Certificate, error) {
	l := s.Lot(name)
	if l == nil {
		return Certificate{}, fmt.Errorf("certify lot %q: there is none in the ledger of %s", name, s.Product)
	}
	if l.Decision != Accepted && l.Decision != Rejected {
		return Certificate{}, fmt.Errorf("certify lot %q: it is %s; expected one that is accepted or rejected", name, l.Decision)
	}
	st, err := l.Standing()
	if err != nil {
		return Certificate{}, fmt.Errorf("certify lot %q: %w", name, err)
	}
	risks, err := l.Risks()
	if err != nil {
		return Certificate{}, fmt.Errorf("certify lot %q: %w", name, err)
	}
	c := Certificate{Product: s.Product, Lot: l.Lot, Size: l.Size, Decision: l.Decision, N: st.N, Bad: st.Bad, Because: st.Because,
		Rules: l.Before.Rules, Severity: l.Severity, Why: l.Before.Because, Mode: l.Mode, AQL: l.AQL, Level: l.Level, Plan: l.Plan, Sequential: l.Sequential, Test: l.Test,
		Risks: risks, Seal: l.Seal, Seed: l.Draw.Seed, Units: l.Units, Next: l.After.Severity, NextWhy: l.After.Because,
		By: l.Decided.By, Opened: l.Opened.At, At: l.Decided.At, First: l.First, Last: l.Last, Head: l.Head}
	c.Retests, c.Voids = l.Retests()
	for _, other := range s.Lots {
		if other.Lot == name && other.Decision == Withdrawn {
			c.Withdrawn++
		}
	}
	c.Notes = l.notes(c)
	return c, nil
}

// Risks are those at the AQL and at the limiting quality, or at the two
// qualities that a sequential plan is made for. A plan that rejects no quality
// has only the first.
func (l *Lot) Risks() ([]Risk, error) {
	if l.Mode == Sequential {
		plan, err := l.Sequential.Plan()
		if err != nil {
			return nil, err
		}
		var list []Risk
		for _, q := range []float64{l.Sequential.P0, l.Sequential.P1} {
			p, err := plan.Exact(q)
			if err != nil {
				return nil, err
			}
			list = append(list, Risk{q, p.Accept})
		}
		return list, nil
	}
	at := l.AQL / 100
	pa, err := l.Plan.OC(sampling.Binomial, at)
	if err != nil {
		return nil, err
	}
	list := []Risk{{at, pa}}
	if l.Plan.Re > l.Plan.N {
		return list, nil // no quality is rejected: the sample is too small
	}
	limiting, err := l.Plan.QualityAt(sampling.Binomial, consumers)
	if err != nil {
		return nil, err
	}
	return append(list, Risk{limiting, consumers}), nil
}

// notes say what a reader must know to take the numbers for what they are.
func (l *Lot) notes(c Certificate) []string {
	var notes []string
	add := func(when bool, format string, args ...any) {
		if when {
			notes = append(notes, fmt.Sprintf(format, args...))
		}
	}
	add(l.Stopped != "" && l.Mode == Curtailed, "Inspection was curtailed, as agreed when the lot was opened: %s. The standard has the whole sample inspected; do not estimate the process average from this lot.", l.Stopped)
	add(l.Mode == Sequential, "The plan is Wald's sequential one. The switching rules are for the single samples of the tables, and stay as they were.")
	add(l.Severity == sampling.Reduced && l.Mode != Sequential, "The plan for reduced inspection is that of MIL-STD-105E: with a count between Ac and Re the lot is accepted, and inspection goes back to normal.")
	add(l.Resubmits != "", "The lot resubmits lot %s, which was rejected; it does not count for switching.", l.Resubmits)
	add(c.Retests > 0, "Runs that ended inconc, error or none made units neither conforming nor nonconforming; they were tested again (%d).", c.Retests)
	add(c.Voids > 0, "Results were voided, with the reasons given (%d).", c.Voids)
	add(c.Withdrawn > 0, "A lot of this name was opened and withdrawn untested before, so this is not its first sample (%d).", c.Withdrawn)
	add(l.Plan.N >= l.Size, "The sample was the whole lot.")
	return notes
}

var columns = []string{"product", "lot", "sample", "unit", "serial", "entry", "run", "timeline_sha256", "verdict", "class", "stands", "reason", "by", "at"}

// CSV writes a row for each result of the sample, and one for each unit without
// (RFC 4180).
func (c Certificate) CSV(w io.Writer) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	rows := [][]string{columns}
	for i := range c.Units {
		rows = append(rows, c.rows(&c.Units[i])...)
	}
	if err := out.WriteAll(rows); err != nil {
		return fmt.Errorf("write the results of lot %s: %w", c.Lot, err)
	}
	return nil
}

func (c Certificate) rows(u *Unit) [][]string {
	first := []string{c.Product, c.Lot, strconv.Itoa(u.Sample), strconv.Itoa(u.Unit)}
	if len(u.Results) == 0 {
		row := append(first, u.Serial)
		return [][]string{append(row, make([]string, len(columns)-len(row))...)}
	}
	var rows [][]string
	for _, r := range u.Results {
		rows = append(rows, append(first[:len(first):len(first)], r.Serial, strconv.Itoa(r.Entry), strconv.FormatInt(r.Run, 10), r.Sum, r.Verdict.String(),
			string(ClassOf(r.Verdict)), strconv.FormatBool(r.Voided == "" && r.Retest == ""), r.Voided+r.Retest, r.By, r.At.Format(time.RFC3339Nano)))
	}
	return rows
}
