package web

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"drench/results/inspection"
	"drench/results/lot"
	"drench/results/sampling"
	"drench/results/store"
	"drench/results/verdict"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// withLot gives a site an open lot of which one unit is tested, with a sample
// of 5, Ac 1, Re 2.
func withLot(t *testing.T, s *served) inspection.Desk {
	t.Helper()
	d := inspection.Desk{Store: s.st, Now: s.now}
	_, err := d.Open(t.Context(), d.Act("ada", ""), "sensor b", sampling.ISO2859, lot.Terms{Lot: "L1", Size: 20, AQL: 10, Level: sampling.LevelII, Test: &lot.Test{Scenario: "drip"}})
	must(t, err)
	return d
}

// over keeps a run of a device that was tested for the lot.
func over(t *testing.T, s *served, serial string, v verdict.Verdict) {
	t.Helper()
	ctx := context.Background()
	rec, err := s.st.Begin(ctx, store.Run{Started: s.now(), Scenario: "drip", DUT: serial, Bench: "virtual", Tags: inspection.Tags("sensor b", "L1", "bob")})
	must(t, err)
	text := fmt.Sprintf("run %d on %s", rec.ID(), serial)
	must(t, rec.WriteChunk([]byte(text)))
	must(t, rec.Finish(ctx, v, "", sum(text), nil))
}

const atLine = "/lots/line/sensor%20b"

// TestScan: a device is taken in once, with the lot's tags and who asked.
func TestScan(t *testing.T) {
	s := serve(t, true)
	withLot(t, s)
	scan := func(serial string) answer {
		return s.ask("POST", atLine, url.Values{"serial": {serial}}, access.Operator)
	}
	s.ask("GET", atLine, nil, access.Operator).want(t, 200, "Take unit", `autofocus`, "0 of 5 tested")
	if a := s.ask("GET", atLine, nil, access.Viewer); strings.Contains(a.text, `id="serial"`) {
		t.Error("a viewer is asked for serial numbers")
	}
	if a := scan(" s1 "); a.StatusCode != 303 || a.Header.Get("Location") != atLine {
		t.Fatalf("status %d: %s", a.StatusCode, a.text)
	}
	jobs, err := s.Jobs(t.Context(), daemon.JobFilter{States: []daemon.State{daemon.Queued}})
	must(t, err)
	if len(jobs) != 1 || jobs[0].DUT != "s1" || jobs[0].Scenario != "drip" || strings.Join(jobs[0].Tags, " ") != "lot=sensor b/L1 by=a-operator" {
		t.Errorf("%+v", jobs)
	}
	s.ask("GET", atLine, nil, access.Operator).want(t, 200, "Testing s1", `http-equiv="refresh"`)
	scan("s1").want(t, 422, "s1 is being tested")
	scan("s2").want(t, 422, "s1 is being tested", `data-sound="wrong"`)
	_, err = s.take(jobs[0].ID)
	must(t, err)
	over(t, s, "s1", verdict.Inconc)
	s.ask("GET", atLine, nil, access.Operator).want(t, 200, "Testing s1") // it is not entered yet
	scan("s2").want(t, 422, "s2 is not the one: s1 is to be tested next") // what is over was entered first
}

