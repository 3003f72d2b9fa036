package report

import (
	"io"
	"strings"
	"testing"
	"time"

	"drench/results/limits"
	"drench/results/verdict"
)

// TestNightJUnit: a night is the suites of its runs, as JUnit writes each,
// numbered from 0.
func TestNightJUnit(t *testing.T) {
	var night []Input
	for i, v := range []verdict.Verdict{verdict.Pass, verdict.Fail, verdict.Inconc} {
		in := small(t)
		in.Run.ID = int64(i + 1)
		in.Judgement = limits.Judgement{Verdict: v, Reason: "a < b & c", Results: []limits.Result{{Limit: limits.Limit{Text: "x < 1"}, Verdict: v, Reason: "because"}}}
		night = append(night, in)
	}
	write := func(w io.Writer, _ Input) error { return NightJUnit(w, night, nil) }
	text := render(t, write, Input{})
	if got := len(readJUnit(t, text).Suites); got != 3 {
		t.Fatalf("%d suites, want 3", got)
	}
	suite := func(text string) string {
		_, text, _ = strings.Cut(text, "<testsuite ")
		text, _, _ = strings.Cut(text, "</testsuites>")
		return strings.TrimSpace(strings.ReplaceAll(text, ` id="0"`, ""))
	}
	rest := text
	for i, in := range night {
		_, after, ok := strings.Cut(rest, "<testsuite ")
		if !ok {
			t.Fatalf("no suite %d", i)
		}
		one, _, _ := strings.Cut(after, "<testsuite ")
		one = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(one), "</testsuites>"))
		id := ` id="` + string(rune('0'+i)) + `"`
		if !strings.Contains(one, id) {
			t.Errorf("suite %d lacks%s", i, id)
		}
		if want := suite(render(t, JUnit, in)); strings.Replace(one, id, "", 1) != want {
			t.Errorf("suite %d is\n%s\nalone it is\n%s", i, one, want)
		}
		rest = after
	}
}

// A night without runs is a document all the same.
func TestNightJUnitEmpty(t *testing.T) {
	text := render(t, func(w io.Writer, _ Input) error { return NightJUnit(w, nil, nil) }, Input{})
	if got := len(readJUnit(t, text).Suites); got != 0 {
		t.Errorf("%d suites", got)
	}
}

// A run that a night did not make is an error in a suite of its own.
func TestNightJUnitUnrun(t *testing.T) {
	gone := []Unrun{{Scenario: "spray", DUT: "unit 7", Reason: "cancelled by ann", At: time.Date(2026, 11, 25, 22, 0, 0, 0, time.UTC)}}
	text := render(t, func(w io.Writer, _ Input) error { return NightJUnit(w, []Input{small(t)}, gone) }, Input{})
	suites := readJUnit(t, text).Suites
	if len(suites) != 2 {
		t.Fatalf("%d suites, want 2", len(suites))
	}
	for _, want := range []string{`name="spray on unit 7"`, `errors="1"`, `id="1"`, `message="cancelled by ann" type="error"`, `timestamp="2026-11-25T22:00:00"`} {
		if !strings.Contains(text, want) {
			t.Errorf("it lacks %s:\n%s", want, text)
		}
	}
}
