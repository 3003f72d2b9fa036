package measure

import (
	"drench/results/verdict"
)

// finding is what a trial gives to one measure: a sample, one of N of which
// bad went wrong, or a number of events. With doubt set it should have given
// one but can't, and doubt says why.
type finding struct {
	measure string
	sample  *Sample // of Samples
	bad     bool    // of Proportion
	count   int     // of Events
	graded  *Graded // of a Curve
	sure    bool    // a proof of failure, which holds even if the trial is in doubt
	doubt   string
}

// outcome is a trial's findings; they are kept to the end, as lost edges may be
// reported after the trial.
type outcome struct {
	trial    *Trial
	findings []finding
	why      string // doubt that arose while the trial was open
}

// doubt makes the trial inconclusive, but for what is sure.
func (o *outcome) doubt(why string) {
	failed := false
	for i := range o.findings {
		f := &o.findings[i]
		if f.sure {
			failed = true
			continue
		}
		if f.doubt == "" {
			*f = finding{measure: f.measure, doubt: why}
		}
	}
	if !failed {
		o.trial.Verdict, o.trial.Reason = verdict.Inconc, why
	}
}

// enter books the findings.
func (o *outcome) enter(l ledger) {
	for _, f := range o.findings {
		m := l.of(f.measure)
		if f.doubt != "" {
			m.doubt(f.doubt)
			continue
		}
		if f.bad || f.count > 0 {
			m.blame(o.trial.N)
		}
		switch m.Kind {
		case Samples:
			f.sample.Trial = o.trial.N
			m.Samples = append(m.Samples, *f.sample)
		case Curve:
			f.graded.Trial = o.trial.N
			m.Graded = append(m.Graded, *f.graded)
			m.N++
		case Proportion:
			m.N++
			if f.bad {
				m.Count++
			}
		case Events:
			m.N++
			m.Count += f.count
		}
	}
}

// set gives the trial its verdict; a higher one that it already has stays.
func (t *Trial) set(v verdict.Verdict, why string) {
	if v > t.Verdict {
		t.Verdict, t.Reason = v, why
	}
}
