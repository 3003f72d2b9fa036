package report

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
)

// TestPageStandsAlone looks for anything that a browser would fetch or run.
func TestPageStandsAlone(t *testing.T) {
	text := render(t, HTML, large(t))
	for _, bad := range []string{"http:", "https:", "//", "url(", "@import", "<script", "<link", "<img", "<iframe", "src="} {
		if i := strings.Index(text, bad); i >= 0 {
			t.Errorf("%q in the page: …%s…", bad, text[max(0, i-40):min(len(text), i+40)])
		}
	}
}

var (
	idAttr    = regexp.MustCompile(` id="([^"]*)"`)
	hrefAttr  = regexp.MustCompile(` href="([^"]*)"`)
	namedSVG  = regexp.MustCompile(`role="img" aria-labelledby="(\S+) (\S+)">\s*<title id="(\S+)">[^<]+</title>\s*<desc id="(\S+)">[^<]+</desc>`)
	headings  = regexp.MustCompile(`<h([1-6])`)
	landmarks = regexp.MustCompile(`<(header|nav|main|footer)[ >]`)
)

// TestPageStructure checks what assistive programs go by: ids are unique,
// links lead somewhere, drawings are named or hidden, headings don't skip.
func TestPageStructure(t *testing.T) {
	for name, in := range map[string]Input{"small": small(t), "large": large(t)} {
		text := render(t, HTML, in)
		ids := map[string]bool{}
		for _, m := range idAttr.FindAllStringSubmatch(text, -1) {
			if ids[m[1]] {
				t.Errorf("%s: id %q twice", name, m[1])
			}
			ids[m[1]] = true
		}
		for _, m := range hrefAttr.FindAllStringSubmatch(text, -1) {
			if !strings.HasPrefix(m[1], "#") || !ids[m[1][1:]] {
				t.Errorf("%s: link to %q leads nowhere", name, m[1])
			}
		}
		for _, m := range namedSVG.FindAllStringSubmatch(text, -1) {
			if m[1] != m[3] || m[2] != m[4] {
				t.Errorf("%s: drawing named by %q %q has %q %q", name, m[1], m[2], m[3], m[4])
			}
		}
		if drawn, named := strings.Count(text, `role="img"`), len(namedSVG.FindAllString(text, -1)); drawn != named || drawn == 0 {
			t.Errorf("%s: %d drawings, %d with title and description", name, drawn, named)
		}
		level := 0
		for _, m := range headings.FindAllStringSubmatch(text, -1) {
			next, _ := strconv.Atoi(m[1]) // the pattern has a digit there
			if next > level+1 || next == 1 && level != 0 {
				t.Errorf("%s: heading %d after %d", name, next, level)
			}
			level = next
		}
		if n := len(landmarks.FindAllString(text, -1)); n != 4 {
			t.Errorf("%s: %d landmarks", name, n)
		}
	}
}

// TestVerdictByWordAndShape has no two verdicts look alike without colour.
func TestVerdictByWordAndShape(t *testing.T) {
	shapes := map[string]bool{}
	for v := verdict.None; v <= verdict.Error; v++ {
		in := small(t)
		in.Judgement = limits.Judgement{Verdict: v}
		text := render(t, HTML, in)
		want := fmt.Sprintf(`<use href="#sym-%[1]v"/></svg>`+"\n"+`<h1><span class="word">%[1]v</span>`, v)
		if !strings.Contains(text, want) {
			t.Errorf("%v: no %q", v, want)
		}
		shape := regexp.MustCompile(fmt.Sprintf(`<symbol id="sym-%v" viewBox="0 0 28 28">(.*)</symbol>`, v)).FindStringSubmatch(text)
		if shape == nil || shapes[shape[1]] {
			t.Errorf("%v has no shape of its own: %q", v, shape)
			continue
		}
		shapes[shape[1]] = true
	}
}

// TestHostileText has markup in every text that comes from outside.
func TestHostileText(t *testing.T) {
	in := small(t)
	bad := `"><script>alert(1)</script>` + "\x00\x1b"
	in.Run.DUT, in.Run.LimitsName, in.Run.LimitsText, in.Run.Sum = bad, bad, bad, bad
	in.Header.Scenario, in.Header.Bench, in.Header.Tool, in.Header.Device.Name = bad, bad, bad, bad
	in.Header.Hashes = map[string]string{bad: bad}
	in.Judgement.Reason, in.Set.Interrupted, in.Set.Trips = bad, bad, []string{bad}
	for i := range in.Judgement.Results {
		r := &in.Judgement.Results[i]
		r.Limit.Text, r.Reason, r.Method, r.Limit.Statistic = bad, bad, bad, bad
	}
	for i := range in.Set.Trials {
		in.Set.Trials[i].Spec.Label, in.Set.Trials[i].Reason = bad, bad
	}
	text := render(t, HTML, in)
	if strings.Contains(text, "<script") || strings.ContainsAny(text, "\x1b\x00") {
		t.Error("text from outside became part of the page")
	}
}

// colour of the style sheet by variable, for light, dark and print.
var colourOf = regexp.MustCompile(`--([a-z]+): #([0-9a-f]{3,6});`)

