package report

import (
	"io"
	"strings"
	"testing"

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
	write := func(w io.Writer, _ Input) error { return NightJUnit(w, night) }
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
	text := render(t, func(w io.Writer, _ Input) error { return NightJUnit(w, nil) }, Input{})
	if got := len(readJUnit(t, text).Suites); got != 0 {
		t.Errorf("%d suites", got)
	}
}