// TestLine says after each result what is to be done, up to the decision.
func TestLine(t *testing.T) {
	s := serve(t, false)
	d := withLot(t, s)
	ctx := t.Context()
	enter := func(serial string, v verdict.Verdict) {
		t.Helper()
		_, err := d.Scan(ctx, d.Act("bob", ""), "sensor b", serial)
		must(t, err)
		over(t, s, serial, v)
		_, err = d.Enter(ctx, "sensor b")
		must(t, err)
	}
	enter("s1", verdict.Inconc)
	s.get(atLine).want(t, 200, "Look at s1", "undecided", `data-sound="neither"`)
	s.post(atLine+"/retest", url.Values{"serial": {"s1"}, "why": {"s1"}}).want(t, 422, "expected some words")
	s.post(atLine+"/retest", url.Values{"serial": {"s1"}, "why": {"the tube slipped"}}).want(t, 303)
	s.get(atLine).want(t, 200, "Test s1")
	enter("s1", verdict.Pass)
	s.get(atLine).want(t, 200, "conforming", `data-sound="conforming"`, "1 of 5 tested")
	s.post(atLine+"/decide", nil).want(t, 422, "can&#39;t be decided yet")
	enter("s2", verdict.Fail)
	s.get(atLine).want(t, 200, "nonconforming", `data-sound="nonconforming"`, "<strong>1</strong> nonconforming")
	for _, serial := range []string{"s3", "s4", "s5"} {
		enter(serial, verdict.Fail)
	}
	s.get("/lots/of/sensor%20b/L1").want(t, 200, "tested again: the tube slipped", "producer’s risk 8.15 % at 10 %", "open")
	s.post("/lots/void/sensor%20b", url.Values{"lot": {"L1"}, "entry": {"1"}, "why": {"wrong"}}).want(t, 422, "entry 1 can&#39;t be voided")
	s.get("/lots/of/sensor%20b/L1/certificate").want(t, 422, "expected one that is accepted or rejected")
	s.get(atLine).want(t, 200, "All tested", "Enter the decision")
	s.post(atLine+"/decide", nil).want(t, 303)
	s.get(atLine).want(t, 200, "Lot rejected", `data-sound="rejected"`)
	s.get("/lots/of/sensor%20b/L1/certificate").want(t, 200, "rejected", "s5", "the tube slipped")
	s.get("/lots/of/sensor%20b/L1/results.csv").want(t, 200, "nonconforming")
	s.get("/lots/ledger/sensor%20b").want(t, 200, `"kind":"decide"`)
	s.get("/lots").want(t, 200, "sensor b", "rejected", "next lot: normal")
	s.get("/lots/of/sensor%20b/L9").want(t, 404)
	s.get("/lots/line/nothing").want(t, 404)
}

// TestSigner: without a login the ledger has the name that somebody gave.
func TestSigner(t *testing.T) {
	s := serve(t, false)
	d := withLot(t, s)
	a := s.post("/lots/name", url.Values{"name": {"Éva Ö"}, "then": {atLine}})
	if a.StatusCode != 303 || len(a.Cookies()) != 1 || !a.Cookies()[0].HttpOnly {
		t.Fatalf("status %d, cookies %v", a.StatusCode, a.Cookies())
	}
	s.post("/lots/name", url.Values{"name": {" "}}).want(t, 422)
	s.post(atLine, url.Values{"serial": {"s1"}}).want(t, 303)
	for _, j := range s.queue {
		if j.Tags[1] != "by=local" {
			t.Errorf("tags %q; nobody was named in that request", j.Tags)
		}
	}
	series, err := d.Series(t.Context(), "sensor b")
	must(t, err)
	if serial := series.Current().Units[0].Serial; serial != "s1" {
		t.Errorf("%q was assigned", serial)
	}
}

// TestLotForm shows a plan before it opens the lot, and says what is wrong.
func TestLotForm(t *testing.T) {
	s := serve(t, false)
	form := url.Values{"product": {"p"}, "size": {"20"}, "aql": {"10"}, "level": {"II"}, "scenario": {"drip"}, "do": {"plan"}}
	s.get("/lots/new").want(t, 200, "Open a lot", "0.065")
	s.post("/lots", form).want(t, 200, "Code letter C, normal inspection: test 5 of 20 units", "Open lot 1")
	if list, err := s.st.Products(t.Context()); err != nil || len(list) > 0 {
		t.Errorf("ledgers of %q, %v after a plan", list, err)
	}
	form.Set("do", "open")
	if a := s.post("/lots", form); a.StatusCode != 303 || a.Header.Get("Location") != "/lots/line/p?done=opened" {
		t.Errorf("status %d, %s", a.StatusCode, a.text)
	}
	s.post("/lots", form).want(t, 422, "is still open")
	for key, wrong := range map[string]string{"size": "many", "aql": "3", "trials": "0", "product": "a/b", "level": "V"} {
		f := url.Values{}
		for k, v := range form {
			f[k] = v
		}
		f.Set(key, wrong)
		s.post("/lots", f).want(t, 422, "is wrong")
	}
}
