package supply

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestParseNumber(t *testing.T) {
	for _, x := range []struct {
		answer string
		want   int64
		err    error
	}{
		// The three forms of IEEE 488.2, 8.7, and what devices send besides.
		{"5", 5e9, nil}, {"+5", 5e9, nil}, {"-12", -12e9, nil}, {"3.300", 33e8, nil}, {".5", 5e8, nil}, {"5.", 5e9, nil},
		{"+3.30000000E+00", 33e8, nil}, {"1.5e-3", 15e5, nil}, {" 1.25 ", 125e7, nil}, {"0.0000000014", 1, nil},
		{"-0.0", 0, nil}, {"1E9", 1e18, nil},
		// SCPI-1999, vol. 1, 7.2.1: infinities and not-a-number.
		{"9.9E37", 0, ErrNotNumber}, {"-9.9E+37", 0, ErrNotNumber}, {"9.91E37", 0, ErrNotNumber}, {"+9.90000E+37", 0, ErrNotNumber},
		{"1.1E9", 0, ErrGarbled}, {"1E999", 0, ErrGarbled}, {"", 0, ErrGarbled}, {"5 V", 0, ErrGarbled}, {"5;6", 0, ErrGarbled}, {"1,2", 0, ErrGarbled},
		{"NaN", 0, ErrGarbled}, {"Inf", 0, ErrGarbled}, {"0x10", 0, ErrGarbled}, {"1_000", 0, ErrGarbled}, {"--5", 0, ErrGarbled}, {"1e", 0, ErrGarbled}, {".", 0, ErrGarbled},
	} {
		got, err := parseNumber(x.answer)
		if got != x.want || !errors.Is(err, x.err) {
			t.Errorf("%q: got %d, %v; want %d, %v", x.answer, got, err, x.want, x.err)
		}
	}
}

func TestParseAnswers(t *testing.T) {
	for answer, want := range map[string]Error{
		`0,"No error"`:                             {Code: 0, Text: "No error"},
		`+0,"No error"`:                            {Code: 0, Text: "No error"},
		`-113,"Undefined header;FOO"`:              {Code: -113, Text: "Undefined header;FOO"},
		`-222, "Data ""out"" of range"`:            {Code: -222, Text: `Data "out" of range`},
		`42,""`:                                    {Code: 42}, // SCPI-1999, vol. 2, ch. 21: a device's own error may have no text
		`-100,Command error`:                       {Code: -100, Text: "Command error"},
		` 7 , "` + "a, b" + `" `:                   {Code: 7, Text: "a, b"},
		`-350,"Queue overflow"`:                    {Code: -350, Text: "Queue overflow"},
		`32767,"` + strings.Repeat("x", 200) + `"`: {Code: 32767, Text: strings.Repeat("x", 200)},
	} {
		if got, err := parseEntry(answer); err != nil || got != want {
			t.Errorf("%q: got %v, %v", answer, got, err)
		}
	}
	for _, bad := range []string{"", "1", "No error", `0;"No error"`, `-113,"open`, `1.5,"x"`, `,"x"`, `1234567,"x"`} {
		if _, err := parseEntry(bad); !errors.Is(err, ErrGarbled) {
			t.Errorf("entry %q: got %v", bad, err)
		}
	}
	for answer, want := range map[string]bool{"1": true, "0": false, "ON": true, "off": false, "+1": true, " 0 ": false} {
		if got, err := parseBool(answer); err != nil || got != want {
			t.Errorf("bool %q: got %v, %v", answer, got, err)
		}
	}
	for _, bad := range []string{"", "2", "yes", "1.0", "10"} {
		if _, err := parseBool(bad); !errors.Is(err, ErrGarbled) {
			t.Errorf("bool %q: got %v", bad, err)
		}
	}
	if _, err := parseDone("0"); !errors.Is(err, ErrGarbled) {
		t.Errorf("an answer of 0 to *OPC?: got %v", err)
	}
	if id, err := parseIdentity("a, b ,,0"); err != nil || id != (Identity{"a", "b", "", "0"}) {
		t.Errorf("identity: got %v, %v", id, err)
	}
	for _, bad := range []string{"", "a,b,c", "a,b,c,d,e", ",b,0,0", "a,,0,0"} {
		if _, err := parseIdentity(bad); !errors.Is(err, ErrGarbled) {
			t.Errorf("identity %q: got %v", bad, err)
		}
	}
	for _, bad := range []string{"", "-5", "1000", "+3.7E+01", "3 7"} {
		if _, err := parseToken(bad); !errors.Is(err, ErrGarbled) {
			t.Errorf("token %q: got %v", bad, err)
		}
	}
}

