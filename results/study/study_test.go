package study

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"drench/results/limits"
)

// published is the crossed study in testdata, whose source is in its header,
// in thousandths so that it has whole numbers as limits do.
func published(t *testing.T) []Reading {
	t.Helper()
	f, err := os.Open("../../testdata/calc_gauge.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c := csv.NewReader(f)
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var all []Reading
	for i, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, Reading{DUT: row[0], By: row[1], Run: int64(i), Value: 1000 * v})
	}
	return all
}

func TestPublishedStudy(t *testing.T) {
	l := limits.Limit{Op: "<", Value: 4000}
	r, err := Analyse(published(t), l)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.DUTs) != 10 || len(r.By) != 3 || r.Repeats != 3 {
		t.Fatalf("%d DUTs, %d appraisers, %d repeats; want 10, 3, 3", len(r.DUTs), len(r.By), r.Repeats)
	}
	for _, c := range []struct {
		what      string
		got, want float64
	}{ // AIAG, Measurement Systems Analysis, 4th ed., its ANOVA table, pooled; digits by R
		{"EV", r.EV, 199.933179721}, {"AV", r.AV, 226.837521496}, {"GRR", r.GRR, 302.371522323},
		{"PV", r.PV, 1042.327493838}, {"GRR of total", r.OfTotal, 27.86065088}, {"ndc", float64(r.NDC), 4},
	} {
		if math.Abs(c.got-c.want) > 1e-8*c.want {
			t.Errorf("%s is %v, want %v", c.what, c.got, c.want)
		}
	}
	if r.Grade != Marginal || !strings.Contains(r.Because, "fewer than 5") {
		t.Errorf("grade %q because %q; want marginal, with the classes", r.Grade, r.Because)
	}
	if !(r.GRRBand.Lower < r.GRR && r.GRR < r.GRRBand.Upper) {
		t.Errorf("interval %+v of GRR misses its estimate %v", r.GRRBand, r.GRR)
	}
	if want := 1.6448536 * r.GRR; math.Abs(r.Guard-want) > 1e-3 { // ISO 14253-1:2017, one limit, 95 %
		t.Errorf("guard band %v, want %v", r.Guard, want)
	}
	if !(r.Guarded.Consumer < r.Plain.Consumer && r.Guarded.Producer > r.Plain.Producer) {
		t.Errorf("a guard band must lower the chance of a wrong accept and raise that of a wrong reject: %+v, %+v", r.Plain, r.Guarded)
	}
}

// A limit from below mirrors one from above.
func TestMirror(t *testing.T) {
	up := published(t)
	down := published(t)
	for i := range down {
		down[i].Value = -down[i].Value
	}
	a, err := Analyse(up, limits.Limit{Op: "<=", Value: 2500})
	if err != nil {
		t.Fatal(err)
	}
	b, err := Analyse(down, limits.Limit{Op: ">=", Value: -2500})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range [][2]float64{{a.OfLimit, b.OfLimit}, {a.Guard, b.Guard}, {a.Plain.Consumer, b.Plain.Consumer}, {a.Guarded.Producer, b.Guarded.Producer}} {
		if math.Abs(c[0]-c[1]) > 1e-9*math.Abs(c[0]) {
			t.Errorf("%v from above, %v from below", c[0], c[1])
		}
	}
}

func TestIncomplete(t *testing.T) {
	whole := published(t)
	l := limits.Limit{Op: "<", Value: 4000}
	for name, c := range map[string]struct {
		readings []Reading
		want     string
	}{
		"nothing":      {nil, "no runs"},
		"one DUT":      {whole[:9], "one DUT"},
		"one operator": {only(whole, func(r Reading) bool { return r.By == "A" }), "two rigs or operators"},
		"a hole":       {whole[1:], "1 by A has 2 runs of 3"},
		"once each":    {only(whole, func(r Reading) bool { return r.Run%3 == 0 }), "has 1 runs of 2"},
	} {
		_, err := Analyse(c.readings, l)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want it to say %q", name, err, c.want)
		}
	}
	var hole *UnbalancedError
	if _, err := Analyse(whole[1:], l); !errors.As(err, &hole) || len(hole.Missing) != 1 {
		t.Errorf("%v; want the one missing cell", err)
	}
}

func only(readings []Reading, keep func(Reading) bool) (kept []Reading) {
	for _, r := range readings {
		if keep(r) {
			kept = append(kept, r)
		}
	}
	return kept
}

// draw simulates a study of known variances.
func draw(rng *rand.Rand, duts, by, repeats int, pv, av, iv, ev float64) (all []Reading) {
	off := make([]float64, by)
	for j := range off {
		off[j] = av * rng.NormFloat64()
	}
	for i := range duts {
		part := pv * rng.NormFloat64()
		for j := range by {
			cell := iv * rng.NormFloat64()
			for range repeats {
				all = append(all, Reading{DUT: fmt.Sprint(i), By: fmt.Sprint(j), Run: int64(len(all)), Value: 1000 + part + off[j] + cell + ev*rng.NormFloat64()})
			}
		}
	}
	return all
}

// The stated interval covers the true GRR as often as it says, or oftener:
// where a variance is 0 it can only err on the wide side.
func TestBandCovers(t *testing.T) {
	const studies = 400
	for _, c := range []struct{ av, iv, ev float64 }{{10, 0, 20}, {20, 10, 10}, {0, 0, 20}, {30, 5, 5}} {
		rng := rand.New(rand.NewPCG(7, uint64(c.av*100+c.ev)))
		truth, hit := math.Sqrt(c.av*c.av+c.iv*c.iv+c.ev*c.ev), 0
		for range studies {
			r, err := Analyse(draw(rng, 10, 3, 3, 100, c.av, c.iv, c.ev), limits.Limit{Op: "<", Value: 2000})
			if err != nil {
				t.Fatal(err)
			}
			if r.GRRBand.Lower <= truth && truth <= r.GRRBand.Upper {
				hit++
			}
		}
		share := float64(hit) / studies
		t.Logf("AV %v, interaction %v, EV %v: covered %.3f", c.av, c.iv, c.ev, share)
		if low := 0.95 - 3*math.Sqrt(0.95*0.05/studies); share < low {
			t.Errorf("AV %v, interaction %v, EV %v: covered %.3f of the time; want 0.95, in %d studies at least %.3f", c.av, c.iv, c.ev, share, studies, low)
		}
	}
}

func TestOrder(t *testing.T) {
	duts, by := []string{"a", "b", "c"}, []string{"x", "y"}
	order, err := Order(duts, by, 3, 5)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[Place]int{}
	for i, p := range order {
		seen[p]++
		if want := i/6 + 1; p.Repeat != want {
			t.Errorf("place %d is of repeat %d, want %d", i, p.Repeat, want)
		}
	}
	if len(seen) != 18 || len(order) != 18 {
		t.Errorf("%d places, %d different; want 18 of each", len(order), len(seen))
	}
	if _, err := Order(duts, by, 1, 5); err == nil {
		t.Error("one repeat was taken; repeatability can't be seen with it")
	}
}
