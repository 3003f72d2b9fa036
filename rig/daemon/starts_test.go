package daemon

import (
	"strings"
	"testing"
	"time"
)

func TestStarts(t *testing.T) {
	for _, c := range []struct {
		cron, zone, after string
		want              []string // in the zone
		wrong             string   // part of the error; "": none
	}{
		{"30 22 * * *", "", "2026-03-27 23:00", []string{"03-28 22:30", "03-29 22:30", "03-30 22:30"}, ""},
		// Europe/Berlin skips 02:00 to 03:00 on 2026-03-29 and has it twice on 2026-10-25 (IANA tz database).
		{"30 2 * * *", "Europe/Berlin", "2026-03-28 12:00", []string{"03-29 03:00", "03-30 02:30", "03-31 02:30"}, ""},
		{"30 2 * * *", "Europe/Berlin", "2026-10-24 12:00", []string{"10-25 02:30", "10-26 02:30", "10-27 02:30"}, ""},
		{"", "", "2026-03-27 23:00", nil, ""},
		{"61 * * * *", "", "2026-03-27 23:00", nil, "expected minute, hour"},
		{"0 0 * * *", "Europe/Nowhere", "2026-03-27 23:00", nil, "expected an IANA time zone"},
	} {
		after, err := time.Parse("2006-01-02 15:04", c.after)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Night{Cron: c.cron, Zone: c.zone, Off: true}.Starts(after, 3)
		var texts []string
		for _, g := range got {
			texts = append(texts, g.Format("01-02 15:04"))
		}
		if strings.Join(texts, ", ") != strings.Join(c.want, ", ") || (err == nil) != (c.wrong == "") || err != nil && !strings.Contains(err.Error(), c.wrong) {
			t.Errorf("%q in %q: %v, %v; want %v and an error with %q", c.cron, c.zone, texts, err, c.want, c.wrong)
		}
	}
}
