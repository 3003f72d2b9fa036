package report

import (
	"encoding/xml"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"drench/results/limits"
	"drench/results/verdict"
)

// The elements of JUnit-style XML, in the order and with the attributes that
// both public schemas in use (windyroad's JUnit.xsd and junit-10.xsd) accept.
type (
	suitesXML struct {
		XMLName xml.Name   `xml:"testsuites"`
		Suites  []suiteXML `xml:"testsuite"`
	}
	suiteXML struct {
		Name       string        `xml:"name,attr"`
		Package    string        `xml:"package,attr"`
		ID         int           `xml:"id,attr"`
		Tests      int           `xml:"tests,attr"`
		Failures   int           `xml:"failures,attr"`
		Errors     int           `xml:"errors,attr"`
		Skipped    int           `xml:"skipped,attr"`
		Time       string        `xml:"time,attr"`
		Timestamp  string        `xml:"timestamp,attr"`
		Hostname   string        `xml:"hostname,attr"`
		Properties []propertyXML `xml:"properties>property"`
		Cases      []caseXML     `xml:"testcase"`
		Out        string        `xml:"system-out"`
		Err        string        `xml:"system-err"`
	}
	propertyXML struct {
		Name  string `xml:"name,attr"`
		Value string `xml:"value,attr"`
	}
	caseXML struct {
		Name      string     `xml:"name,attr"`
		ClassName string     `xml:"classname,attr"`
		Time      string     `xml:"time,attr"`
		Error     *resultXML `xml:"error"`
		Failure   *resultXML `xml:"failure"`
	}
	resultXML struct {
		Message string `xml:"message,attr"`
		Type    string `xml:"type,attr"`
		Text    string `xml:",chardata"`
	}
)

// JUnit writes the judgement as JUnit-style XML: a suite for the run, a case
// for each limit. A broken limit is a failure; one that could not be judged
// (inconc, error, none) is an error of that type, as skipping it would turn a
// build green. If the run's verdict is worse than that of each limit, a case
// called "run" carries it.
func JUnit(w io.Writer, in Input) error { return writeXML(w, suitesXML{Suites: []suiteXML{suite(in)}}) }

// suite is a run's.
func suite(in Input) suiteXML {
	s := suiteXML{
		Name:       token(in.Header.Scenario+" on "+in.Run.DUT, "run"),
		Package:    "drench",
		Time:       elapsed(in),
		Timestamp:  in.Run.Started.UTC().Format("2006-01-02T15:04:05"),
		Hostname:   token(in.Header.Bench, "localhost"),
		Properties: properties(in),
		Out:        printable(in.Judgement.Reason),
		Err:        printable(in.Set.Interrupted),
	}
	worst := verdict.None
	for _, r := range in.Judgement.Results {
		worst = worst.Overwrite(r.Verdict)
		s.add(in.Header.Scenario, r.Limit.Text, r.Verdict, r.Reason, detail(r))
	}
	if in.Judgement.Verdict > worst || len(in.Judgement.Results) == 0 {
		s.add(in.Header.Scenario, "run", in.Judgement.Verdict, in.Judgement.Reason, strings.Join(in.Set.Trips, "\n"))
	}
	return s
}

func writeXML(w io.Writer, doc suitesXML) error {
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return fmt.Errorf("write test results: %w", err)
	}
	e := xml.NewEncoder(w)
	e.Indent("", "\t")
	if err := e.Encode(doc); err != nil {
		return fmt.Errorf("write test results: %w", err)
	}
	if _, err := io.WriteString(w, "\n"); err != nil {
		return fmt.Errorf("write test results: %w", err)
	}
	return nil
}

func (s *suiteXML) add(scenario, name string, v verdict.Verdict, reason, text string) {
	c := caseXML{Name: token(name, "limit"), ClassName: token(scenario, "scenario"), Time: "0"}
	r := &resultXML{printable(reason), v.String(), printable(text)}
	s.Tests++
	switch v {
	case verdict.Pass:
	case verdict.Fail:
		c.Failure = r
		s.Failures++
	default:
		c.Error = r
		s.Errors++
	}
	s.Cases = append(s.Cases, c)
}

// token is text as the schemas' xs:token has it: no line breaks, no spaces at
// the ends or in a row; never empty.
func token(s, otherwise string) string {
	if s = strings.Join(strings.Fields(printable(s)), " "); s == "" {
		return otherwise
	}
	return s
}

func properties(in Input) []propertyXML {
	list := []propertyXML{
		{"run", strconv.FormatInt(in.Run.ID, 10)},
		{"verdict", in.Judgement.Verdict.String()},
		{"dut", printable(in.Run.DUT)},
		{"bench", printable(in.Header.Bench)},
		{"seed", strconv.FormatUint(in.Header.Seed, 10)},
		{"limits", printable(in.Run.LimitsName)},
		{"timeline_sha256", in.Run.Sum},
		{"tool", tool(in.Header.Tool)},
	}
	return list
}

// elapsed is the run's length in seconds: wall time, or the bench's if the end
// isn't known.
func elapsed(in Input) string {
	d := in.Run.Ended.Sub(in.Run.Started)
	if in.Run.Ended.IsZero() || d < 0 {
		d = into(in, in.Set.End)
	}
	return decimal(int64(d/time.Millisecond), 3)
}

// detail says in lines what was found.
func detail(r limits.Result) string {
	lines := []string{"found " + found(r), "bound " + bound(r).Text, "margin " + margin(r), fmt.Sprintf("n %d", r.N)}
	if r.Needed > 0 {
		lines = append(lines, fmt.Sprintf("needed %d", r.Needed))
	}
	if r.Method != "" {
		lines = append(lines, "method "+r.Method)
	}
	return strings.Join(lines, "\n")
}
