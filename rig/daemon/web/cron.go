package web

import (
	"fmt"
	"strings"
)

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
