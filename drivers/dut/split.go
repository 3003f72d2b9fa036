package dut

import (
	"bytes"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// CutMark ends the text of a line that was longer than Config.MaxLine.
const CutMark = "…"

// splitter makes lines of a byte stream. A line ends at LF, CR LF or CR, in
// whatever pieces the bytes come; lines with nothing to see are passed over.
type splitter struct {
	max   int
	line  []byte // of the unfinished line, at most max
	long  bool   // it had more than that
	sawCR bool   // a LF that comes now ends nothing
}

// feed takes the next bytes and calls emit with each line that they end.
func (s *splitter) feed(p []byte, emit func(text string, cut bool)) {
	for len(p) > 0 {
		end := bytes.IndexAny(p, "\r\n")
		if end < 0 {
			s.add(p)
			return
		}
		second := p[end] == '\n' && end == 0 && s.sawCR
		s.add(p[:end])
		s.sawCR = p[end] == '\r'
		p = p[end+1:]
		if second {
			continue
		}
		if text, cut := s.take(); text != "" {
			emit(text, cut)
		}
	}
}

func (s *splitter) add(p []byte) {
	if len(p) == 0 {
		return
	}
	s.sawCR = false
	room := s.max - len(s.line)
	s.long = s.long || len(p) > room
	s.line = append(s.line, p[:min(len(p), room)]...)
}

// take returns the unfinished line and starts a new one.
func (s *splitter) take() (text string, cut bool) {
	text, cut = clean(s.line, s.max)
	if s.long && !cut {
		text, cut = strings.TrimSuffix(text, string(utf8.RuneError))+CutMark, true
	}
	s.line, s.long = s.line[:0], false
	if strings.TrimSpace(text) == "" {
		return "", false
	}
	return text, cut
}

// control matches the control sequences of ECMA-48 clause 5.4, which loggers
// use for colour: CSI, parameter bytes, intermediate bytes, a final byte.
var control = regexp.MustCompile(`\x1b\[[0-?]*[ -/]*[@-~]`)

// clean makes a line fit to show and to match: valid UTF-8 without control
// characters. Bytes that are no UTF-8 become U+FFFD, any kind of space a
// space, and what can't be seen goes; NUL is what a break, or a DUT losing its
// supply, looks like. Text of more than max bytes is cut and marked.
func clean(line []byte, max int) (text string, cut bool) {
	text = strings.ToValidUTF8(string(line), string(utf8.RuneError))
	text = control.ReplaceAllLiteralString(text, "")
	text = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case !unicode.IsPrint(r):
			return -1
		}
		return r
	}, text)
	if len(text) <= max {
		return text, false
	}
	for !utf8.RuneStart(text[max]) {
		max--
	}
	return text[:max] + CutMark, true
}
