package compare

import "drench/results/verdict"

// Change is what became of a cell's verdict.
type Change string

// Changes of a verdict against the baseline.
const (
	Unchanged Change = "unchanged"
	Broke     Change = "broke"   // passed before, does not now
	Mended    Change = "mended"  // did not pass before, passes now
	Flips     Change = "flips"   // was now this, now that before
	Other     Change = "other"   // from one verdict that isn't pass to another
	NewCell   Change = "new"     // not in the baseline
	Missing   Change = "missing" // in the baseline, but not tonight
)

// Cell is one scenario with one setting in one night.
type Cell struct {
	Scenario string          `json:"scenario"`
	Setting  string          `json:"setting"`
	Runs     []int64         `json:"runs"`
	Verdict  verdict.Verdict `json:"verdict"` // what TTCN-3's rule leaves of the runs'
	Reason   string          `json:"reason"`
	Change   Change          `json:"change"`
	// Before counts the baseline's runs by verdict.
	Before map[string]int `json:"before"`
	// Worse and Better name the measures that got so.
	Worse  []string `json:"worse,omitempty"`
	Better []string `json:"better,omitempty"`
	// CantTell names those of which too little is known.
	CantTell []string `json:"cant_tell,omitempty"`
}

// Summary is one night on one page.
type Summary struct {
	Night      string          `json:"night"`
	Verdict    verdict.Verdict `json:"verdict"` // of all runs
	Reason     string          `json:"reason"`  // one sentence: what got worse
	Scenarios  []string        `json:"scenarios"`
	Settings   []string        `json:"settings"`
	Cells      []Cell          `json:"cells"` // in the order of scenarios, then settings; only those that exist
	Comparison Comparison      `json:"comparison"`
}

// Cell returns a cell of the matrix, or nil.
func (s *Summary) Cell(scenario, setting string) *Cell {
	for i := range s.Cells {
		if c := &s.Cells[i]; c.Scenario == scenario && c.Setting == setting {
			return c
		}
	}
	return nil
}
