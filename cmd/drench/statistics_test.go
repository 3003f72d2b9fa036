package main

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"drench/results/calc"

	"github.com/spf13/cobra"
)

var updateStatistics = flag.Bool("update-statistics", false, "write the output of the commands in docs/statistics.md into it")

var consoleBlock = regexp.MustCompile("(?s)```console\n(.*?)```")

// Each command in docs/statistics.md prints what the page shows, and each
// statistic is in it.
func TestStatisticsPage(t *testing.T) {
	t.Chdir(filepath.Join("..", ".."))
	const path = "docs/statistics.md"
	page, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	shown := map[string]bool{}
	fresh := consoleBlock.ReplaceAllStringFunc(string(page), func(block string) string {
		body := consoleBlock.FindStringSubmatch(block)[1]
		var out strings.Builder
		for _, part := range strings.Split("\n"+body, "\n$ ")[1:] {
			line, want, _ := strings.Cut(part, "\n")
			got := printed(t, line, shown)
			if !*updateStatistics && !alike(got, want) {
				t.Errorf("$ %s\nprints\n%s\nthe page shows\n%s", line, got, want)
			}
			fmt.Fprintf(&out, "$ %s\n%s", line, got)
		}
		return "```console\n" + out.String() + "```"
	})
	for _, e := range calc.Entries() {
		if !shown[e.Name] {
			t.Errorf("%s shows no drench calc %s", path, e.Name)
		}
	}
	if *updateStatistics {
		if err := os.WriteFile(path, []byte(fresh), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// printed runs a command line and notes which statistic it showed.
func printed(t *testing.T, line string, shown map[string]bool) string {
	t.Helper()
	words := quoted(strings.ReplaceAll(line, `"`, "'"))
	commands := map[string]func() *cobra.Command{"calc": newCalc, "plan": newPlan}
	if len(words) < 3 || words[0] != "drench" || commands[words[1]] == nil {
		t.Fatalf("%q is not a command of these", line)
	}
	shown[words[2]] = true
	out, err := typed(commands[words[1]](), words[2:]...)
	if err != nil {
		t.Errorf("$ %s: %v", line, err)
	}
	return out
}

// alike compares word by word, numbers to nine digits, as the last ones depend
// on the processor.
func alike(a, b string) bool {
	x, y := strings.Fields(a), strings.Fields(b)
	if len(x) != len(y) {
		return false
	}
	for i := range x {
		v, err1 := strconv.ParseFloat(x[i], 64)
		w, err2 := strconv.ParseFloat(y[i], 64)
		number := err1 == nil && err2 == nil
		if !number && x[i] != y[i] || number && math.Abs(v-w) > 1e-9*math.Max(1, math.Abs(w)) {
			return false
		}
	}
	return true
}
