package web

import (
	"fmt"
	"strings"
	"time"

	"github.com/robfig/cron/v3"
)

// nextStarts are the next times that a schedule starts something: none for
// one that only people start.
func nextStarts(spec, zone string, now time.Time, n int) ([]time.Time, error) {
	if spec == "" {
		return nil, nil
	}
	at, err := cron.ParseStandard(spec)
	if err != nil {
		return nil, fmt.Errorf("cron: %q can't be read: %w; expected five fields, minute hour day month weekday, such as 30 22 * * 1-5", spec, err)
	}
	in := time.UTC
	if zone != "" {
		if in, err = time.LoadLocation(zone); err != nil {
			return nil, fmt.Errorf("zone: %q is not known; expected a name such as Europe/Berlin, or nothing for UTC", zone)
		}
	}
	var list []time.Time
	for t := now.In(in); len(list) < n; {
		if t = at.Next(t); t.IsZero() {
			break // never, such as on 30 February
		}
		list = append(list, t)
	}
	return list, nil
}

// explainCron says a schedule in words, field by field.
func explainCron(spec string) string {
	if spec == "" {
		return "started by hand only"
	}
	fields := strings.Fields(spec)
	if len(fields) != 5 {
		return strings.TrimPrefix(spec, "@")
	}
	words := []string{cronTime(fields[0], fields[1])}
	for i, of := range []struct{ every, on string }{{"", "on day %s of the month"}, {"", "in month %s"}, {"every day", "on %s"}} {
		f := fields[i+2]
		switch {
		case f != "*" && i == 2:
			words = append(words, fmt.Sprintf(of.on, weekdays(f)))
		case f != "*":
			words = append(words, fmt.Sprintf(of.on, f))
		case i == 2 && fields[2] == "*":
			words = append(words, of.every)
		}
	}
	return strings.Join(words, " ")
}

func cronTime(minute, hour string) string {
	digits := func(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }
	switch {
	case digits(minute) && digits(hour):
		return fmt.Sprintf("at %02s:%02s", hour, minute)
	case hour == "*":
		return "at minute " + minute + " of every hour"
	}
	return "at minute " + minute + " of hour " + hour
}

// weekdays names the days that a field has as numbers.
func weekdays(field string) string {
	names := [...]string{"Sunday", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"}
	var b strings.Builder
	for _, r := range field {
		switch {
		case r >= '0' && r <= '7':
			b.WriteString(names[r-'0'])
		case r == '-':
			b.WriteString(" to ")
		case r == ',':
			b.WriteString(", ")
		default:
			return "weekday " + field
		}
	}
	return b.String()
}
