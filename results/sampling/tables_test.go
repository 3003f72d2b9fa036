package sampling

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// MIL-STD-105E (1989) table I, as held by R package AQLSchemes 1.7-2.
func TestCodeLetter(t *testing.T) {
	levels := []Level{LevelS1, LevelS2, LevelS3, LevelS4, LevelI, LevelII, LevelIII}
	for _, row := range []struct {
		first, last int
		letters     string
	}{
		{2, 8, "AAAA AAB"}, {9, 15, "AAAA ABC"}, {16, 25, "AABB BCD"}, {26, 50, "ABBC CDE"},
		{51, 90, "BBCC CEF"}, {91, 150, "BBCD DFG"}, {151, 280, "BCDE EGH"}, {281, 500, "BCDE FHJ"},
		{501, 1200, "CCEF GJK"}, {1201, 3200, "CDEG HKL"}, {3201, 10000, "CDFG JLM"},
		{10001, 35000, "CDFH KMN"}, {35001, 150000, "DEGJ LNP"}, {150001, 500000, "DEGJ MPQ"},
		{500001, math.MaxInt, "DEHK NQR"},
	} {
		want := strings.ReplaceAll(row.letters, " ", "")
		for i, level := range levels {
			for _, lot := range []int{row.first, row.last} {
				got, err := CodeLetter(lot, level)
				if err != nil || string(got) != want[i:i+1] {
					t.Errorf("lot %d, level %s: %q, error %v, want %q", lot, level, got, err, want[i:i+1])
				}
			}
		}
	}
	for _, lot := range []int{-1, 0, 1} {
		_, err := CodeLetter(lot, LevelII)
		refused(t, "lot", err, fmt.Sprintf("lot is %d", lot))
	}
	_, err := CodeLetter(100, "IV")
	refused(t, "level", err, `level is "IV"`)
}

// Spot checks of MIL-STD-105E tables II-A to II-C, as held by R package
// AQLSchemes 1.7-2.
func TestSelect(t *testing.T) {
	for _, c := range []struct {
		name     string
		lot      int
		level    Level
		aql      float64
		severity Severity
		letter   Letter
		plan     Plan
		whole    bool
	}{
		{"normal", 1000, LevelII, 1.0, Normal, "J", Plan{80, 2, 3}, false},
		{"tightened", 1000, LevelII, 1.0, Tightened, "J", Plan{80, 1, 2}, false},
		{"reduced", 1000, LevelII, 1.0, Reduced, "J", Plan{32, 1, 3}, false},
		{"arrow up", 300, LevelII, 0.4, Normal, "H", Plan{32, 0, 1}, false},
		{"lot as large as the sample", 20, LevelII, 0.65, Normal, "C", Plan{20, 0, 1}, true},
		{"lot smaller than the sample", 18, LevelII, 0.65, Normal, "C", Plan{18, 0, 1}, true},
		{"smallest lot", 2, LevelII, 6.5, Normal, "A", Plan{2, 0, 1}, true},
		// row A at AQL 10 follows its arrow down (AQLSchemes)
		{"A at 10, normal", 9, LevelI, 10, Normal, "A", Plan{5, 1, 2}, false},
		{"A at 10, tightened", 9, LevelI, 10, Tightened, "A", Plan{8, 1, 2}, false},
		{"largest, arrow up", 1_000_000, LevelIII, 1.0, Normal, "R", Plan{1250, 21, 22}, false},
	} {
		got, err := Select(c.lot, c.level, c.aql, c.severity)
		if err != nil || got != (Selection{c.plan, c.letter, c.whole}) {
			t.Errorf("%s: %+v, error %v, want %+v", c.name, got, err, c)
		}
	}
	for _, c := range []struct {
		name     string
		lot      int
		level    Level
		aql      float64
		severity Severity
		want     string
	}{
		{"lot of one", 1, LevelII, 1, Normal, "lot is 1"},
		{"level", 100, "2", 1, Normal, `level is "2"`},
		{"AQL out of the table", 100, LevelII, 0.7, Normal, "aql is 0.7"},
		{"AQL as a fraction", 100, LevelII, 0.01, Normal, "aql is 0.01"},
		{"NaN AQL", 100, LevelII, math.NaN(), Normal, "aql is NaN"},
		{"stopped", 100, LevelII, 1, Stopped, "severity is stopped"},
		{"severity", 100, LevelII, 1, Severity(9), "severity is Severity(9)"},
	} {
		_, err := Select(c.lot, c.level, c.aql, c.severity)
		refused(t, c.name, err, c.want)
	}
}

