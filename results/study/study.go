// Package study tells how much of what a bench's numbers vary by is the bench:
// a crossed study of repeatability and reproducibility, in which each rig or
// operator tests each DUT several times, and what that means for a limit.
package study

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"drench/results/limits"
	"drench/results/stats/uncertainty"
	"drench/rig"
)

// Reading is what one run says of one DUT: the value of the limit's statistic.
type Reading struct {
	DUT   string  `json:"dut"`
	By    string  `json:"by"` // the rig or the operator
	Run   int64   `json:"run"`
	Value float64 `json:"value"` // in the limit's unit

	Started time.Time `json:"started"` // wall time
}

// Grade says whether a rig is good enough, by the shares that AIAG,
// Measurement Systems Analysis, 4th ed., chapter II gives as a guide.
type Grade string

// Grades of a rig.
const (
	Good     Grade = "good enough"
	Marginal Grade = "good enough with care" // depends on what a wrong verdict costs
	Poor     Grade = "not good enough"
)

const (
	goodShare = 10 // per cent
	poorShare = 30
	wantNDC   = 5 // categories that the rig should tell apart
)

// Result is a study's outcome. Standard deviations and means have the limit's
// unit.
type Result struct {
	Limit    limits.Limit `json:"limit"`
	Unit     rig.Unit     `json:"unit"`
	DUTs     []string     `json:"duts"`
	By       []string     `json:"by"`
	Repeats  int          `json:"repeats"`
	Readings []Reading    `json:"readings"` // ordered by DUT, by, run
	Mean     float64      `json:"mean"`
	uncertainty.CrossedStudy
	GRRBand uncertainty.Interval `json:"grr_95"`                 // two-sided, 95 %
	OfTotal float64              `json:"of_total"`               // GRR in per cent of the total
	OfLimit float64              `json:"of_tolerance,omitempty"` // GRR in per cent of the room up to the limit; none without room
	NDC     int                  `json:"ndc"`
	Guard   float64              `json:"guard"`   // guard band of one run's value for 95 % (ISO 14253-1)
	Plain   uncertainty.Risk     `json:"plain"`   // of a wrong verdict on the next DUT, without guard band
	Guarded uncertainty.Risk     `json:"guarded"` // and with
	Grade   Grade                `json:"grade"`
	Because string               `json:"because"`
}

// Analyse analyses a crossed study by analysis of variance, DUTs and rigs (or
// operators) being random effects: see uncertainty.GaugeANOVA, with the
// interaction pooled at p above 0.25. Each DUT must have been read by each the
// same number of times, twice or more.
//
// The share of the tolerance is 3 GRR over the room between mean and limit, as
// a limit has one side (common practice, no source; six GRR of a two-sided
// tolerance are from AIAG, Measurement Systems Analysis, 4th ed.). Risks are
// those of JCGM 106:2012 9.5 for the next DUT of the same kind, one reading
// deciding.
func Analyse(readings []Reading, limit limits.Limit) (Result, error) {
	r := Result{Limit: limit, Unit: limit.Unit, Readings: sorted(readings)}
	table, err := r.cross()
	if err != nil {
		return r, err
	}
	if r.CrossedStudy, err = uncertainty.GaugeANOVA(table, 0.25); err != nil {
		return r, err
	}
	for _, x := range r.Readings {
		r.Mean += x.Value / float64(len(r.Readings))
	}
	if r.GRRBand, err = r.band(); err != nil {
		return r, err
	}
	r.OfTotal = r.PercentOfTotal().GRR
	r.NDC = r.Categories()
	if r.room() > 0 {
		r.OfLimit = 300 * r.GRR / r.room()
	}
	if err := r.risks(); err != nil {
		return r, err
	}
	r.grade()
	return r, nil
}

// sorted orders readings by DUT, by and run.
func sorted(readings []Reading) []Reading {
	s := slices.Clone(readings)
	slices.SortFunc(s, func(a, b Reading) int {
		return cmp.Or(cmp.Compare(a.DUT, b.DUT), cmp.Compare(a.By, b.By), cmp.Compare(a.Run, b.Run))
	})
	return s
}

// room is the way from the mean to the limit, positive on the good side.
func (r *Result) room() float64 {
	if strings.HasPrefix(r.Limit.Op, ">") {
		return r.Mean - float64(r.Limit.Value)
	}
	return float64(r.Limit.Value) - r.Mean
}