// TestDecimal: what is sent is what is meant, to the last nano.
func TestDecimal(t *testing.T) {
	for nano, want := range map[int64]string{0: "0", 1: "0.000000001", 3_300_000_000: "3.3", 30e9: "30", 10_050_000_000: "10.05"} {
		if got := decimal(nano); got != want {
			t.Errorf("%d: got %s, want %s", nano, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(0, 1e15).Draw(t, "nano")
		step := rapid.SampledFrom([]int64{1, 1e3, 1e6, 5e6, 1e7}).Draw(t, "step")
		r := round(n, step)
		if got, err := parseNumber(decimal(r)); err != nil || got != r || r%step != 0 || apart(r, n) > step/2 {
			t.Fatalf("%d in steps of %d: sent %s, read back %d (%v)", n, step, decimal(r), got, err)
		}
	})
}

// FuzzAnswers: no answer makes a parser panic, or accept what is not of its
// form.
func FuzzAnswers(f *testing.F) {
	for _, s := range []string{"1", "+3.3E+00", "9.91E37", `0,"No error"`, `-113,"Undefined header;""X"""`, "a,b,0,0", "ON", "\x00", "1e-999", strings.Repeat("9", 600)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, answer string) {
		n, err := parseNumber(answer)
		if v, e := strconv.ParseFloat(strings.TrimSpace(answer), 64); err == nil && (e != nil || math.Abs(v*1e9-float64(n)) > 0.5+math.Abs(v)*1e-6) {
			t.Errorf("%q is read as %d nano", answer, n)
		}
		if n, err := parseToken(answer); err == nil && (n < 0 || n > 999) {
			t.Errorf("%q is read as the token %d", answer, n)
		}
		if e, err := parseEntry(answer); err == nil && (len(e.Text) > len(answer) || !strings.Contains(answer, ",")) {
			t.Errorf("%q is read as %v", answer, e)
		}
		if id, err := parseIdentity(answer); err == nil && (id.Maker == "" || id.Model == "" || strings.Count(answer, ",") != 3) {
			t.Errorf("%q is read as %v", answer, id)
		}
		if on, err := parseBool(answer); err == nil && on == strings.ContainsAny(answer, "0fF") {
			t.Errorf("%q is read as %v", answer, on)
		}
	})
}

// pieces is a link whose bytes come a few at a time.
type pieces struct {
	io.Reader
	size int
}

func (p pieces) Read(b []byte) (int, error) { return p.Reader.Read(b[:min(len(b), p.size)]) }
func (pieces) Write(b []byte) (int, error)  { return len(b), nil }
func (pieces) Close() error                 { return nil }

// FuzzLines: whatever comes, and in whatever pieces, lines are bounded and
// printable, and the good ones are all there. A line that has not ended by the
// time that more has come than a line may have is cut there, so lines are
// compared only where all are short.
func FuzzLines(f *testing.F) {
	f.Add([]byte("1\n+3.3\r\n\n"), uint8(1), uint8(0))
	f.Add([]byte("1\r2\r\n3"), uint8(3), uint8(2))
	f.Add([]byte("a\x00b\n"+strings.Repeat("x", 3000)+"\nok\n"), uint8(200), uint8(1))
	f.Fuzz(func(t *testing.T, sent []byte, size, which uint8) {
		ending := []string{"\n", "\r\n", "\r"}[which%3]
		w := newWire(pieces{bytes.NewReader(sent), 1 + int(size)}, ending)
		defer w.close()
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		var got []string
		for {
			line, err := w.line(ctx)
			if errors.Is(err, ErrLost) {
				break
			}
			if err != nil && !errors.Is(err, ErrGarbled) {
				t.Fatal(err)
			}
			if len(line) > mostAnswer || strings.ContainsFunc(line, func(r rune) bool { return r < ' ' || r > '~' }) {
				t.Fatalf("line %q", line)
			}
			if len(w.rest) > 3*mostAnswer {
				t.Fatalf("%d bytes are kept", len(w.rest))
			}
			if err == nil {
				got = append(got, line)
			}
		}
		if short, want := lines(sent, ending); short && strings.Join(got, "\n") != strings.Join(want, "\n") {
			t.Fatalf("%q in pieces of %d: got %q, want %q", sent, size, got, want)
		}
	})
}

// lines returns the good lines of what was sent, and whether all are short.
func lines(sent []byte, ending string) (short bool, good []string) {
	parts := strings.Split(string(sent), ending[len(ending)-1:])
	short = true
	for i, p := range parts {
		short = short && len(p) <= mostAnswer
		if p = strings.Trim(p, "\r\n"); i < len(parts)-1 && plain([]byte(p)) {
			good = append(good, p)
		}
	}
	return short, good
}

// TestLongAnswer: an answer without end is given up, not kept.
func TestLongAnswer(t *testing.T) {
	w := newWire(pieces{strings.NewReader(strings.Repeat("1", 10*mostAnswer)), 4096}, "\n")
	defer w.close()
	_, err := w.line(context.Background())
	wantError(t, err, ErrGarbled, "at most 512 characters")
	if len(w.rest) > mostAnswer {
		t.Errorf("%d bytes are kept", len(w.rest))
	}
}
