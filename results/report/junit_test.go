package report

import (
	"encoding/xml"
	"io"
	"strconv"
	"strings"
	"testing"

	"drench/results/limits"
	"drench/results/verdict"
)

// junit is what a reader of JUnit-style XML looks at.
type junit struct {
	XMLName xml.Name `xml:"testsuites"`
	Suites  []struct {
		Attrs []xml.Attr `xml:",any,attr"`
		Cases []struct {
			Name      string   `xml:"name,attr"`
			ClassName string   `xml:"classname,attr"`
			Time      string   `xml:"time,attr"`
			Failures  []result `xml:"failure"`
			Errors    []result `xml:"error"`
			Skipped   []result `xml:"skipped"`
		} `xml:"testcase"`
	} `xml:"testsuite"`
}

type result struct {
	Message string `xml:"message,attr"`
	Type    string `xml:"type,attr"`
}

func readJUnit(t *testing.T, text string) junit {
	t.Helper()
	var j junit
	if err := xml.Unmarshal([]byte(text), &j); err != nil {
		t.Fatal(err)
	}
	return j
}

// TestJUnitVerdicts walks every verdict of a limit: fail is a failure, what
// can't be judged an error, and nothing is ever skipped.
func TestJUnitVerdicts(t *testing.T) {
	for v, want := range map[verdict.Verdict]string{
		verdict.Pass: "", verdict.Fail: "failure", verdict.Inconc: "error", verdict.Error: "error", verdict.None: "error",
	} {
		in := small(t)
		in.Judgement = limits.Judgement{Verdict: v, Results: []limits.Result{{Limit: limits.Limit{Text: "x < 1"}, Verdict: v, Reason: "because"}}}
		j := readJUnit(t, render(t, JUnit, in))
		c := j.Suites[0].Cases[0]
		got := ""
		var r result
		switch {
		case len(c.Failures) == 1:
			got, r = "failure", c.Failures[0]
		case len(c.Errors) == 1:
			got, r = "error", c.Errors[0]
		}
		if got != want || len(c.Failures)+len(c.Errors) > 1 || len(c.Skipped) > 0 {
			t.Errorf("%v became %q", v, got)
		}
		if want != "" && (r.Type != v.String() || r.Message != "because") {
			t.Errorf("%v: type %q, message %q", v, r.Type, r.Message)
		}
		if c.ClassName != "drip" || c.Name != "x < 1" || c.Time == "" {
			t.Errorf("%v: case %+v", v, c)
		}
	}
}

// TestJUnitRunCase has the run's own verdict in a case when the limits don't
// explain it.
func TestJUnitRunCase(t *testing.T) {
	for _, c := range []struct {
		run    verdict.Verdict
		limits []verdict.Verdict
		want   string
	}{
		{verdict.Error, []verdict.Verdict{verdict.Pass, verdict.Fail}, "error"},
		{verdict.Fail, []verdict.Verdict{verdict.Pass, verdict.Fail}, ""},
		{verdict.Pass, nil, "pass"},
		{verdict.None, nil, "none"},
		{verdict.Fail, nil, "fail"},
	} {
		in := small(t)
		in.Set.Trips = []string{"tray overflow"}
		in.Judgement = limits.Judgement{Verdict: c.run, Reason: "why"}
		for _, v := range c.limits {
			in.Judgement.Results = append(in.Judgement.Results, limits.Result{Limit: limits.Limit{Text: v.String()}, Verdict: v})
		}
		got := ""
		for _, tc := range readJUnit(t, render(t, JUnit, in)).Suites[0].Cases {
			if tc.Name != "run" {
				continue
			}
			got = "pass"
			for _, r := range append(tc.Failures, tc.Errors...) {
				got = r.Type
			}
		}
		if got != c.want {
			t.Errorf("%v over %v: run case %q, want %q", c.run, c.limits, got, c.want)
		}
	}
}

// TestJUnitCounts holds the attributes that readers add up against the cases,
// and demands those that the schemas require.
func TestJUnitCounts(t *testing.T) {
	s := readJUnit(t, render(t, JUnit, large(t))).Suites[0]
	attrs := map[string]string{}
	for _, a := range s.Attrs {
		attrs[a.Name.Local] = a.Value
	}
	failures, errs := 0, 0
	for _, c := range s.Cases {
		failures += len(c.Failures)
		errs += len(c.Errors)
	}
	for name, want := range map[string]string{
		"tests": strconv.Itoa(len(s.Cases)), "failures": strconv.Itoa(failures), "errors": strconv.Itoa(errs), "skipped": "0",
		"timestamp": "2026-01-02T03:04:05", "time": "723.5", "hostname": "virtual", "id": "0", "package": "drench", "name": "drip on unit 17",
	} {
		if attrs[name] != want {
			t.Errorf("%s is %q, want %q", name, attrs[name], want)
		}
	}
	if failures != 2 || errs != 2 || len(s.Cases) != 6 {
		t.Errorf("%d failures, %d errors of %d", failures, errs, len(s.Cases))
	}
}

// TestJUnitOrder holds the elements to the order that the stricter schema
// demands: properties, cases, system-out, system-err.
func TestJUnitOrder(t *testing.T) {
	d := xml.NewDecoder(strings.NewReader(render(t, JUnit, large(t))))
	var order []string
	for depth := 0; ; {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			if depth++; depth == 3 && (len(order) == 0 || order[len(order)-1] != e.Name.Local) {
				order = append(order, e.Name.Local)
			}
		case xml.EndElement:
			depth--
		}
	}
	if got := strings.Join(order, " "); got != "properties testcase system-out system-err" {
		t.Errorf("order %q", got)
	}
}

// TestJUnitHostileText has text in it that XML forbids.
func TestJUnitHostileText(t *testing.T) {
	in := small(t)
	bad := "a\x00b\x1b[0m]]><x>\xff\ufffe\u0085 & \"q\" 'p'"
	in.Run.DUT, in.Judgement.Reason, in.Set.Interrupted = bad, bad, bad
	in.Judgement.Results[0].Reason, in.Judgement.Results[0].Limit.Text = bad, bad+"\n two"
	text := render(t, JUnit, in)
	readJUnit(t, text) // refuses what XML does
	for _, r := range text {
		if r < ' ' && r != '\n' && r != '\t' || r >= 0x7f && r < 0xa0 || r == 0xfffe {
			t.Errorf("%q is in the file", r)
		}
	}
	if name := readJUnit(t, text).Suites[0].Cases[0].Name; strings.ContainsAny(name, "\n\t") || strings.Contains(name, "  ") {
		t.Errorf("name %q isn't a token", name)
	}
}
