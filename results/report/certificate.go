package report

import (
	"fmt"
	"html/template"
	"io"
	"strconv"

	"drench/results/lot"
	"drench/results/verdict"
	"drench/rig"
)

// CurvePoints draw an operating characteristic smoothly.
const CurvePoints = 101

// CertificateHTML writes the certificate of a lot as one page to print, that
// needs no other file and no network. curve is the plan's operating
// characteristic.
func CertificateHTML(w io.Writer, c lot.Certificate, curve []lot.Risk) error {
	v := verdict.Pass
	if c.Decision == lot.Rejected {
		v = verdict.Fail
	}
	p := &page{
		Style: template.CSS(styleText), Title: fmt.Sprintf("Lot %s of %s: %s", printable(c.Lot), printable(c.Product), c.Decision),
		Kind: "certificate of a lot", Skip: "Skip to the plan", Verdict: v.String(), Word: string(c.Decision),
		Meaning: fmt.Sprintf("Lot %s of %s, %d units.", printable(c.Lot), printable(c.Product), c.Size),
		Reason:  printable(c.Because) + ".",
		Footer:  "Written by drench from the product’s ledger. Whoever has a copy of that can compute all of this again.",
		Facts: []fact{
			{"product", printable(c.Product), ""}, {"lot", printable(c.Lot), plural(c.Size, "unit", "units")},
			{"decided by", printable(c.By), wall(c.At)}, {"tested", strconv.Itoa(c.N), fmt.Sprintf("of a sample of up to %d", c.Plan.N)},
			{"nonconforming", strconv.Itoa(c.Bad), ""}, {"next lot", c.Next.String() + " inspection", printable(c.NextWhy)},
		},
	}
	p.Sections = []section{planSection(c, curve), unitsSection(c), ledgerSection(c)}
	if len(c.Notes) > 0 {
		s := section{ID: "notes", Heading: "To be known"}
		for _, n := range c.Notes {
			s.Words = append(s.Words, printable(n))
		}
		p.Sections = append([]section{s}, p.Sections...)
	}
	return p.write(w)
}

// CertificateFacts are a certificate's plan and proof, a name and a text each.
func CertificateFacts(c lot.Certificate) [][2]string {
	rows := [][2]string{}
	add := func(name, format string, args ...any) {
		rows = append(rows, [2]string{name, fmt.Sprintf(format, args...)})
	}
	if c.Sequential != nil {
		add("plan", "sequential after Wald: accept %s, reject %s nonconforming, up to %d units", percent(c.Sequential.P0), percent(c.Sequential.P1), c.Plan.N)
	} else {
		add("plan", "AQL %g %%, level %s, %s: n %d, Ac %d, Re %d", c.AQL, c.Level, c.Mode, c.Plan.N, c.Plan.Ac, c.Plan.Re)
	}
	why := ""
	if c.Why != "" {
		why = ", since " + c.Why
	}
	add("inspection", "%s, by the switching rules %s%s", c.Severity, c.Rules, why)
	if c.Test != nil {
		add("test", "%s", testText(c.Test))
	}
	for i, r := range c.Risks {
		add(riskName(c, i), "accepted with a chance of %s at %s nonconforming", percent(r.Accept), percent(r.Quality))
	}
	add("retests, voided", "%d, %d", c.Retests, c.Voids)
	add("opened", "%s", wall(c.Opened))
	add("decided", "%s, by %s", wall(c.At), c.By)
	add("next lot", "%s inspection", c.Next)
	add("seal of the draw", "%s", c.Seal)
	add("seed of the draw", "%s", c.Seed)
	add("entries", "%d to %d of the product’s ledger", c.First, c.Last)
	add("head", "%s", c.Head)
	return rows
}

func testText(t *lot.Test) string {
	text := t.Scenario
	if t.Trials > 0 {
		text += ", " + plural(t.Trials, "trial", "trials")
	}
	if t.Limits != "" {
		text += ", limits " + t.Limits
	}
	return text
}

func riskName(c lot.Certificate, i int) string {
	switch {
	case i == 0 && c.Sequential == nil:
		return "producer’s risk, at the AQL"
	case i == 0:
		return "producer’s risk, at p0"
	case c.Sequential == nil:
		return "consumer’s risk, at the limiting quality"
	}
	return "consumer’s risk, at p1"
}

func planSection(c lot.Certificate, curve []lot.Risk) section {
	s := section{ID: "plan", Heading: "Plan and risks", Words: []string{riskWords(c.Risks)}, Plots: []plot{riskPlot(c.Risks, curve)}}
	s.Shown = []*table{factsTable("How the lot was inspected", CertificateFacts(c)[:len(CertificateFacts(c))-4])}
	return s
}

