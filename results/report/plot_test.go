package report

import (
	"math"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

func tickTexts(a axis) string {
	var list []string
	for _, t := range a.ticks() {
		list = append(list, t.Text)
	}
	return strings.Join(list, " ")
}

func TestAxisTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		unit   rig.Unit
		name   string
		want   string
	}{
		{0.05e9, 1.9e9, rig.Second, "x, s", "0.0 0.5 1.0 1.5 2.0"},
		{0, 90e9, rig.Second, "x, s", "0 20 40 60 80 100"},
		{0, 600e9, rig.Second, "x, min", "0 2 4 6 8 10"},
		{1e6, 9e6, rig.Second, "x, ms", "0 2 4 6 8 10"},
		{3.2e9, 3.4e9, rig.Volt, "x, V", "3.20 3.25 3.30 3.35 3.40"},
		{3.3e9, 3.3e9, rig.Volt, "x, V", "3.20 3.25 3.30 3.35 3.40"}, // never narrower than a twentieth
		{-0.001e9, 3.3e9, rig.Volt, "x, V", "0 1 2 3 4"},             // noise below zero
		{0, 7, rig.Level, "x", "0 2 4 6 8"},
		{0, 0, rig.Level, "x", "0.0 0.2 0.4 0.6 0.8 1.0"},
	} {
		a := newAxis(c.lo, c.hi, c.unit, 5)
		if got := tickTexts(a); got != c.want || a.named("x") != c.name {
			t.Errorf("%v to %v: %q %q, want %q %q", c.lo, c.hi, a.named("x"), got, c.name, c.want)
		}
	}
}

// TestAxisHoldsItsValues has every axis hold what it was made for, with a few
// ticks in order.
func TestAxisHoldsItsValues(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		lo := rapid.Float64Range(-1e15, 1e15).Draw(rt, "lo")
		hi := lo + math.Abs(rapid.Float64Range(0, 1e15).Draw(rt, "span"))
		u := rapid.SampledFrom([]rig.Unit{rig.Second, rig.Volt, rig.FilmMass, rig.Level}).Draw(rt, "unit")
		n := rapid.IntRange(2, 8).Draw(rt, "ticks")
		a := newAxis(lo, hi, u, n)
		for _, v := range []float64{lo, hi} {
			if s := a.at(v); !(s >= -0.011 && s <= 1+1e-6) { // noise below zero may be cut: a hundredth of the highest
				rt.Fatalf("%v lies at %v of %+v", v, s, a)
			}
		}
		ticks := a.ticks()
		if len(ticks) < 2 || len(ticks) > 3*n+2 {
			rt.Fatalf("%d ticks for %+v", len(ticks), a)
		}
		for i := range ticks[1:] {
			if ticks[i+1].At <= ticks[i].At {
				rt.Fatalf("ticks out of order: %+v", ticks)
			}
		}
	})
}

// TestDecimal has decimal agree with exact arithmetic.
func TestDecimal(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n, places := rapid.Int64().Draw(rt, "n"), rapid.IntRange(0, 12).Draw(rt, "places")
		got, ok := new(big.Rat).SetString(decimal(n, places))
		scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
		if want := new(big.Rat).SetFrac(big.NewInt(n), scale); !ok || got.Cmp(want) != 0 {
			rt.Fatalf("%d with %d places is %q", n, places, decimal(n, places))
		}
	})
	for n, want := range map[int64]string{0: "0", -5: "-0.000000005", 1e9: "1", -1500e6: "-1.5", math.MinInt64: "-9223372036.854775808"} {
		if got := seconds(n); got != want {
			t.Errorf("%d ns are %q s, want %q", n, got, want)
		}
	}
}