// The tables run along diagonals: what stands in a cell goes by letter index
// plus AQL index (MIL-STD-105E tables II-A, II-B). Row A at AQL 10 is the one
// that differs, in both.
func TestTablesFollowDiagonals(t *testing.T) {
	for name, diagonal := range map[string][]string{
		"tables/normal.csv":    strings.Fields("0 ^ v 1 2 3 5 7 10 14 21 ^"),
		"tables/tightened.csv": strings.Fields("0 v v 1 2 3 5 8 12 18 ^"),
	} {
		_, rows, err := readTable(name)
		if err != nil {
			t.Fatal(err)
		}
		// in row A the 0 stands at AQL 6.5 (normal); one step on (tightened)
		zero := map[string]int{"tables/normal.csv": 10, "tables/tightened.csv": 11}[name]
		for i, row := range rows {
			for j, cell := range row[2:] {
				k := i + j - zero
				want := "v"
				if k >= 0 {
					want = diagonal[min(k, len(diagonal)-1)]
				}
				if i == 0 && j == 11 {
					want = "v"
				}
				if cell != want {
					t.Errorf("%s: row %s, column %d: %q, the diagonal has %q", name, row[0], j, cell, want)
				}
			}
		}
	}
}

// Reduced inspection, rows D to R where the diagonal has a plan of its own.
func TestReducedFollowsDiagonals(t *testing.T) {
	diagonal := strings.Fields("0:1 ^ v 0:2 1:3 1:4 2:5 3:6 5:8 7:10 10:13")
	sizes := []int{2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800}
	_, rows, err := readTable("tables/reduced.csv")
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for i := 3; i < len(rows); i++ {
		for j, cell := range rows[i][1:] {
			k := i + j - 10
			if k < 0 || k >= len(diagonal) || diagonal[k] == "^" || diagonal[k] == "v" {
				continue
			}
			checked++
			if want := fmt.Sprintf("%d:%s", sizes[i], diagonal[k]); cell != want {
				t.Errorf("row %s, column %d: %q, the diagonal has %q", rows[i][0], j, cell, want)
			}
		}
	}
	if checked < 70 {
		t.Errorf("only %d cells were checked", checked)
	}
}

// Every lot, level, AQL and severity of the standard has a plan, of no more
// units than the lot, and tightened inspection never accepts more.
func TestSelectIsTotal(t *testing.T) {
	aqls, err := AQLs()
	if err != nil || len(aqls) != 12 || !slices.IsSorted(aqls) || aqls[0] != 0.065 || aqls[11] != 10 {
		t.Fatalf("AQLs %v, error %v", aqls, err)
	}
	rapid.Check(t, func(t *rapid.T) {
		lot := rapid.IntRange(2, 1_000_000).Draw(t, "lot")
		level := rapid.SampledFrom([]Level{LevelS1, LevelS2, LevelS3, LevelS4, LevelI, LevelII, LevelIII}).Draw(t, "level")
		aql := rapid.SampledFrom(aqls).Draw(t, "aql")
		var oc [3]float64
		for severity := range Stopped {
			s, err := Select(lot, level, aql, severity)
			if err != nil {
				t.Fatal(err)
			}
			if s.N > lot || s.Whole != (s.N == lot) || s.check() != nil {
				t.Fatalf("lot %d: %+v", lot, s)
			}
			if oc[severity], err = s.OC(Binomial, aql/100); err != nil {
				t.Fatal(err)
			}
		}
		if oc[Tightened] > oc[Normal]+1e-12 {
			t.Fatalf("at the AQL tightened accepts with %v, normal with %v", oc[Tightened], oc[Normal])
		}
	})
}

func TestSeverityText(t *testing.T) {
	for s := range Stopped + 1 {
		text, err := json.Marshal(s)
		var back Severity
		if err != nil || json.Unmarshal(text, &back) != nil || back != s {
			t.Errorf("%v: %s, error %v, read back as %v", s, text, err, back)
		}
		if parsed, err := ParseSeverity(s.String()); err != nil || parsed != s {
			t.Errorf("%v: parsed as %v, error %v", s, parsed, err)
		}
	}
	if _, err := json.Marshal(Severity(9)); err == nil {
		t.Error("an unknown severity was written")
	}
	var s Severity
	refused(t, "unknown", json.Unmarshal([]byte(`"lax"`), &s), `severity is "lax"`)
}