func palettes(t *testing.T) map[string]map[string]string {
	t.Helper()
	light, rest, ok := strings.Cut(styleText, "@media (prefers-color-scheme: dark)")
	dark, printed, ok2 := strings.Cut(rest, "@media print")
	if !ok || !ok2 {
		t.Fatal("the style sheet has no dark or print part")
	}
	all := map[string]map[string]string{}
	for name, part := range map[string]string{"light": light, "dark": dark, "print": printed} {
		all[name] = map[string]string{}
		for _, m := range colourOf.FindAllStringSubmatch(part, -1) {
			all[name][m[1]] = m[2]
		}
	}
	return all
}

// contrast is WCAG 2.2's contrast ratio, from its definition of relative
// luminance.
func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

func luminance(hex string) float64 {
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, _ := strconv.ParseUint(hex[2*i:2*i+2], 16, 8) // the pattern has hexadecimal digits
		c := float64(v) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

// TestContrast holds text to 4.5:1 (WCAG 2.2, 1.4.3) on every ground that it
// stands on, which lines and marks, at 3:1 (1.4.11), then pass too.
func TestContrast(t *testing.T) {
	if got := contrast("767676", "fff"); math.Abs(got-4.54) > 0.01 { // WCAG's well-known grey on white; from memory
		t.Fatalf("contrast of #767676 on white is %.2f", got)
	}
	for name, p := range palettes(t) {
		for _, text := range []string{"ink", "soft", "water", "law", "limit", "pass", "inconc", "fail", "error", "none"} {
			for _, ground := range []string{"paper", "field"} {
				if c := contrast(p[text], p[ground]); c < 4.5 {
					t.Errorf("%s: %s on %s has %.2f:1", name, text, ground, c)
				}
			}
		}
		if c := contrast(p["ink"], p["fill"]); c < 4.5 { // a trial's row when linked to
			t.Errorf("%s: ink on fill has %.2f:1", name, c)
		}
	}
}

func TestManyTrials(t *testing.T) {
	in := small(t)
	one := in.Set.Trials[0]
	in.Set.Trials = nil
	for n := range 20000 {
		one.N = n + 1
		in.Set.Trials = append(in.Set.Trials, one)
	}
	text := render(t, HTML, in)
	if len(text) > 3<<20 || !strings.Contains(text, "The first 2000 of 20000 trials; trials.csv has them all.") {
		t.Errorf("%d bytes for 20000 trials", len(text))
	}
}

// TestEmptyRun renders a run that ended before anything happened.
func TestEmptyRun(t *testing.T) {
	in := Input{Header: exampleHeader(), Set: &measure.Set{Interrupted: "e-stop"}, Judgement: limits.Judgement{Verdict: verdict.Error, Reason: "The run was cut short: e-stop."}}
	in.Open, _ = store(t, in.Header, nil)
	for name, write := range formats {
		if text := render(t, write, in); text == "" {
			t.Errorf("%s is empty", name)
		}
	}
	if text := render(t, HTML, in); !strings.Contains(text, "e-stop") || strings.Contains(text, "NaN") {
		t.Error("the page does not say why, or shows what isn't a number")
	}
}

// TestPageFitsATelephone opens the page in a browser 400 pixels wide, with all
// tables open, in light and dark, and measures how far it reaches.
func TestPageFitsATelephone(t *testing.T) {
	need(t, "chromium")
	dir := t.TempDir()
	page := strings.ReplaceAll(render(t, HTML, large(t)), "<details>", "<details open>")
	frame := `<!DOCTYPE html><html><body><iframe id="f" src="page.html" width="400" height="900"></iframe><script>
const f = document.getElementById("f")
f.onload = () => { const d = f.contentDocument.documentElement
document.body.innerHTML = "reaches " + d.scrollWidth + " of " + d.clientWidth + ", drawings " + d.querySelectorAll("svg[role=img]").length }
</script></body></html>`
	for name, text := range map[string]string{"page.html": page, "frame.html": frame} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	out := run(t, "chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--allow-file-access-from-files", "--virtual-time-budget=10000",
		"--user-data-dir="+filepath.Join(dir, "profile"), "--dump-dom", "file://"+filepath.Join(dir, "frame.html"))
	m := regexp.MustCompile(`reaches (\d+) of (\d+), drawings (\d+)`).FindStringSubmatch(out)
	if m == nil || m[1] != m[2] || m[3] == "0" {
		t.Errorf("the page %q", m)
	}
}

func TestQuantities(t *testing.T) {
	for _, c := range []struct {
		v    float64
		u    rig.Unit
		want string
	}{
		{2.5e9, rig.Second, "2.5 s"}, {1.234567e9, rig.Second, "1.235 s"}, {3, rig.Level, "3"}, {4.74, rig.Level, "4.74"},
		{0.427e7, rig.Proportion, "0.427 %"}, {50e6, rig.Proportion, "5 %"}, {277778, rig.Hertz, "1 per h"}, {1e9 / 60 * 2, rig.Hertz, "2 per min"},
		{2e9, rig.Hertz, "2 Hz"}, {0, rig.Hertz, "0 Hz"}, {math.Inf(1), rig.Second, "none"}, {math.NaN(), rig.Level, "none"},
		{296.15e9, rig.Kelvin, "23 °C"}, {0.3e9, rig.Watt, "300 mW"},
	} {
		if got := quantity(c.v, c.u); got != c.want {
			t.Errorf("%v in unit %d is %q, want %q", c.v, c.u, got, c.want)
		}
	}
	if got := difference(0.2e9, rig.Kelvin); got != "0.2 K" {
		t.Errorf("a difference of 0.2 K is %q", got)
	}
}
