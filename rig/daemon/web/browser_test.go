package web

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"drench/results/store"
	"drench/rig"
	"drench/rig/daemon"
	"drench/rig/daemon/web/webtest"
)

// opened is a site with something of everything, and a browser.
func opened(t *testing.T) (*webtest.Browser, *served, string) {
	t.Helper()
	s := serve(t, false)
	fill(t, s)
	server := httptest.NewServer(s)
	t.Cleanup(server.Close) // after the browser, which holds streams open
	return webtest.Open(t), s, server.URL
}

func quiet(t *testing.T, b *webtest.Browser) {
	t.Helper()
	for _, text := range b.Complaints() {
		t.Errorf("the browser complains: %s", text)
	}
}

// Every page is free of what axe finds, in both colour schemes and on a phone.
func TestPagesInABrowser(t *testing.T) {
	b, s, at := opened(t)
	_, err := s.st.AddTrip(t.Context(), store.Trip{At: s.now(), Bench: "virtual", Reason: "input tray opened", Run: 1})
	must(t, err)
	s.change(func(l *daemon.Live) {
		l.Job, l.Trial, l.Trials, l.Kind, l.At = &daemon.Job{ID: 9, Request: daemon.Request{Scenario: "drip", DUT: "sensor-17"}}, 3, 60, rig.Wet, 63e9
	})
	paths := []string{"/login", "/no/such/page", "/runs?from=x"}
	for _, p := range pagesToLookAt {
		paths = append(paths, strings.ReplaceAll(p.path, "&amp;", "&"))
	}
	for _, look := range webtest.Looks() {
		b.Look(look)
		for _, path := range paths {
			b.Go(at + path)
			b.Picture(look.Name + path)
			webtest.Value[int](b, `[...document.querySelectorAll("details:not(:has(iframe))")].map((d) => { d.open = true; }).length`)
			b.Examine(fmt.Sprintf("%s (%s)", path, look.Name))
		}
	}
	quiet(t, b)
}

// A page follows the bench: words, readings and the strip change without a
// reload, and it can be stopped from there.
func TestFollowedInABrowser(t *testing.T) {
	b, s, at := opened(t)
	b.Go(at)
	b.Wait(`document.querySelector("[data-live=linked]").textContent.includes("follows")`)
	s.change(func(l *daemon.Live) {
		l.Job = &daemon.Job{ID: 1, Request: daemon.Request{Scenario: "drip"}}
		l.Trial, l.Trials, l.At = 2, 5, 4e9
	})
	s.tell(rig.Event{At: 5e9, Kind: rig.Reading, Channel: 3, Value: 29e8}, "rail 2.9 V")
	b.Wait(`document.querySelector("h1 .meaning").textContent === "drip, trial 2 of 5"`)
	b.Wait(`document.querySelector("tr[data-channel=rail]").textContent === "railgauge2.9 V0.0 s"`)
	s.tell(rig.Event{At: 6e9, Kind: rig.TrialBegin, Value: 3}, "trial 3 begins: wet")
	b.Wait(`document.querySelector("progress").value === 3`)
	b.Wait(`document.querySelector("#news").textContent.startsWith("Running")`)
	b.Wait(`document.querySelector("#strip").height > 100`)
	b.Click(".stop")
	b.See(".said")
	if did := s.did(); did[len(did)-1] != "local: stop" {
		t.Errorf("did %q; want it stopped", did)
	}
	quiet(t, b)
}

// A page that lost its daemon says so, and follows again by itself.
func TestReconnectInABrowser(t *testing.T) {
	b, s, at := opened(t)
	b.Go(at)
	b.Wait(`document.querySelector("[data-live=linked]").textContent.includes("follows")`)
	s.cutOff()
	b.Wait(`document.querySelector("[data-live=linked]").textContent.includes("lost")`)
	b.Wait(`document.querySelector("[data-live=linked]").textContent.includes("follows")`)
	s.change(func(l *daemon.Live) { l.Paused = true })
	b.Wait(`document.querySelector("h1 .word").textContent === "Paused"`)
}

// An editor says what is wrong while one types, and leads there.
func TestEditorInABrowser(t *testing.T) {
	b, _, at := opened(t)
	b.Go(at + "/files/new")
	b.Type("#name", "splash.star")
	b.Type("#text", "def run():\n    power()\n    pour()\n")
	b.See("#found .goto")
	b.Click("#found .goto")
	chosen := webtest.Value[string](b, `(() => { const t = document.getElementById("text"); return t.value.slice(t.selectionStart, t.selectionEnd); })()`)
	if strings.TrimSpace(chosen) != "pour()" {
		t.Errorf("the way to the mistake leads to %q", chosen)
	}
	quiet(t, b)
}

// A schedule is explained while one types it.
func TestNightFormInABrowser(t *testing.T) {
	b, _, at := opened(t)
	b.Go(at + "/nights/new")
	b.Set("#cron", "")
	b.Type("#cron", "15 4 * * 0")
	b.Wait(`document.getElementById("when").textContent.includes("at 04:15 on Sunday")`)
	b.Type("#cron", "x")
	b.Wait(`document.getElementById("when").textContent.includes("expected minute, hour")`)
	quiet(t, b)
}

// Without scripts, a run is asked for and stopped all the same.
func TestWithoutScripts(t *testing.T) {
	b, s, at := opened(t)
	before := len(s.did())
	b.WithoutScripts()
	b.Go(at)
	b.Type("#dut", "s1\n")
	b.See(".said")
	b.Click(".stop")
	for range 100 {
		if len(s.did()) == before+2 {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	if did := strings.Join(s.did()[before:], ", "); did != "local: enqueue, local: stop" {
		t.Errorf("did %s", did)
	}
}
