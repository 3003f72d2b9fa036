package web

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"drench/results/compare"
	"drench/results/limits"
	"drench/results/measure"
	"drench/rig"

	"pgregory.net/rapid"
)

// drift is a latency that shifts in its tenth night.
func drift() compare.Series {
	s := compare.Series{Scenario: "drip", Setting: "3.3 V", Measure: measure.Latency, Kind: measure.Samples, Unit: rig.Second, State: compare.Changed, Centre: 1.2e9,
		Reason:  "latency went from 1.2 s to 1.5 s with the night 2026-03-10",
		Finding: &compare.Finding{Shape: compare.Shift, Night: "2026-03-10", Signal: "2026-03-11", Worse: true}}
	for i := range 14 {
		v := 1.2e9 + 2e7*math.Sin(float64(5*i))
		if i >= 9 {
			v += 3e8
		}
		s.Points = append(s.Points, compare.Point{Night: fmt.Sprintf("2026-03-%02d", i+1), N: 60, Value: v, SE: 3e7})
	}
	return s
}

func drawTrend(t *testing.T, p trendPlot) string {
	t.Helper()
	pages, err := readPages()
	must(t, err)
	var b bytes.Buffer
	must(t, pages["trends"].ExecuteTemplate(&b, "trend", p))
	return b.String()
}

func TestTrendPlot(t *testing.T) {
	p := newTrendPlot(0, drift(), 7, []limits.Limit{{Measure: measure.Latency, Statistic: "p95", Op: "<", Value: 16e8, Unit: rig.Second}})
	drawn := drawTrend(t, p)
	for _, part := range []string{"alarm", "limit p95 &lt; 1.6 s", "baseline 1.2 s", `width="50%"`, "2026-03-14: 1.51", "1.6 s</text>"} {
		if !strings.Contains(drawn, part) {
			t.Errorf("%q is not drawn", part)
		}
	}
	if n := strings.Count(drawn, "<circle"); n != 13 {
		t.Errorf("%d nights are dots; want 13, and the alarm a square", n)
	}
	if p.Rows[9].Note != "shift begins" || p.Rows[10].Note != "alarm" {
		t.Errorf("notes %q, %q", p.Rows[9].Note, p.Rows[10].Note)
	}
	if folder := os.Getenv("DRENCH_SCREENSHOTS"); folder != "" {
		css, err := staticFiles.ReadFile("static/style.css")
		must(t, err)
		must(t, os.WriteFile(filepath.Join(folder, "trend.html"), []byte("<!DOCTYPE html><style>"+string(css)+"</style><main><figure>"+drawn+"</figure></main>"), 0o600))
	}
}

// Whatever the values are, the drawing is well-formed, nothing lies outside,
// and the marks of the axis rise in round steps.
func TestTrendPlotOfAnything(t *testing.T) {
	units := []rig.Unit{rig.Second, rig.Proportion, rig.Hertz, rig.Level, rig.Volt, rig.FilmMass}
	rapid.Check(t, func(rt *rapid.T) {
		s := compare.Series{Measure: "m", Unit: rapid.SampledFrom(units).Draw(rt, "unit")}
		for i := range rapid.IntRange(1, 60).Draw(rt, "nights") {
			s.Points = append(s.Points, compare.Point{Night: strconv.Itoa(i), Value: rapid.Float64Range(0, 1e13).Draw(rt, "value"), SE: rapid.Float64Range(0, 1e11).Draw(rt, "se")})
		}
		p := newTrendPlot(1, s, rapid.IntRange(0, 20).Draw(rt, "baseline"), []limits.Limit{{Value: rapid.Int64Range(0, 1e13).Draw(rt, "limit"), Unit: s.Unit}})
		if len(p.Y) < 2 || len(p.Y) > 12 {
			rt.Fatalf("%d marks on the axis", len(p.Y))
		}
		last := math.Inf(1)
		for _, m := range p.Y {
			y, err := strconv.ParseFloat(m.Y, 64)
			if err != nil || y >= last || y < trendTop-0.1 || y > trendBase+0.1 {
				rt.Fatalf("mark at %q after %v", m.Y, last)
			}
			last = y
		}
		for _, d := range p.Dots {
			x, _ := strconv.ParseFloat(d.X, 64)
			y, _ := strconv.ParseFloat(d.Y, 64)
			if x <= 0 || x > 100 || y < trendTop || y > trendBase {
				rt.Fatalf("a night is drawn at %s, %s", d.X, d.Y)
			}
		}
		dec := xml.NewDecoder(strings.NewReader(drawTrend(t, p)))
		for {
			if _, err := dec.Token(); err == io.EOF {
				break
			} else if err != nil {
				rt.Fatal(err)
			}
		}
	})
}
