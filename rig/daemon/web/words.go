package web

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"html/template"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"drench/rig"
)

// funcs are what templates may call.
var funcs = template.FuncMap{
	"wall":     wall,
	"iso":      func(t time.Time) string { return t.UTC().Format(time.RFC3339) },
	"age":      age,
	"join":     strings.Join,
	"inc":      func(n int) int { return n + 1 },
	"dec":      func(n int) int { return n - 1 },
	"span":     span,
	"lines":    func(s []string) string { return strings.Join(s, "\n") },
	"driven":   func(d rig.Direction) bool { return d == rig.Output },
	"hash":     func(s string) string { return s[:min(12, len(s))] },
	"sentence": sentence,
	"rows":     func(text string) int { return min(32, max(10, strings.Count(text, "\n")+3)) }, // of an editor
	"place":    func(f frame, section, path, name string) place { return place{path, name, f.Section == section} },
}

// sentence makes one of a text that is meant to stand within another.
func sentence(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	s = string(unicode.ToUpper(first)) + s[size:]
	if strings.ContainsAny(s[len(s)-1:], ".!?") {
		return s
	}
	return s + "."
}

// place is an entry of the navigation.
type place struct {
	Path, Name string
	Is         bool // the one that is shown
}

// wall prints wall time in UTC, to the minute.
func wall(t time.Time) string {
	if t.IsZero() {
		return "not yet"
	}
	return t.UTC().Format("2006-01-02 15:04 UTC")
}

// age prints how long ago a reading was on the bench's clock.
func age(now, at rig.Instant) string {
	d := now.Sub(at)
	switch {
	case d < 0:
		return "0 s"
	case d < 10*time.Second:
		return strconv.FormatFloat(d.Seconds(), 'f', 1, 64) + " s"
	}
	return span(d)
}

// span prints a duration as people say it, to the second.
func span(d time.Duration) string {
	d = d.Round(time.Second)
	days, h, m, s := int(d.Hours())/24, int(d.Hours())%24, int(d.Minutes())%60, int(d.Seconds())%60
	switch {
	case days > 0:
		return fmt.Sprintf("%d d %d h", days, h)
	case h > 0:
		return fmt.Sprintf("%d h %d min", h, m)
	case m > 0:
		return fmt.Sprintf("%d min %d s", m, s)
	}
	return fmt.Sprintf("%d s", s)
}

// plural prints a count with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

func etag(b []byte) string {
	sum := sha256.Sum256(b)
	return `"` + hex.EncodeToString(sum[:16]) + `"`
}

// splitList reads words between commas and line breaks.
func splitList(s string) []string {
	var list []string
	for _, w := range strings.FieldsFunc(s, func(r rune) bool { return r == ',' || r == '\n' || r == '\r' }) {
		if w = strings.TrimSpace(w); w != "" {
			list = append(list, w)
		}
	}
	return list
}

// splitPairs reads "key = value" from each part; where says what is wrong with
// a part that is none.
func splitPairs(parts []string, where string) (map[string]string, []string) {
	var wrong []string
	pairs := map[string]string{}
	for _, p := range parts {
		key, value, ok := strings.Cut(p, "=")
		key, value = strings.TrimSpace(key), strings.TrimSpace(value)
		switch {
		case !ok || key == "" || value == "":
			wrong = append(wrong, fmt.Sprintf("%s: %q; expected KEY = VALUE", where, p))
		case pairs[key] != "":
			wrong = append(wrong, fmt.Sprintf("%s: %q is there twice; expected each key once", where, key))
		}
		pairs[key] = value
	}
	if len(pairs) == 0 {
		return nil, wrong
	}
	return pairs, wrong
}

// joinPairs writes what splitPairs reads, in the order of keys.
func joinPairs(pairs map[string]string, between string) string {
	return strings.Join(sortedPairs(pairs), between)
}

// splitLines are the lines that hold something.
func splitLines(s string) []string {
	var list []string
	for line := range strings.Lines(s) {
		if line = strings.TrimSpace(line); line != "" {
			list = append(list, line)
		}
	}
	return list
}
