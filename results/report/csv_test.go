package report

import (
	"encoding/csv"
	"strings"
	"testing"

	"drench/results/verdict"
)

// TestCSV reads the table back: every row ends with CRLF, and what stands
// under a column's name is what the trial had.
func TestCSV(t *testing.T) {
	in := small(t)
	in.Set.Trials[2].Reason = "two\nlines, \"quoted\""
	text := render(t, CSV, in)
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 5 || !strings.HasSuffix(text, "\r\n") {
		t.Fatalf("%d rows in %q", len(rows), text)
	}
	cell := func(trial int, column string) string {
		for i, name := range rows[0] {
			if name == column {
				return rows[trial][i]
			}
		}
		t.Fatalf("no column %s", column)
		return ""
	}
	for _, c := range []struct {
		trial        int
		column, want string
	}{
		{1, "trial", "1"}, {1, "kind", "wet"}, {1, "begin_s", "2.5"}, {1, "end_s", "4.251"}, {1, "within_s", "4"}, {1, "dose_ml", "0.4"},
		{1, "wetting_s", "2.747"}, {1, "wetting_u_s", "0.001"}, {1, "wetting_source", "witness electrode"}, {1, "drops", "1"},
		{1, "detected", "true"}, {1, "detect_s", "4.25"}, {1, "latency_s", "1.503"}, {1, "latency_u_s", "0.001001249"}, {1, "verdict", "pass"},
		{2, "latency_s", ""}, {2, "detect_s", ""}, {2, "verdict", verdict.Fail.String()}, {2, "reason", "no answer within 4 s"},
		{3, "label", "one drop, \"small\""}, {3, "reason", "two\nlines, \"quoted\""}, {3, "wetting_s", ""},
		{4, "dip_shape", "interruption"}, {4, "dip_source_impedance", "low"}, {4, "dip_from_v", "3.3"}, {4, "dip_level_v", "0"},
		{4, "dip_width_s", "0.03"}, {4, "rail_lowest_v", "0.12"}, {4, "rail_low_s", "0.028"}, {4, "restarted", "true"}, {1, "restarted", ""},
	} {
		if got := cell(c.trial, c.column); got != c.want {
			t.Errorf("trial %d, %s: %q, want %q", c.trial, c.column, got, c.want)
		}
	}
}
