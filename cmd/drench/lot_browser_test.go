package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"drench/rig/daemon/web/webtest"
)

// TestLotInABrowser inspects a lot as an operator does on a telephone: opens
// it, scans what the page asks for, is refused what is wrong, says why a unit
// is tested again, and prints the certificate.
func TestLotInABrowser(t *testing.T) {
	s := startServing(t, t.TempDir(), nil)
	b := webtest.Open(t)
	phone := webtest.Looks()[2]
	b.Look(phone)
	look := func(name string) {
		t.Helper()
		b.Picture("lot-" + name)
		b.Examine(name)
	}
	b.Go(s.url + "/lots/new?product=sensor%20b")
	b.Set("#size", "20")
	b.Set("#aql", "10")
	b.Set("#level", "II")
	b.Click(`button[value="plan"]`)
	b.See("figure .plot")
	look("plan")
	b.Click(`button[value="open"]`)
	b.Wait(`location.pathname === "/lots/line/sensor%20b"`)
	word := func(want string) {
		t.Helper()
		b.Wait(fmt.Sprintf(`document.querySelector("h1").textContent.startsWith(%q)`, want))
	}
	scan := func(serial string) { t.Helper(); b.Type("#serial", serial+"\n") }
	word("Take unit")
	b.Wait(`document.activeElement.id === "serial"`) // a scanner types where the cursor is
	look("take")
	n := webtest.Value[int](b, `document.querySelector("progress").max`)
	for i := 1; i <= n; i++ {
		scan(fmt.Sprintf("B-%04d", i))
		b.Wait(fmt.Sprintf(`document.querySelector("#result")?.textContent.includes("B-%04d") && document.querySelector("#line").dataset.wait === "false"`, i))
		if i == 1 {
			look("result")
			scan("B-0001")
			b.Wait(`document.querySelector(".problems")?.textContent.includes("tested already")`)
			look("refused")
			b.Wait(`document.activeElement.id === "serial"`)
			b.Set("#serial", "")
		}
	}
	word("All tested")
	look("decide")
	b.Click(".scan button")
	b.Wait(`document.querySelector("h1").textContent.startsWith("Lot ")`)
	look("over")
	for _, at := range webtest.Looks() {
		b.Look(at)
		for _, path := range []string{"/lots", "/lots/of/sensor%20b/1", "/lots/of/sensor%20b/1/certificate"} {
			b.Go(s.url + path)
			b.Picture("lot-" + at.Name + strings.ReplaceAll(path, "%20", ""))
			if !strings.HasSuffix(path, "certificate") { // it stands in a sandbox, where nothing is evaluated
				b.Examine(path + " (" + at.Name + ")")
			}
		}
	}
	for _, text := range b.Complaints() {
		t.Errorf("the browser complains: %s", text)
	}
	out, stderr, status := call(t, s.data, drench(t), "lot", "verify")
	if status != 0 || !strings.Contains(out, fmt.Sprintf("summed anew: %d", n)) {
		t.Errorf("verify: exit status %d\n%s%s", status, out, stderr)
	}
	dir := t.TempDir()
	if _, stderr, status := call(t, s.data, drench(t), "lot", "certificate", "--out", dir+"/certificate.html"); status != 0 {
		t.Fatalf("certificate: exit status %d\n%s", status, stderr)
	}
	files := httptest.NewServer(http.FileServer(http.Dir(dir)))
	t.Cleanup(files.Close)
	for _, at := range webtest.Looks() {
		b.Look(at)
		b.Go(files.URL + "/certificate.html")
		b.Examine("the certificate (" + at.Name + ")")
	}
}

// TestLotWithoutScripts: the page takes a device and comes to its result by
// itself, without scripts.
func TestLotWithoutScripts(t *testing.T) {
	s := startServing(t, t.TempDir(), nil)
	if _, stderr, status := call(t, s.data, drench(t), "lot", "open", "--product", "sensor-b", "--size", "20", "--aql", "10", "--test", "drip", "--by", "ann"); status != 0 {
		t.Fatal(stderr)
	}
	b := webtest.Open(t)
	b.WithoutScripts()
	b.Go(s.url + "/lots/line/sensor-b")
	b.Type("#serial", "B-1\n")
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(200 * time.Millisecond) {
		out, _, _ := call(t, s.data, drench(t), "lot", "show")
		if strings.Contains(out, "conforming") {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("no result was entered:\n%s", out)
		}
	}
	b.See("#result")
}

