package report

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"drench/results/lot"
	"drench/results/sampling"
	"drench/results/verdict"
)

// certified is a rejected lot with something of everything.
func certified() (lot.Certificate, []lot.Risk) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	l := lot.Lot{Terms: lot.Terms{Mode: lot.Whole, AQL: 10}, Plan: sampling.Plan{N: 5, Ac: 1, Re: 2}}
	curve, err := l.Curve(CurvePoints)
	if err != nil {
		panic(err) // a plan of the tables has a curve
	}
	result := func(run int64, v verdict.Verdict) lot.Result {
		return lot.Result{Entry: int(run) + 4, Serial: "s<1>", Run: run, Sum: strings.Repeat("ab", 32), Verdict: v, By: "bob", At: at}
	}
	again, voided := result(1, verdict.Inconc), result(3, verdict.Pass)
	again.Retest, voided.Voided = "the tube <b>slipped</b>", "mixed up"
	return lot.Certificate{Product: "sensor <script>", Lot: "L1", Size: 20, Decision: lot.Rejected, N: 2, Bad: 2, Because: "2 of 5 nonconforming; 2 reject the lot",
		Severity: sampling.Normal, Why: "the series began", Mode: lot.Whole, AQL: 10, Level: sampling.LevelII, Plan: l.Plan, Test: &lot.Test{Scenario: "drip", Trials: 60},
		Risks: []lot.Risk{{Quality: 0.1, Accept: 0.9185}, {Quality: 0.5839, Accept: 0.1}}, Seal: strings.Repeat("cd", 32), Seed: strings.Repeat("ef", 32),
		Units:   []lot.Unit{{Sample: 1, Unit: 7, Serial: "s<1>", Results: []lot.Result{again, result(2, verdict.Fail), voided}}, {Sample: 2, Unit: 11}},
		Retests: 1, Voids: 1, By: "ann", Opened: at, At: at, First: 2, Last: 12, Head: strings.Repeat("09", 32), Notes: []string{"Results were voided."}}, curve
}

// TestCertificate: the page has all that the certificate tells, as text.
func TestCertificate(t *testing.T) {
	c, curve := certified()
	var page bytes.Buffer
	if err := CertificateHTML(&page, c, curve); err != nil {
		t.Fatal(err)
	}
	text := page.String()
	for _, want := range []string{">rejected<", "sensor &lt;script&gt;", "2 of 5 nonconforming", c.Head, c.Seal, c.Seed, strings.Repeat("ab", 32), "the tube &lt;b&gt;slipped&lt;/b&gt;",
		"voided", "mixed up", "not tested", "Results were voided.", "n 5, Ac 1, Re 2", "drip, 60 trials", "producer’s risk 8.15 % at 10 %", "consumer’s risk 10 % at 58.39 %", `data-name="entry"><span class="value">6<`, "bob"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, never := range []string{"<script", "<b>slipped", "http://", "https://"} {
		if strings.Contains(text, never) {
			t.Errorf("the page holds %q", never)
		}
	}
}

// TestCertificateFacts: a sequential plan is told by its two qualities.
func TestCertificateFacts(t *testing.T) {
	c, _ := certified()
	c.Sequential, c.Mode, c.AQL = &lot.Wald{P0: 0.01, P1: 0.08, Alpha: 0.05, Beta: 0.1, Limit: 200}, lot.Sequential, 0
	facts := CertificateFacts(c)
	if facts[0][1] != "sequential after Wald: accept 1 %, reject 8 % nonconforming, up to 5 units" {
		t.Errorf("%q", facts[0])
	}
	if last := facts[len(facts)-1]; last != [2]string{"head", c.Head} {
		t.Errorf("%q; expected the head last", last)
	}
}
