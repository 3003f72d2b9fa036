package uncertainty

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Gauge is the outcome of a gauge repeatability and reproducibility study.
// All are standard deviations in the unit of the readings.
type Gauge struct {
	EV          float64 // equipment variation: repeatability
	AV          float64 // appraiser variation
	Interaction float64 // of part and appraiser; 0 when pooled or by ranges
	GRR         float64 // repeatability and reproducibility together
	PV          float64 // part variation
	TV          float64 // total variation
}

// Shares are parts of a whole in percent. As standard deviations do not add
// up, nor do these.
type Shares struct {
	EV, AV, GRR, PV float64
}

// PercentOfTotal returns each standard deviation in percent of TV.
func (g Gauge) PercentOfTotal() Shares { return g.percentOf(g.TV) }

// PercentOfTolerance returns six times each standard deviation in percent of
// the width of the tolerance, in the unit of the readings. It returns an error
// unless the width is finite and above 0.
func (g Gauge) PercentOfTolerance(width float64) (Shares, error) {
	if !(width > 0) || math.IsInf(width, 0) {
		return Shares{}, fmt.Errorf("percent of tolerance: width is %v: want a finite number above 0", width)
	}
	return g.percentOf(width / 6), nil
}

func (g Gauge) percentOf(whole float64) Shares {
	return Shares{EV: 100 * g.EV / whole, AV: 100 * g.AV / whole, GRR: 100 * g.GRR / whole, PV: 100 * g.PV / whole}
}

// Categories returns the number of distinct categories, 1.41 PV/GRR cut to a
// whole number (AIAG, Measurement Systems Analysis, 4th ed.).
func (g Gauge) Categories() int { return int(min(1.41*g.PV/g.GRR, math.MaxInt32)) }

// total fills GRR and TV from the rest.
func (g Gauge) total() Gauge {
	g.GRR = math.Sqrt(g.EV*g.EV + g.AV*g.AV + g.Interaction*g.Interaction)
	g.TV = math.Hypot(g.GRR, g.PV)
	return g
}

// A Readings table is indexed [part][appraiser][trial].
type Readings [][][]float64

// size checks that the table is crossed and balanced, with two or more of
// each, and finite, and returns its sides.
func (r Readings) size() (parts, appraisers, trials int, err error) {
	parts = len(r)
	if parts < 2 {
		return 0, 0, 0, fmt.Errorf("n is %d parts: want 2 or more", parts)
	}
	appraisers = len(r[0])
	if appraisers < 2 {
		return 0, 0, 0, fmt.Errorf("part 0: n is %d appraisers: want 2 or more", appraisers)
	}
	trials = len(r[0][0])
	if trials < 2 {
		return 0, 0, 0, fmt.Errorf("part 0, appraiser 0: n is %d trials: want 2 or more", trials)
	}
	for p, part := range r {
		if len(part) != appraisers {
			return 0, 0, 0, fmt.Errorf("part %d: n is %d appraisers: want %d as for part 0", p, len(part), appraisers)
		}
		for a, cell := range part {
			if len(cell) != trials {
				return 0, 0, 0, fmt.Errorf("part %d, appraiser %d: n is %d trials: want %d as for part 0", p, a, len(cell), trials)
			}
			for k, x := range cell {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					return 0, 0, 0, fmt.Errorf("part %d, appraiser %d, trial %d: reading is %v: want a finite number", p, a, k, x)
				}
			}
		}
	}
	return parts, appraisers, trials, nil
}

var errNoRepeatability = errors.New("repeated readings never differ: the gauge's resolution hides its repeatability")

// An Effect is a line of an analysis of variance.
type Effect struct {
	SS float64 // sum of squares, square of the unit of the readings
	DF int
	MS float64 // SS/DF
}

func effect(ss float64, df int) Effect { return Effect{SS: ss, DF: df, MS: ss / float64(df)} }

