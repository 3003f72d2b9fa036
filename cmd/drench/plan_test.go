package main

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestPlan(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{"latency --limit '2.5 s' --quantile 95 --confidence 95 --true '2.1 s'", "run 59 trials, of which none may be later than 2.5 s"}, // Wilks
		{"latency --limit '2.5 s' --true '2.6 s'", "It can't be shown that p95 is below 2.5 s if the true p95 is 2.6 s"},
		{"latency --limit '2.5 s' --true '2.1 s' --shape lognormal --sd '500 ms' --u '10 ms'", "lognormal with a standard deviation of 500 ms"},
		{"missed --limit 5% --confidence 95 --true 1%", "run 153 trials, of which at most 3 may be missed"}, // R pbinom
		{"rate --limit '0.5 per h' --confidence 90 --true '0.1 per h'", "Below 4.6052 h it can't be shown"}, // -ln 0.1/0.5
		{"duts --limit 10% --confidence 90", "test 22 DUTs, of which none may be defective"},                // success run
		{"duts --limit 5% --confidence 90% --lot 100", "from a lot of 100, of which at most 5 may be defective"},
		{"shift --shift '1 s' --sd '580 ms' --seed 3", "To see a shift of 1 s, run "},
		{"shift --shift '2 K' --sd '0.5 K' --shape normal --alpha 1", "standard deviation of 0.5 K"},
	} {
		args := quoted(c.line)
		out, err := typed(newPlan(), args...)
		if err != nil || !strings.Contains(out, c.want) {
			t.Errorf("drench plan %s: %v\n%s; want %s", c.line, err, out, c.want)
		}
		out, err = typed(newPlan(), append(args, "--json")...)
		var answer struct {
			Plan, Answer string
			Inputs       map[string]string
			Assumptions  []string
			Curve        []map[string]float64
		}
		if err != nil || json.Unmarshal([]byte(out), &answer) != nil {
			t.Fatalf("drench plan %s --json: %v\n%s", c.line, err, out)
		}
		if answer.Plan != args[0] || answer.Answer == "" || answer.Inputs[args[1][2:]] != args[2] || len(answer.Assumptions) == 0 || len(answer.Curve) == 0 {
			t.Errorf("drench plan %s --json: %s", c.line, out)
		}
	}
}

func TestPlanRefuses(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{"latency --limit 2.5 --true '2 s'", `plan latency: --limit: "2.5" is not a number with a unit`},
		{"latency --limit '2.5 s'", `plan latency: --true: it is missing; expected a value such as "2 s"`},
		{"latency --limit '2.5 V' --true '2 s'", `"2.5 V" has the wrong unit; expected a value such as "2 s"`},
		{"missed --limit 5% --confidence 0.95", `--confidence: "0.95" is not a number of percent; expected one from 1 to below 100, such as 95`},
		{"missed --limit 5% --confidence 40", "plan missed: confidence is 0.4; expected a share above 0.5 and below 1"},
		{"shift --shift '100 ms' --sd '580 mV'", `--sd: "580 mV" has the wrong unit; expected a value such as "2 s"`},
		{"shift --shift 100 --sd '580 ms'", `plan shift: --shift: "100" is not a number with a unit`},
		{"duts --limit 1% --lot x", `invalid argument "x"`},
		{"weather", `unknown command "weather"`},
	} {
		if out, err := typed(newPlan(), quoted(c.line)...); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("drench plan %s: %v, printed %q; want %s", c.line, err, out, c.want)
		}
	}
}

// quoted splits a line as a shell does that knows single quotes only.
func quoted(line string) []string {
	var words []string
	for i, part := range strings.Split(line, "'") {
		if i%2 == 1 {
			words = append(words, part)
			continue
		}
		words = append(words, strings.Fields(part)...)
	}
	return words
}
