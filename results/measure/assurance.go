package measure

import (
	"fmt"

	"drench/results/adaptive"
	"drench/results/verdict"
	"drench/rig"
)

// Tested is a sequential test as its trials came out. Trials that are
// inconclusive do not count.
type Tested struct {
	Spec     rig.TestSpec      `json:"spec"`
	Wrong    []bool            `json:"wrong"` // by trial, up to the decision
	Decision adaptive.Decision `json:"decision"`
	Inconc   int               `json:"inconc,omitempty"`
	Trial    int               `json:"trial"` // the last
}

// Count returns how many trials went wrong.
func (t Tested) Count() int {
	n := 0
	for _, w := range t.Wrong {
		if w {
			n++
		}
	}
	return n
}

// tests reads the sequential tests of a run, one after the other.
func tests(trials []Trial) []Tested {
	var list []Tested
	for _, t := range trials {
		if t.Spec.Test == nil {
			continue
		}
		if len(list) == 0 || list[len(list)-1].Spec != *t.Spec.Test {
			list = append(list, Tested{Spec: *t.Spec.Test, Decision: adaptive.Continue})
		}
		list[len(list)-1].take(t)
	}
	return list
}

func (t *Tested) take(tr Trial) {
	if t.Decision != adaptive.Continue {
		return
	}
	t.Trial = tr.N
	if tr.Verdict == verdict.Inconc {
		t.Inconc++
		return
	}
	t.Wrong = append(t.Wrong, tr.Verdict == verdict.Fail)
	d, err := adaptive.TestOf(t.Spec).Decide(len(t.Wrong), t.Count())
	if err == nil { // else the timeline asks for a test that is none: it stays open
		t.Decision = d
	}
}

// tests books the sequential tests.
func (l ledger) tests(list []Tested) {
	if len(list) > 0 {
		if m, ok := l[Missed]; ok {
			m.Sequential = true
		}
	}
	for _, t := range list {
		m := l.of(NotAssured)
		text := fmt.Sprintf("%d of %d went wrong", t.Count(), len(t.Wrong))
		switch t.Decision {
		case adaptive.Continue:
			m.doubt("the sequential test was not decided: " + text)
			continue
		case adaptive.Reject:
			m.Count++
			m.blame(t.Trial)
		}
		m.N++
		m.Things = append(m.Things, fmt.Sprintf("%s: %s", t.Decision, text))
	}
}
