package report

import (
	"io"
	"time"

	"drench/results/verdict"
)

// Unrun is a run that a night was to make and that left no timeline: it was
// cancelled, or its bench was gone.
type Unrun struct {
	Scenario, DUT string
	Reason        string
	At            time.Time // wall time at which it ended
}

// NightJUnit writes the runs of a night as one document of JUnit-style XML: for
// each run, in the order given, the suite that JUnit writes of it, numbered
// from 0; and after them, for each that could not be made, a suite with an
// error, so that it can't be overlooked.
func NightJUnit(w io.Writer, runs []Input, unrun []Unrun) error {
	var night suitesXML
	for _, in := range runs {
		night.Suites = append(night.Suites, suite(in))
	}
	for _, u := range unrun {
		s := suiteXML{
			Name: token(u.Scenario+" on "+u.DUT, "run"), Package: "drench", Time: "0",
			Timestamp: u.At.UTC().Format("2006-01-02T15:04:05"), Hostname: "localhost",
		}
		s.add(u.Scenario, "run", verdict.Error, u.Reason, "")
		night.Suites = append(night.Suites, s)
	}
	for i := range night.Suites {
		night.Suites[i].ID = i
	}
	return writeXML(w, night)
}
