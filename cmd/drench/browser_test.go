package main

import (
	"fmt"
	"testing"

	"drench/rig/daemon/web/webtest"
)

// TestBrowser does what people do with the pages of the real program on the
// virtual bench, and examines the pages on the way.
func TestBrowser(t *testing.T) {
	s := startServing(t, t.TempDir(), nil)
	b := webtest.Open(t)
	for _, step := range []struct {
		name string
		do   func(*testing.T, *webtest.Browser, *serving)
	}{
		{"write a script", browseScript}, {"start a run", browseStart}, {"watch and stop", browseStop}, {"read the report", browseReport},
		{"compare", browseCompare}, {"schedule a night", browseNight}, {"every page", browseAll},
	} {
		// Steps build on each other: one that fails ends the test.
		t.Log(step.name)
		step.do(t, b, s)
	}
	for _, text := range b.Complaints() {
		t.Errorf("the browser complains: %s", text)
	}
}

// browseScript writes a script with a mistake, is told, mends and keeps it.
func browseScript(t *testing.T, b *webtest.Browser, s *serving) {
	b.Go(s.url + "/files/new")
	b.Type("#name", "splash.star")
	b.Type("#text", "about = \"A splash.\"\ntrials = {\"wet\": 3}\ndef run():\n    power()\n    pour()\n")
	b.Wait(`document.getElementById("found").textContent.includes("splash.star:5:5")`)
	b.Examine("the editor")
	b.Set("#text", "about = \"A splash.\"\ntrials = {\"wet\": 3}\ndef run():\n    power()\n    prime()\n    for i in range(count(\"wet\")):\n        trial(\"wet\", dose = \"0.2 ml\", within = \"6 s\")\n        trial(\"release\", within = \"2 min\")\n")
	b.Wait(`document.getElementById("found").textContent.includes("nothing is wrong")`)
	b.Click("form.editor button:not(.plain)")
	b.Wait(`location.pathname === "/files/of/splash.star"`)
	b.Go(s.url + "/files/of/splash.star/preview")
	b.See("pre")
	b.Picture("real-preview")
	b.Click(`main .kind a`)
	b.Wait(`location.pathname === "/files/of/splash.star"`)
}

// browseStart asks for a run and sees it end.
func browseStart(t *testing.T, b *webtest.Browser, s *serving) {
	for run := 1; run <= 2; run++ {
		b.Go(s.url)
		b.Set("#scenario", "drip")
		b.Set("#dut", "sensor-17")
		b.Set("#trials", "5")
		b.Click("#start form button")
		b.Wait(`document.querySelector(".said").textContent.includes("in the queue")`)
		b.Wait(fmt.Sprintf(`document.querySelector('.recent a[href="/runs/%d"]')`, run))
	}
}

// browseStop watches a long run, and stops it.
func browseStop(t *testing.T, b *webtest.Browser, s *serving) {
	b.Look(webtest.Looks()[0])
	s.putEndless(t)
	b.Go(s.url)
	b.Set("#scenario", "endless.star")
	b.Click("#start form button")
	b.Wait(`document.querySelector("h1 .word").textContent === "Running"`)
	b.Wait(`document.querySelectorAll("#readings tbody tr").length > 5`)
	before := webtest.Value[string](b, `document.querySelector("tr[data-channel=heartbeat]").textContent`)
	b.Wait(fmt.Sprintf(`document.querySelector("tr[data-channel=heartbeat]").textContent !== %q`, before))
	webtest.Value[int](b, `(scrollTo({top: 350, behavior: "instant"}), 1)`)
	b.Picture("real-running")
	b.Click(".stop")
	b.Wait(`document.querySelector(".said").textContent.includes("told to stop")`)
	b.Wait(`document.querySelector(".recent").textContent.includes("stopped by local")`)
	b.Wait(`document.querySelector("h1 .word").textContent === "Idle"`)
}

// browseReport reads the report of a run, on its own and in its frame.
func browseReport(t *testing.T, b *webtest.Browser, s *serving) {
	b.Go(s.url + "/runs/1")
	b.Picture("real-run")
	b.Click(`section summary`)
	b.Wait(`document.querySelector("iframe").contentDocument?.querySelector("h1 .word")`)
	b.Click(`a[href="/runs/1/report"]`)
	b.Wait(`location.pathname === "/runs/1/report" && document.querySelector("#limits")`)
	if c := webtest.Value[string](b, `getComputedStyle(document.querySelector("h1 .word")).display`); c != "block" {
		t.Errorf("the report's style does not hold: the word is %s", c)
	}
	b.Picture("real-report")
}

// browseCompare holds one run against another.
func browseCompare(t *testing.T, b *webtest.Browser, s *serving) {
	b.Go(s.url + "/compare")
	b.Type("#base", "1")
	b.Type("#now", "2\n")
	b.Wait(`document.querySelector("#result-h") && document.body.textContent.includes("latency")`)
}

// browseNight schedules a night, starts it by hand and reads what came of it.
func browseNight(t *testing.T, b *webtest.Browser, s *serving) {
	b.Go(s.url + "/nights/new")
	b.Type("#name", "short")
	b.Set("#cron", "15 3 * * 1-5")
	b.Wait(`document.getElementById("when").textContent.includes("at 03:15 on Monday to Friday")`)
	b.Click(`input[name=scenario][value=drip]`)
	b.Set("#trials", "2")
	b.Set("#settings", "sampling.period = 1 s\nsampling.period = 2 s")
	b.Click("main form button")
	b.Wait(`location.pathname === "/nights/of/short"`)
	for run := 1; run <= 2; run++ {
		b.Go(s.url + "/nights/of/short")
		b.Click(`form[action$="/start"] button`)
		b.Wait(fmt.Sprintf(`location.pathname === "/nights/run/%d"`, run))
		for end := false; !end; {
			b.Go(fmt.Sprintf("%s/nights/run/%d", s.url, run))
			end = webtest.Value[bool](b, `document.querySelector("h1 .word").textContent !== "running"`)
		}
	}
	b.Wait(`document.querySelectorAll(".matrix td a").length === 2 && document.body.textContent.includes("Against the baseline")`)
}

// browseAll examines every kind of page, in both colour schemes and on a
// phone.
func browseAll(t *testing.T, b *webtest.Browser, s *serving) {
	for _, look := range webtest.Looks() {
		b.Look(look)
		for _, path := range []string{"/", "/runs", "/runs/1", "/nights", "/nights/of/short", "/nights/run/2", "/nights/of/short/trends", "/files",
			"/files/of/drip.star", "/calibrations", "/compare?base=1&now=2"} {
			b.Go(s.url + path)
			b.Picture("real-" + look.Name + path)
			b.Examine(fmt.Sprintf("%s (%s)", path, look.Name))
		}
	}
}
