package report

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
)

// nightXML is a night's document: suitesXML with a suite for each run.
type nightXML struct {
	XMLName xml.Name   `xml:"testsuites"`
	Suites  []suiteXML `xml:"testsuite"`
}

// NightJUnit writes the runs of a night as one document of JUnit-style XML: for
// each run, in the order given, the suite that JUnit writes of it, numbered
// from 0.
func NightJUnit(w io.Writer, runs []Input) error {
	var night nightXML
	for i, in := range runs {
		s, err := suiteOf(in)
		if err != nil {
			return fmt.Errorf("test results of run %d: %w", in.Run.ID, err)
		}
		s.ID = i
		night.Suites = append(night.Suites, s)
	}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return fmt.Errorf("write test results: %w", err)
	}
	e := xml.NewEncoder(w)
	e.Indent("", "\t")
	if err := e.Encode(night); err != nil {
		return fmt.Errorf("write test results: %w", err)
	}
	if _, err := io.WriteString(w, "\n"); err != nil {
		return fmt.Errorf("write test results: %w", err)
	}
	return nil
}

// suiteOf reads back what JUnit writes, so that there is one place which says
// how a run becomes a suite.
func suiteOf(in Input) (suiteXML, error) {
	var b bytes.Buffer
	if err := JUnit(&b, in); err != nil {
		return suiteXML{}, err
	}
	var doc suitesXML
	if err := xml.Unmarshal(b.Bytes(), &doc); err != nil {
		return suiteXML{}, fmt.Errorf("read the suite back: %w", err)
	}
	return doc.Suite, nil
}
