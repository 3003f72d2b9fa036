package compare

import (
	"fmt"
	"slices"
	"strings"

	"drench/results/verdict"
)

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

// Summarize puts one night on one page: what each scenario came to with each
// setting, and what changed against all runs of the baseline nights.
func Summarize(base []Night, now Night, o Options) Summary {
	var before []Run
	for _, n := range base {
		before = append(before, n.Runs...)
	}
	s := Summary{Night: now.Name, Comparison: Runs(before, now.Runs, o)}
	for _, p := range places(slices.Concat(before, now.Runs)) {
		if !slices.Contains(s.Scenarios, p.scenario) {
			s.Scenarios = append(s.Scenarios, p.scenario)
		}
		if !slices.Contains(s.Settings, p.setting) {
			s.Settings = append(s.Settings, p.setting)
		}
		c := cell(p, at(p, before), at(p, now.Runs))
		c.measures(s.Comparison)
		s.Cells = append(s.Cells, c)
		s.Verdict = s.Verdict.Overwrite(c.Verdict)
	}
	slices.Sort(s.Settings)
	s.conclude()
	return s
}

// cell is what a night's runs of one scenario and setting came to.
func cell(p place, before, now []Run) Cell {
	c := Cell{Scenario: p.scenario, Setting: p.setting, Runs: []int64{}, Before: map[string]int{}}
	for _, r := range now {
		c.Runs = append(c.Runs, r.ID)
		if r.Verdict > c.Verdict || c.Reason == "" {
			c.Reason = r.Reason
		}
		c.Verdict = c.Verdict.Overwrite(r.Verdict)
	}
	for _, r := range before {
		c.Before[r.Verdict.String()]++
	}
	passed := c.Before[verdict.Pass.String()]
	switch {
	case len(now) == 0:
		c.Change, c.Reason = Missing, "not run in this night"
	case len(before) == 0:
		c.Change = NewCell
	case passed > 0 && passed < len(before):
		c.Change = Flips
	case c.Before[c.Verdict.String()] == len(before):
		c.Change = Unchanged
	case passed > 0:
		c.Change = Broke
	case c.Verdict == verdict.Pass:
		c.Change = Mended
	default:
		c.Change = Other
	}
	return c
}

// measures names the measures of the cell that changed.
func (c *Cell) measures(all Comparison) {
	for _, d := range all.Differences {
		if d.Scenario != c.Scenario || d.Setting != c.Setting {
			continue
		}
		switch d.Word {
		case Worse:
			c.Worse = append(c.Worse, d.Measure)
		case Better:
			c.Better = append(c.Better, d.Measure)
		case CantTell:
			c.CantTell = append(c.CantTell, d.Measure)
		}
	}
}

// conclude says in one sentence what got worse.
func (s *Summary) conclude() {
	var parts []string
	for _, x := range []struct {
		change Change
		words  string
	}{{Broke, "broke"}, {Missing, "not run"}, {Flips, "flips"}, {Mended, "mended"}} {
		var names []string
		for _, c := range s.Cells {
			if c.Change == x.change {
				names = append(names, place{c.Scenario, c.Setting}.String())
			}
		}
		if len(names) > 0 {
			parts = append(parts, x.words+": "+strings.Join(names, "; "))
		}
	}
	ran, passed := 0, 0
	for _, c := range s.Cells {
		ran += b2i(c.Change != Missing)
		passed += b2i(c.Verdict == verdict.Pass)
	}
	parts = append(parts, fmt.Sprintf("%d of %d pass", passed, ran), s.Comparison.Reason)
	s.Reason = strings.Join(parts, "; ")
}