func factsTable(caption string, rows [][2]string) *table {
	t := &table{Caption: caption, Head: []column{{"", false}, {"", false}}, Narrow: true}
	t.Head[0].Name, t.Head[1].Name = "what", "is"
	for _, r := range rows {
		t.add(r[0], r[1])
	}
	return t
}

// riskWords say what to conclude from the curve.
func riskWords(risks []lot.Risk) string {
	text := ""
	for i, r := range risks {
		if i == 0 {
			text = fmt.Sprintf("A process with %s nonconforming is accepted %s of the time and rejected %s (producer’s risk). ", percent(r.Quality), percent(r.Accept), percent(1-r.Accept))
		} else {
			text += fmt.Sprintf("One with %s is still accepted %s of the time (consumer’s risk). ", percent(r.Quality), percent(r.Accept))
		}
	}
	return text + "An accepted lot is not shown to be free of nonconforming units: the curve says how surely worse ones are rejected."
}

// riskPlot draws an operating characteristic, with both risks marked.
func riskPlot(risks, curve []lot.Risk) plot {
	p := plot{ID: "oc", Title: "Operating characteristic: chance of acceptance over the process’s quality", Desc: riskWords(risks), Height: 260, Head: float64(len(risks)) + 1}
	end := 0.0
	for _, r := range curve {
		end = max(end, r.Quality)
	}
	ax, ay := newAxis(0, 100*end, rig.Chars, 5), newAxis(0, 100, rig.Chars, 5)
	p.xTicks(ax, "nonconforming in the process, %")
	p.yTicks(ay, "chance of acceptance, %")
	line := pen{height: p.Height}
	for i, r := range curve {
		if x, y := ax.at(100*r.Quality), ay.at(100*r.Accept); i == 0 {
			line.move(x, y)
		} else {
			line.line(x, y)
		}
	}
	p.Traces = append(p.Traces, trace{D: line.path(), Class: "law"})
	for i, r := range risks {
		x, y := ax.at(100*r.Quality), ay.at(100*r.Accept)
		text := fmt.Sprintf("consumer’s risk %s at %s", percent(r.Accept), percent(r.Quality))
		if i == 0 {
			text = fmt.Sprintf("producer’s risk %s at %s", percent(1-r.Accept), percent(r.Quality))
		}
		p.upright(x, text, "claim")
		p.Marks = append(p.Marks, mark{X: pct(x), Y: num(p.y(y)), Symbol: "solid", Text: text})
	}
	return p
}

// unitsSection lists every result of the sample.
func unitsSection(c lot.Certificate) section {
	t := &table{Caption: "The sample in the order of drawing", Head: []column{{"sample", true}, {"unit of the lot", true}, {"serial number", false}, {"is", false}, {"run", true}, {"entry", true}, {"entered by", false}, {"timeline SHA-256", false}}}
	for i := range c.Units {
		u := &c.Units[i]
		if len(u.Results) == 0 {
			t.addRow("", cell{Text: strconv.Itoa(u.Sample)}, cell{Text: strconv.Itoa(u.Unit)}, cell{Text: u.Serial}, cell{Text: "not tested"}, cell{}, cell{}, cell{}, cell{})
		}
		for _, r := range u.Results {
			is := cell{Verdict: r.Verdict.String(), Text: string(lot.ClassOf(r.Verdict))}
			switch {
			case r.Voided != "":
				is.Text, is.Small = "voided", r.Voided
			case r.Retest != "":
				is.Small = "tested again: " + r.Retest
			}
			t.addRow("", cell{Text: strconv.Itoa(u.Sample)}, cell{Text: strconv.Itoa(u.Unit)}, cell{Text: r.Serial}, is,
				cell{Text: strconv.FormatInt(r.Run, 10)}, cell{Text: strconv.Itoa(r.Entry)}, cell{Text: r.By, Small: wall(r.At)}, cell{Small: r.Sum})
		}
	}
	return section{ID: "sample", Heading: "Sample", Wide: true, Shown: []*table{t}, Words: []string{
		fmt.Sprintf("%d of %d tested units are nonconforming.", c.Bad, c.N),
		"A unit is conforming if its run passed and nonconforming if it failed; a run that ended otherwise says nothing of it, and the unit was tested again.",
	}}
}

func ledgerSection(c lot.Certificate) section {
	facts := CertificateFacts(c)
	return section{ID: "ledger", Heading: "Ledger", Words: []string{
		"Keep the head below elsewhere, with somebody else: entries that are cut off or changed at a ledger’s end show only against it.",
		"drench lot verify --head HEAD computes plan, sample, count and decision anew from the entries, as long as this lot is the last one. Each entry has the SHA-256 of the line before it.",
	}, Shown: []*table{factsTable("What the ledger is held to", facts[len(facts)-4:])}}
}
