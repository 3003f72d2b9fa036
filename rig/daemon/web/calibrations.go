package web

import (
	"fmt"
	"net/http"
	"time"

	"drench/rig"
	"drench/rig/daemon"
)

// soon is when a record that is still good begins to ask for attention.
const soon = 30 * 24 * time.Hour

type calibrationRow struct {
	daemon.Calibration
	Mark string // shape: pass, inconc, fail
	Word string // in words: valid, due in n days, expired
}

func (s *site) calibrations(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Bench.Calibrations(r.Context())
	if err != nil {
		return err
	}
	rows := make([]calibrationRow, len(list))
	for i, c := range list {
		rows[i] = calibrationRow{Calibration: c}
		rows[i].Mark, rows[i].Word = standing(c, s.Now())
	}
	return s.show(w, r, view{page: "calibrations", title: "Calibrations", section: "calibrations", body: rows})
}

// standing says how long a record is good for.
func standing(c daemon.Calibration, now time.Time) (mark, word string) {
	left := c.Expires.Sub(now)
	switch {
	case c.State == rig.Future:
		return "inconc", "dated in the future: this machine’s clock or the record is wrong"
	case left <= 0:
		return "fail", fmt.Sprintf("expired %s ago", days(-left))
	case left <= soon:
		return "inconc", fmt.Sprintf("due in %s", days(left))
	}
	return "pass", fmt.Sprintf("valid, due in %s", days(left))
}

func days(d time.Duration) string { return plural(int(d.Hours()/24), "day", "days") }
