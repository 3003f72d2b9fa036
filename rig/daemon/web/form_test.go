package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"drench/rig/daemon"
)

func TestExplainCron(t *testing.T) {
	for spec, want := range map[string]string{
		"":               "started by hand only",
		"30 22 * * *":    "at 22:30 every day",
		"5 4 * * 0":      "at 04:05 on Sunday",
		"30 22 * * 1-5":  "at 22:30 on Monday to Friday",
		"0 1 1 * *":      "at 01:00 on day 1 of the month",
		"0 1 * 6 1,3":    "at 01:00 in month 6 on Monday, Wednesday",
		"*/10 * * * *":   "at minute */10 of every hour every day",
		"0 */2 * * *":    "at minute 0 of hour */2 every day",
		"0 1 * * MON":    "at 01:00 on weekday MON",
		"@daily":         "daily",
		"@every 1h30m0s": "every 1h30m0s",
	} {
		if got := explainCron(spec); got != want {
			t.Errorf("%q is %q; want %q", spec, got, want)
		}
	}
}

// FuzzForms sends anything as forms: no page breaks, and what a page shows of
// it is escaped.
func FuzzForms(f *testing.F) {
	for _, s := range []string{"drip", "a = b, c", "<script>alert(1)</script>", "\x00", "30 22 * * *", "https://x y", "x.star", "ä"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		form := url.Values{"scenario": {s}, "settings": {s}, "trials": {s}, "seed": {s}, "tags": {s}, "name": {s}, "cron": {s}, "zone": {s}, "limits": {s}, "webhooks": {s}, "text": {s}, "then": {s}}
		r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		q, wrong := readRunForm(r).request()
		if len(wrong) == 0 && q.Trials < 0 {
			t.Errorf("%q gives %+v", s, q)
		}
		nf, err := readNightForm(r)
		if err != nil {
			t.Fatal(err)
		}
		if n, wrong := nf.night(); len(wrong) == 0 {
			again, wrong := formOf(n, false).night()
			if len(wrong) > 0 || again.Name != n.Name || len(again.Settings) != len(n.Settings) {
				t.Errorf("%q is a night, and its form is not: %q", s, wrong)
			}
		}
		explainCron(s)
		findings([]string{s})
		if to := back(r); !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") {
			t.Errorf("%q leads to %q", s, to)
		}
	})
}

func TestSettingText(t *testing.T) {
	for want, q := range map[string]daemon.Request{
		"as the profile has it": {Scenario: "drip"},
		"b.yaml":                {Profile: "b.yaml"},
		"b.yaml, a = 1, c = 2":  {Profile: "b.yaml", Settings: map[string]string{"c": "2", "a": "1"}},
	} {
		if got := settingText(q); got != want {
			t.Errorf("%+v is %q; want %q", q, got, want)
		}
	}
}