// TestLotTroubleInABrowser: a test that waits says why, a second device is
// refused meanwhile, and a run that told nothing is looked into before the unit
// is tested again.
func TestLotTroubleInABrowser(t *testing.T) {
	s := startServing(t, t.TempDir(), nil)
	// With two trials no unit can be shown to conform: every run is inconc.
	if _, stderr, status := call(t, s.data, drench(t), "lot", "open", "--product", "sensor-b", "--size", "20", "--aql", "10", "--test", "drip", "--trials", "2", "--by", "ann"); status != 0 {
		t.Fatal(stderr)
	}
	b := webtest.Open(t)
	b.Look(webtest.Looks()[2])
	look := func(name string) {
		t.Helper()
		b.Picture("lot-" + name)
		b.Examine(name)
	}
	b.Go(s.url + "/")
	b.Click(`form[action="/pause"] button`)
	b.See(".said")
	b.Go(s.url + "/lots/line/sensor-b")
	b.Type("#serial", "B-1\n")
	b.Wait(`document.querySelector("h1").textContent === "B-1 waits"`)
	look("waits")
	status := webtest.Value[int](b, `fetch("/lots/line/sensor-b", {method: "POST", body: new URLSearchParams({serial: "B-2"})}).then((r) => r.status)`)
	if status != 422 {
		t.Errorf("a second device while one is tested: status %d; expected 422", status)
	}
	b.Go(s.url + "/")
	b.Click(`form[action="/resume"] button`)
	b.See(".said")
	b.Go(s.url + "/lots/line/sensor-b")
	b.Wait(`document.querySelector("h1").textContent === "Look at B-1"`)
	look("retest")
	b.Type("#why", "B-1\n")
	b.Wait(`document.querySelector(".problems")?.textContent.includes("expected some words")`)
	b.Set("#why", "")
	b.Type("#why", "the tube had slipped off\n")
	b.Wait(`document.querySelector("h1").textContent === "Test B-1"`)
	look("again")
	b.Type("#serial", "B-2\n")
	b.Wait(`document.querySelector(".problems")?.textContent.includes("B-1 is to be tested next")`)
	b.Set("#serial", "")
	b.Type("#serial", "B-1\n")
	b.Wait(`document.querySelector("h1").textContent === "Look at B-1" && document.querySelector("#result").textContent.includes("Run 2")`)
	b.Go(s.url + "/lots/of/sensor-b/1")
	b.Wait(`document.body.textContent.includes("tested again: the tube had slipped off")`)
	for _, text := range b.Complaints() {
		t.Errorf("the browser complains: %s", text)
	}
}

// TestDaemonEntersWhatIsOver: a run that was over before the daemon started is
// entered by it, as whoever asked for it.
func TestDaemonEntersWhatIsOver(t *testing.T) {
	bin, data := drench(t), t.TempDir()
	for _, command := range [][]string{
		{"lot", "open", "--product", "p", "--size", "20", "--aql", "10", "--test", "drip", "--by", "ann"},
		{"lot", "assign", "1", "s1", "--by", "bob"},
		{"run", "drip", "--dut", "s1", "--tag", "lot=p/1", "--tag", "by=eve"},
	} {
		if _, stderr, status := call(t, data, append([]string{bin}, command...)...); status != 0 {
			t.Fatalf("%v: exit status %d\n%s", command, status, stderr)
		}
	}
	if out, _, _ := call(t, data, bin, "lot", "verify"); !strings.Contains(out, "DIFFERS: lot 1, run 1 tested s1, sample 1") {
		t.Errorf("verify says nothing of a run that is not entered:\n%s", out)
	}
	startServing(t, data, nil)
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		out, _, _ := call(t, data, bin, "lot", "export")
		if strings.Contains(out, `"by":"eve","kind":"result"`) {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("the run was not entered:\n%s", out)
		}
	}
}
