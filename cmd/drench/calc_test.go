package main

import (
	"bytes"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"drench/results/calc"

	"github.com/spf13/cobra"
)

// typed runs a command as typed and returns what it printed.
func typed(cmd *cobra.Command, args ...string) (string, error) {
	cmd.SilenceErrors, cmd.SilenceUsage = true, true
	var out bytes.Buffer
	cmd.SetOut(&out)
	cmd.SetErr(&out)
	cmd.SetArgs(args)
	err := cmd.Execute()
	return out.String(), err
}

// Each statistic's own example works as typed, its help shows it, and its JSON
// names what was asked.
func TestCalcExamples(t *testing.T) {
	list, err := typed(newCalc())
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range calc.Entries() {
		if !strings.Contains(list, "  "+e.Name+" ") || !strings.Contains(list, e.Source) {
			t.Errorf("the list does not show %s and its source", e.Name)
		}
		args := append([]string{e.Name}, strings.Fields(e.Example)...)
		if out, err := typed(newCalc(), args...); err != nil || out == "" {
			t.Errorf("drench calc %s: %v, printed %q", strings.Join(args, " "), err, out)
		}
		help, err := typed(newCalc(), e.Name, "--help")
		if err != nil || !strings.Contains(help, strings.TrimSpace("drench calc "+e.Name+" "+e.Example)) || !strings.Contains(help, e.Source) {
			t.Errorf("drench calc %s --help: %v\n%s", e.Name, err, help)
		}
		out, err := typed(newCalc(), append(args, "--json")...)
		var answer struct {
			Name, Source string
			Inputs       map[string]any
			Values       map[string]any
		}
		if err != nil || json.Unmarshal([]byte(out), &answer) != nil {
			t.Fatalf("drench calc %s --json: %v\n%s", e.Name, err, out)
		}
		if answer.Name != e.Name || answer.Source != e.Source || len(answer.Values) == 0 || len(answer.Inputs) < strings.Count(e.Example, "--") {
			t.Errorf("drench calc %s --json: %s", e.Name, out)
		}
	}
}

func TestCalcData(t *testing.T) {
	file := filepath.Join("..", "..", "testdata", "calc_freireich.csv")
	out, err := typed(newCalc(), "log-rank", "--data", file)
	if err != nil || !strings.Contains(out, "16.792940989") { // R survdiff
		t.Errorf("%v, printed %q", err, out)
	}
	out, err = typed(newCalc(), "survival-quantile", "--data", file, "--time", "time", "--json")
	if err != nil || !strings.Contains(out, `"time": "42 values of column time"`) {
		t.Errorf("%v, printed %s", err, out)
	}
}

func TestCalcRefuses(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"clopper"}, `calc: "clopper" is not a statistic; did you mean`},
		{[]string{"garwod"}, "did you mean poisson-rate?"},
		{[]string{"wilson", "--x", "4"}, "calc wilson: --n is missing: trials; expected a count"},
		{[]string{"wilson", "--x", "4", "--n", "3"}, "calc wilson: stats: x is 4; expected 0 to n = 3"},
		{[]string{"wilson", "--y", "4"}, "unknown flag: --y"},
		{[]string{"summary", "--data", "no-such.csv"}, "calc summary: open no-such.csv"},
		{[]string{"wilson", "4"}, `unknown command "4"`},
	} {
		if out, err := typed(newCalc(), c.args...); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %v, printed %q; want %s", c.args, err, out, c.want)
		}
	}
}
