package lot

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"drench/results/sampling"
	"drench/results/verdict"
)

// Entry is a line of the ledger. Names stand in the order of the alphabet,
// here and in bodies: a line is canonical JSON (RFC 8785), so that the same
// entry has one hash.
type Entry struct {
	At   time.Time       `json:"at"` // UTC, to the microsecond; the chain tells the order, not the clock
	Body json.RawMessage `json:"body"`
	By   string          `json:"by"`
	Kind Kind            `json:"kind"`
	N    int             `json:"n"`    // from 1
	Prev string          `json:"prev"` // SHA-256 of the line before, without its end; 64 zeros for the first
	Why  string          `json:"why"`
}

// Kind is what an entry tells.
type Kind string

// Kinds of entry.
const (
	Begun    Kind = "begin"    // the product's series begins
	Opened   Kind = "open"     // a lot, with plan and seal
	Drawn    Kind = "draw"     // the sample that was sealed
	Assigned Kind = "assign"   // a serial number to a sampled unit
	Tested   Kind = "result"   // a run on it
	Voided   Kind = "void"     // an assignment or a result does not count
	Retested Kind = "retest"   // a unit is tested again, since its run told nothing
	Stopped  Kind = "stop"     // inspection ends before the sample does
	Decided  Kind = "decide"   // accepted or rejected
	Withdrew Kind = "withdraw" // the lot is not inspected after all
	Resumed  Kind = "resume"   // inspection goes on after it was discontinued
)

// The bodies of entries.
type (
	beginBody struct {
		Format  int            `json:"format"` // 1
		Product string         `json:"product"`
		Rules   sampling.Rules `json:"rules"`
	}
	planBody struct {
		Ac int `json:"ac"`
		N  int `json:"n"`
		Re int `json:"re"`
	}
	openBody struct {
		Agreed      bool              `json:"agreed"`
		AQL         float64           `json:"aql,omitempty"`
		Level       sampling.Level    `json:"level,omitempty"`
		Lot         string            `json:"lot"`
		Mode        Mode              `json:"mode"`
		Plan        planBody          `json:"plan"`
		Resubmits   string            `json:"resubmits,omitempty"`
		Seal        string            `json:"seal"`
		Sequential  *Wald             `json:"sequential,omitempty"`
		Severity    sampling.Severity `json:"severity"`
		Size        int               `json:"size"`
		Steady      bool              `json:"steady"`
		Test        *Test             `json:"test,omitempty"`
		WithinLimit bool              `json:"within_limit"`
	}
	assignBody struct {
		Lot    string `json:"lot"`
		Sample int    `json:"sample"`
		Serial string `json:"serial"`
	}
	resultBody struct {
		Lot     string          `json:"lot"`
		Run     int64           `json:"run"`
		Sample  int             `json:"sample"`
		Sum     string          `json:"sum"`
		Verdict verdict.Verdict `json:"verdict"`
	}
	voidBody struct {
		Entry int    `json:"entry"`
		Lot   string `json:"lot"`
	}
	sampleBody struct {
		Lot    string `json:"lot"`
		Sample int    `json:"sample"`
	}
	countBody struct {
		Bad int    `json:"bad"`
		Lot string `json:"lot"`
		N   int    `json:"n"`
	}
	decideBody struct {
		Bad      int               `json:"bad"`
		Decision Decision          `json:"decision"`
		Lot      string            `json:"lot"`
		N        int               `json:"n"`
		Severity sampling.Severity `json:"severity"` // of the next lot
	}
	lotBody struct {
		Lot string `json:"lot"`
	}
	nothing struct{}
)

// noLine is what the first entry has for the hash of the one before.
var noLine = strings.Repeat("0", 2*sha256.Size)

// canonical writes JSON with nothing that can be written in two ways.
func canonical(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// hashOf is a line's SHA-256 in hexadecimal: printf %s "$LINE" | sha256sum
// prints the same.
func hashOf(line []byte) string {
	sum := sha256.Sum256(line)
	return hex.EncodeToString(sum[:])
}

// strictly reads JSON that is what canonical writes of v: names that v does not
// have, or has twice, another order, spaces and other spellings are refused.
func strictly(b []byte, v any) error {
	if !utf8.Valid(b) {
		return fmt.Errorf("it has bytes that are no characters")
	}
	if err := json.Unmarshal(b, v); err != nil {
		return err
	}
	again, err := canonical(v)
	if err != nil {
		return err
	}
	if !bytes.Equal(b, again) {
		return fmt.Errorf("it is not in canonical form; expected %.200s", again)
	}
	return nil
}

// parseEntry reads a line.
func parseEntry(line []byte) (Entry, error) {
	var e Entry
	if err := strictly(line, &e); err != nil {
		return e, fmt.Errorf("it can't be read: %w", err)
	}
	if _, offset := e.At.Zone(); offset != 0 || e.At.IsZero() || !e.At.Equal(e.At.Truncate(time.Microsecond)) {
		return e, fmt.Errorf("its time is %v; expected UTC, to the microsecond", e.At)
	}
	for _, text := range []struct{ name, text string }{{"by", e.By}, {"why", e.Why}} {
		if err := oneLine(text.name, text.text); err != nil {
			return e, err
		}
	}
	return e, nil
}

const longest = 500 // bytes of a text

// oneLine holds a text to one line, which has one canonical form: RFC 8785
// and Go write line separators in different ways, and Go makes U+FFFD of bytes
// that are no characters.
func oneLine(name, text string) error {
	switch {
	case strings.TrimSpace(text) == "":
		return fmt.Errorf("%s is empty; expected some text", name)
	case len(text) > longest:
		return fmt.Errorf("%s has %d bytes; expected at most %d", name, len(text), longest)
	case strings.ContainsFunc(text, func(r rune) bool {
		return unicode.IsControl(r) || r == '\u2028' || r == '\u2029' || r == utf8.RuneError
	}):
		return fmt.Errorf("%s is %q; expected text on one line", name, text)
	}
	return nil
}