// A CrossedStudy is a gauge study analysed by analysis of variance.
type CrossedStudy struct {
	Gauge
	Parts, Appraisers, Interactions, Repeatability Effect

	F      float64 // of the interaction against repeatability
	P      float64 // its p-value
	Pooled bool    // the interaction was pooled with repeatability
}

// GaugeANOVA analyses a crossed study by two-way analysis of variance with
// parts and appraisers as random effects (AIAG, Measurement Systems Analysis,
// 4th ed., appendix A). The interaction of part and appraiser is pooled with
// repeatability unless its p-value is below alpha (0.05 there; 0.25 is in use
// too). Variances estimated below 0 are set to 0.
//
// It returns an error for a table that is not balanced, has fewer than two of
// anything, or holds a value that is not finite; for alpha outside [0, 1]; and
// when repeated readings never differ.
func GaugeANOVA(readings Readings, alpha float64) (CrossedStudy, error) {
	if !(alpha >= 0 && alpha <= 1) {
		return CrossedStudy{}, fmt.Errorf("gauge study: alpha is %v: want 0 to 1", alpha)
	}
	parts, appraisers, trials, err := readings.size()
	if err != nil {
		return CrossedStudy{}, fmt.Errorf("gauge study: %w", err)
	}
	s := readings.variance(parts, appraisers, trials)
	if cells, _, _ := readings.ranges(parts, appraisers); cells == 0 {
		return CrossedStudy{}, fmt.Errorf("gauge study: %w", errNoRepeatability)
	}
	s.F = s.Interactions.MS / s.Repeatability.MS
	s.P = distuv.F{D1: float64(s.Interactions.DF), D2: float64(s.Repeatability.DF)}.Survival(s.F)
	s.Pooled = s.P >= alpha
	s.Gauge = s.components(parts, appraisers, trials)
	return s, nil
}

// components turns mean squares into standard deviations.
func (s CrossedStudy) components(parts, appraisers, trials int) Gauge {
	within, between := s.Repeatability.MS, s.Interactions.MS
	if s.Pooled {
		within = (s.Repeatability.SS + s.Interactions.SS) / float64(s.Repeatability.DF+s.Interactions.DF)
		between = within
	}
	sd := func(difference float64, n int) float64 { return math.Sqrt(max(0, difference/float64(n))) }
	return Gauge{
		EV:          math.Sqrt(within),
		AV:          sd(s.Appraisers.MS-between, parts*trials),
		Interaction: sd(between-within, trials),
		PV:          sd(s.Parts.MS-between, appraisers*trials),
	}.total()
}

// variance splits the sum of squares of a balanced table, by deviations from
// means rather than differences of squares.
func (r Readings) variance(parts, appraisers, trials int) CrossedStudy {
	partMean, appraiserMean, grand := make([]float64, parts), make([]float64, appraisers), 0.0
	for p, part := range r {
		for a, cell := range part {
			m := stat.Mean(cell, nil)
			partMean[p] += m / float64(appraisers)
			appraiserMean[a] += m / float64(parts)
			grand += m / float64(parts*appraisers)
		}
	}
	var ssParts, ssAppraisers, ssInteraction, ssWithin float64
	for p, part := range r {
		ssParts += square(partMean[p] - grand)
		for a, cell := range part {
			m := stat.Mean(cell, nil)
			ssInteraction += square(m - partMean[p] - appraiserMean[a] + grand)
			for _, x := range cell {
				ssWithin += square(x - m)
			}
		}
	}
	for _, m := range appraiserMean {
		ssAppraisers += square(m - grand)
	}
	return CrossedStudy{
		Parts:         effect(ssParts*float64(appraisers*trials), parts-1),
		Appraisers:    effect(ssAppraisers*float64(parts*trials), appraisers-1),
		Interactions:  effect(ssInteraction*float64(trials), (parts-1)*(appraisers-1)),
		Repeatability: effect(ssWithin, parts*appraisers*(trials-1)),
	}
}

func square(x float64) float64 { return x * x }
