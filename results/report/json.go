package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"

	"drench/results/limits"
	"drench/results/measure"
	"drench/rig/timeline"
)

// everything is a run as JSON; Format counts changes that a reader must know.
type everything struct {
	Format    int              `json:"format"`
	Run       Run              `json:"run"`
	Header    timeline.Header  `json:"header"`
	Judgement limits.Judgement `json:"judgement"`
	Set       *measure.Set     `json:"set"`
}

// JSON writes all of the Input but the events, in a fixed order of fields.
func JSON(w io.Writer, in Input) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	if err := e.Encode(everything{1, in.Run, in.Header, finite(in.Judgement), in.Set}); err != nil {
		return fmt.Errorf("write the run as JSON: %w", err)
	}
	return nil
}

// finite takes out values that JSON has no number for: a bound that does not
// exist is infinite.
func finite(j limits.Judgement) limits.Judgement {
	j.Results = slices.Clone(j.Results)
	for i := range j.Results {
		r := &j.Results[i]
		if !isFinite(r.Value) {
			r.Value, r.HasValue = 0, false
		}
		if !isFinite(r.Bound) || !isFinite(r.Margin) {
			r.Bound, r.Margin, r.HasBound = 0, 0, false
		}
	}
	return j
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
