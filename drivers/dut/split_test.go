package dut

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"pgregory.net/rapid"
)

type got struct {
	text string
	cut  bool
}

// lines splits chunks, with lines of at most max bytes.
func lines(max int, chunks ...[]byte) []got {
	s := splitter{max: max}
	var all []got
	for _, c := range chunks {
		s.feed(c, func(text string, cut bool) { all = append(all, got{text, cut}) })
	}
	return all
}

func TestSplit(t *testing.T) {
	const max = 16
	for _, c := range []struct {
		name   string
		chunks []string
		want   []got
	}{
		{"LF", []string{"a\nb\n"}, []got{{"a", false}, {"b", false}}},
		{"CR LF", []string{"a\r\nb\r\n"}, []got{{"a", false}, {"b", false}}},
		{"CR", []string{"a\rb\r"}, []got{{"a", false}, {"b", false}}},
		{"LF CR", []string{"a\n\rb\n\r"}, []got{{"a", false}, {"b", false}}},
		{"CR and LF in two reads", []string{"a\r", "\nb\n"}, []got{{"a", false}, {"b", false}}},
		{"CR and LF in two reads, none between", []string{"a\r", "", "\nb\n"}, []got{{"a", false}, {"b", false}}},
		{"one byte a read", []string{"a", "b", "\r", "\n", "c", "\n"}, []got{{"ab", false}, {"c", false}}},
		{"unfinished", []string{"a\nb"}, []got{{"a", false}}},
		{"empty lines", []string{"\n\n\r\n \t \na\n"}, []got{{"a", false}}},
		{"just fits", []string{"0123456789abcdef\n"}, []got{{"0123456789abcdef", false}}},
		{"one too long", []string{"0123456789abcdefg\nh\n"}, []got{{"0123456789abcdef…", true}, {"h", false}}},
		{"too long in pieces", []string{"0123456789", "abcdef", "g", "hi\nj\n"}, []got{{"0123456789abcdef…", true}, {"j", false}}},
		{"cut in the middle of a character", []string{"0123456789abcdeä\n"}, []got{{"0123456789abcde…", true}}},
		{"NULs of a break before a banner", []string{"\x00\x00boot 1.2\n"}, []got{{"boot 1.2", false}}},
		{"colours", []string{"\x1b[1;31mwet\x1b[0m 1\n"}, []got{{"wet 1", false}}},
		{"tab", []string{"a\tb\n"}, []got{{"a b", false}}},
		{"bell, backspace, DEL, C1", []string{"a\a\b\x7f\u0085\u009fb\n"}, []got{{"a b", false}}}, // U+0085 is a kind of space
		{"marks that turn the direction of writing", []string{"a\u202eb\n"}, []got{{"ab", false}}},
		{"line separator", []string{"a\u2028b\n"}, []got{{"a b", false}}},
		{"no UTF-8", []string{"a\xff\xfeb\xc3\n"}, []got{{"a\ufffdb\ufffd", false}}},
		{"UTF-8 in two reads", []string{"23 \xc2", "\xb0C\n"}, []got{{"23 °C", false}}},
		{"longer once it is clean", []string{"\xffa\xffa\xffa\xffa\xffa\n"}, []got{{"\ufffda\ufffda\ufffda\ufffda…", true}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var chunks [][]byte
			for _, s := range c.chunks {
				chunks = append(chunks, []byte(s))
			}
			if got := lines(max, chunks...); !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %v, want %v", got, c.want)
			}
		})
	}
}

// wellFormed tells what is wrong with a line, "" if nothing.
func wellFormed(l got, max int) string {
	switch {
	case !utf8.ValidString(l.text):
		return "is not valid UTF-8"
	case len(l.text) > max+len(CutMark), !l.cut && len(l.text) > max:
		return fmt.Sprintf("is %d bytes long", len(l.text))
	case l.cut && !strings.HasSuffix(l.text, CutMark):
		return "was cut and is not marked"
	case strings.ContainsFunc(l.text, unicode.IsControl):
		return "has control characters"
	case strings.TrimSpace(l.text) == "":
		return "is empty"
	}
	return ""
}

// bytesOf draws bytes as a DUT, or noise on its line, might send them.
func bytesOf(t *rapid.T) []byte {
	piece := rapid.OneOf(
		rapid.SampledFrom([]string{"\r", "\n", "\r\n", "\x1b[0m", "\x1b", "\x00", "ä", "\xc3", "raw=12 diff=-3"}),
		rapid.Map(rapid.SliceOfN(rapid.Byte(), 0, 30), func(b []byte) string { return string(b) }),
	)
	return []byte(strings.Join(rapid.SliceOfN(piece, 0, 40).Draw(t, "pieces"), ""))
}

// Lines depend on the bytes, not on how reads cut them up.
func TestAnyChunkingGivesTheSameLines(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := bytesOf(t)
		max := rapid.IntRange(leastLine, 64).Draw(t, "max")
		var chunks [][]byte
		for rest := all; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "chunk")
			chunks, rest = append(chunks, rest[:n]), rest[n:]
		}
		want := lines(max, all)
		if got := lines(max, chunks...); !reflect.DeepEqual(got, want) {
			t.Fatalf("in chunks %v, in one %v", got, want)
		}
		for _, l := range want {
			if bad := wellFormed(l, max); bad != "" {
				t.Fatalf("%q %s", l.text, bad)
			}
		}
	})
}

// What the splitter leaves alone comes out as it went in.
func TestPlainLinesPass(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.SliceOf(rapid.StringMatching(`[!-~][ -~]{0,40}`)).Draw(t, "lines")
		end := rapid.SampledFrom([]string{"\n", "\r\n", "\r"}).Draw(t, "end")
		var want []got
		for _, l := range text {
			want = append(want, got{l, false})
		}
		if got := lines(64, []byte(strings.Join(append(text, ""), end))); !reflect.DeepEqual(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

func FuzzSplit(f *testing.F) {
	for _, s := range []string{"", "raw=1 diff=2\r\n", "\x1b[0", "\xff\xff\n", "\r\r\n\n", strings.Repeat("x", 200) + "\n"} {
		f.Add([]byte(s), 7)
	}
	f.Fuzz(func(t *testing.T, data []byte, chunk int) {
		const max = 32
		chunk = chunk&63 + 1
		s := splitter{max: max}
		for len(data) > 0 {
			n := min(chunk, len(data))
			s.feed(data[:n], func(text string, cut bool) {
				if bad := wellFormed(got{text, cut}, max); bad != "" {
					t.Fatalf("%q %s", text, bad)
				}
			})
			if len(s.line) > max || cap(s.line) > 4*max {
				t.Fatalf("%d bytes kept in %d", len(s.line), cap(s.line))
			}
			data = data[n:]
		}
	})
}
