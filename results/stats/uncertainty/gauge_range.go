package uncertainty

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Constants of the average-and-range method by number of trials, appraisers
// and parts, from 2: 1/d2 for the average of many ranges, and 1/d2* = 1/√(d2² +
// d3²) for one range, of normal values (AIAG, Measurement Systems Analysis,
// 4th ed., gauge study report form; rounded as printed there, from memory but
// for .5908, .5231 and .3146).
var (
	k1 = []float64{0.8862, 0.5908}
	k2 = []float64{0.7071, 0.5231}
	k3 = []float64{0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146}
)

// constant looks n up in a table that starts at 2.
func constant(table []float64, n int, of string) (float64, error) {
	if n-2 >= len(table) {
		return 0, fmt.Errorf("n is %d %s: want %d or fewer for the range method: use the analysis of variance", n, of, len(table)+1)
	}
	return table[n-2], nil
}

// GaugeRange analyses a crossed study of up to 10 parts, 3 appraisers and 3
// trials by averages and ranges (AIAG, Measurement Systems Analysis, 4th ed.):
// EV = R K1 with R the mean range of the cells; AV = √((Xdiff K2)² - EV²/(n r))
// with Xdiff the range of the appraisers' means, n parts and r trials, 0 if
// below 0; PV = Rp K3 with Rp the range of the parts' means. It cannot see an
// interaction. Errors are those of GaugeANOVA, or that the study is too large
// for the method.
func GaugeRange(readings Readings) (Gauge, error) {
	parts, appraisers, trials, err := readings.size()
	if err != nil {
		return Gauge{}, fmt.Errorf("gauge study: %w", err)
	}
	perTrial, err := constant(k1, trials, "trials")
	if err != nil {
		return Gauge{}, fmt.Errorf("gauge study: %w", err)
	}
	perAppraiser, err := constant(k2, appraisers, "appraisers")
	if err != nil {
		return Gauge{}, fmt.Errorf("gauge study: %w", err)
	}
	perPart, err := constant(k3, parts, "parts")
	if err != nil {
		return Gauge{}, fmt.Errorf("gauge study: %w", err)
	}
	cells, xdiff, rp := readings.ranges(parts, appraisers)
	if cells == 0 {
		return Gauge{}, fmt.Errorf("gauge study: %w", errNoRepeatability)
	}
	ev := cells * perTrial
	return Gauge{
		EV: ev,
		AV: math.Sqrt(max(0, square(xdiff*perAppraiser)-ev*ev/float64(parts*trials))),
		PV: rp * perPart,
	}.total(), nil
}

// ranges returns the mean range of the cells, the range of the appraisers'
// means and that of the parts' means.
func (r Readings) ranges(parts, appraisers int) (cells, xdiff, rp float64) {
	partMean, appraiserMean := make([]float64, parts), make([]float64, appraisers)
	for p, part := range r {
		for a, cell := range part {
			cells += spread(cell) / float64(parts*appraisers)
			partMean[p] += stat.Mean(cell, nil) / float64(appraisers)
			appraiserMean[a] += stat.Mean(cell, nil) / float64(parts)
		}
	}
	return cells, spread(appraiserMean), spread(partMean)
}

func spread(x []float64) float64 { return slices.Max(x) - slices.Min(x) }