// UnbalancedError says which cells of a crossed study lack runs.
type UnbalancedError struct{ Missing []string }

func (e *UnbalancedError) Error() string {
	return "the study is not complete: " + strings.Join(e.Missing, "; ")
}

// cross arranges the readings by DUT and by whom.
func (r *Result) cross() (uncertainty.Readings, error) {
	if len(r.Readings) == 0 {
		return nil, errors.New("the study has no runs")
	}
	cells := map[[2]string][]float64{}
	for _, x := range r.Readings {
		if !slices.Contains(r.DUTs, x.DUT) {
			r.DUTs = append(r.DUTs, x.DUT)
		}
		if !slices.Contains(r.By, x.By) {
			r.By = append(r.By, x.By)
		}
		key := [2]string{x.DUT, x.By}
		cells[key] = append(cells[key], x.Value)
		r.Repeats = max(r.Repeats, len(cells[key]))
	}
	slices.Sort(r.By)
	switch {
	case len(r.DUTs) < 2:
		return nil, fmt.Errorf("all runs are of one DUT, %s; a study needs two or more, better ten, that differ as those in use do", r.DUTs[0])
	case len(r.By) < 2:
		return nil, fmt.Errorf("all runs are by %s; a study needs two rigs or operators or more", r.By[0])
	}
	var missing []string
	table := make(uncertainty.Readings, len(r.DUTs))
	for i, dut := range r.DUTs {
		for _, by := range r.By {
			values := cells[[2]string{dut, by}]
			if want := max(r.Repeats, 2); len(values) < want {
				missing = append(missing, fmt.Sprintf("%s by %s has %d runs of %d", dut, by, len(values), want))
			}
			table[i] = append(table[i], values)
		}
	}
	if len(missing) > 0 {
		return nil, &UnbalancedError{missing}
	}
	return table, nil
}

// risks fills in what a verdict by one reading risks.
func (r *Result) risks() (err error) {
	if r.GRR == 0 || r.PV == 0 {
		return nil // nothing to be wrong about, or no spread of DUTs to be wrong on
	}
	tol := uncertainty.AtMost(float64(r.Limit.Value))
	if strings.HasPrefix(r.Limit.Op, ">") {
		tol = uncertainty.AtLeast(float64(r.Limit.Value))
	}
	process := uncertainty.Process{Mean: r.Mean, SD: r.PV}
	if r.Plain, err = uncertainty.GlobalRisk(process, r.GRR, tol, tol); err != nil {
		return err
	}
	accept, err := uncertainty.Acceptance(r.GRR, tol, uncertainty.ISO14253)
	if err != nil {
		return err
	}
	r.Guard = math.Abs(float64(r.Limit.Value) - cmp.Or(finite(accept.Upper), finite(accept.Lower)))
	r.Guarded, err = uncertainty.GlobalRisk(process, r.GRR, tol, accept)
	return err
}

func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return 0
	}
	return v
}

// grade decides by the share of the room up to the limit, which is what
// verdicts rest on. The number of categories is told beside it: it is about
// DUTs, and low when those of the study are alike.
func (r *Result) grade() {
	switch {
	case r.room() <= 0:
		r.Grade, r.Because = Poor, "the DUTs of the study are at or beyond the limit on average, so no rig leaves room to tell; use DUTs that meet it"
	case r.OfLimit <= goodShare:
		r.Grade, r.Because = Good, fmt.Sprintf("three standard deviations of the rig take %.3g %% of the room up to the limit, %d %% or less", r.OfLimit, goodShare)
	case r.OfLimit <= poorShare:
		r.Grade, r.Because = Marginal, fmt.Sprintf("three standard deviations of the rig take %.3g %% of the room up to the limit, between %d and %d %%", r.OfLimit, goodShare, poorShare)
	default:
		r.Grade, r.Because = Poor, fmt.Sprintf("three standard deviations of the rig take %.3g %% of the room up to the limit, more than %d %%", r.OfLimit, poorShare)
	}
	if r.NDC < wantNDC {
		r.Because += fmt.Sprintf("; it tells %d classes of these DUTs apart, fewer than %d, so don't rank DUTs by it", r.NDC, wantNDC)
	}
}