func TestLong(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 s", 1499 * time.Millisecond: "1 s", 59600 * time.Millisecond: "1 min 0 s", 8*time.Hour + 59*time.Second: "8 h 0 min",
	} {
		if got := long(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
}

// TestLimitIsDrawnWhereItIs finds the limit of 2.5 s on the axis of its plots.
func TestLimitIsDrawnWhereItIs(t *testing.T) {
	sections := distributionSections(large(t))
	if sections[0].ID != "m-latency" || len(sections[0].Plots) != 2 {
		t.Fatalf("first section %s with %d plots", sections[0].ID, len(sections[0].Plots))
	}
	for _, p := range sections[0].Plots {
		var limit, end string
		for _, r := range p.Rules {
			if r.Class == "limit" && r.Text == "limit p90 < 2.5 s" {
				limit = r.X
			}
		}
		last := p.X[len(p.X)-1]
		end = last.Text
		hi, err := strconv.ParseFloat(end, 64)
		if err != nil || last.X != "100" || p.X[0].Text != "0.0" {
			t.Fatalf("axis from %+v to %+v", p.X[0], last)
		}
		if want := num(100 * 2.5 / hi); limit != want {
			t.Errorf("%s: limit at %q %%, want %q", p.ID, limit, want)
		}
	}
}

// TestLawOfASampler tells latencies of a sampler from those of a device that
// answers at once for some doses.
func TestLawOfASampler(t *testing.T) {
	d := exampleHeader().Device
	var even, lumped []float64
	for i := range 50 {
		v := 10e6 + 2e9*(float64(i)+0.5)/50
		even = append(even, v)
		lumped = append(lumped, math.Max(v-1.2e9, 20e6))
	}
	l, err := fitLaw(d, even)
	if err != nil {
		t.Fatal(err)
	}
	if l.claimedFrom != 10e6 || l.claimedTo != 2010e6 {
		t.Errorf("claimed %v to %v", l.claimedFrom, l.claimedTo)
	}
	if text := l.conclude()[0]; !strings.Contains(text, "fit a device that looks once every 2 s") {
		t.Errorf("even latencies: %s", text)
	}
	if l, err = fitLaw(d, lumped); err != nil {
		t.Fatal(err)
	}
	if text := l.conclude()[0]; !strings.Contains(text, "do not follow the law") {
		t.Errorf("lumped latencies: %s", text)
	}
	d.Sampling.Readings = 3 // two more periods to wait
	if l, err = fitLaw(d, even); err != nil || l.claimedFrom != 4010e6 {
		t.Errorf("three readings: claimed from %v, %v", l.claimedFrom, err)
	}
	d.Sampling.Period = 0
	if _, err = fitLaw(d, even); err == nil {
		t.Error("a law without a period")
	}
}

func TestWorstTrial(t *testing.T) {
	trial := func(n int, k rig.TrialKind, v verdict.Verdict, latency time.Duration) measure.Trial {
		return measure.Trial{N: n, Spec: rig.Trial{Kind: k}, Verdict: v, Latency: latency}
	}
	for _, c := range []struct {
		trials []measure.Trial
		want   int
	}{
		{[]measure.Trial{trial(1, rig.Wet, verdict.Pass, 1), trial(2, rig.Dry, verdict.Fail, 0), trial(3, rig.Wet, verdict.Error, 9)}, 2},
		{[]measure.Trial{trial(1, rig.Wet, verdict.Inconc, 1), trial(2, rig.Wet, verdict.Pass, 9)}, 1},
		{[]measure.Trial{trial(1, rig.Wet, verdict.Pass, 1), trial(2, rig.Wet, verdict.Pass, 9), trial(3, rig.Release, verdict.Pass, 99)}, 2},
		{[]measure.Trial{trial(1, rig.Dry, verdict.Pass, 0), trial(2, rig.Dry, verdict.Pass, 0)}, 1},
	} {
		if got, ok := worstTrial(c.trials); !ok || got.N != c.want {
			t.Errorf("%+v: trial %d", c.trials, got.N)
		}
	}
	if _, ok := worstTrial(nil); ok {
		t.Error("a worst trial of none")
	}
}

// TestWorstTrace reads the pump's step and the water's arrival off the drawing
// of the trial that failed in the small run.
func TestWorstTrace(t *testing.T) {
	in := small(t)
	s, ok, err := worstSection(in)
	if !ok || err != nil {
		t.Fatal(ok, err)
	}
	p := s.Plots[0]
	// Trial 2 is from 6 s to 10.25 s, the window a tenth wider on each side.
	from, span := 6-0.425, 4.25+0.85
	if got, want := p.Traces[0].D, num(1000*(6-from)/span); !strings.Contains(got, "H"+columnX(t, want)) {
		t.Errorf("pump trace %q has no step at %s", got, want)
	}
	i := slices.IndexFunc(p.Rules, func(g guide) bool { return g.Text == "water" })
	if i < 0 || p.Rules[i].X != num(100*(6.247-from)/span) {
		t.Errorf("rules %+v", p.Rules)
	}
	for _, l := range p.Labels {
		if strings.HasPrefix(l.Text, rig.Deadman) {
			t.Error("the dead-man's toggling is drawn")
		}
	}
	if row := s.Data.Rows[0]; row.Cells[0].Text != "0" || row.Cells[2].Text != "trial" {
		t.Errorf("first row %+v", row)
	}
}

// columnX is the middle of the column that a place of the box falls into.
func columnX(t *testing.T, at string) string {
	v, err := strconv.ParseFloat(at, 64)
	if err != nil {
		t.Fatal(err)
	}
	return num(math.Floor(v) + 0.5)
}

// TestTracesStayInTheBox looks at every coordinate of every path.
func TestTracesStayInTheBox(t *testing.T) {
	number := regexp.MustCompile(`([MLHV])([-0-9.]+)(?: ([-0-9.]+))?`)
	p, err := newPage(large(t))
	if err != nil {
		t.Fatal(err)
	}
	plots := 0
	for _, s := range p.Sections {
		for _, pl := range s.Plots {
			plots++
			for _, tr := range pl.Traces {
				for _, m := range number.FindAllStringSubmatch(tr.D, -1) {
					x, y := m[2], m[3]
					if m[1] == "V" {
						x, y = "0", m[2]
					}
					if !within(x, boxWidth) || y != "" && !within(y, pl.Height) {
						t.Fatalf("%s: %q leaves the box of %v", pl.ID, m[0], pl.Height)
					}
				}
			}
		}
	}
	if plots < 6 {
		t.Errorf("only %d plots", plots)
	}
}

func within(text string, most float64) bool {
	v, err := strconv.ParseFloat(text, 64)
	return err == nil && v >= 0 && v <= most
}
