package instrument

import (
	"bytes"
	"math"
	"strconv"
	"strings"
)

// kind is the type of a data element (IEEE 488.2, 7.7).
type kind uint8

const (
	number     kind = iota // <DECIMAL NUMERIC> or <NON-DECIMAL NUMERIC PROGRAM DATA>
	word                   // <CHARACTER PROGRAM DATA>
	text                   // <STRING PROGRAM DATA>
	block                  // <ARBITRARY BLOCK PROGRAM DATA>
	expression             // <EXPRESSION PROGRAM DATA>
)

// element is one data element.
type element struct {
	kind   kind
	value  float64 // of a number
	suffix string  // of a number, upper case
	text   string  // of a word, upper case, and of a text
}

// unit is a <PROGRAM MESSAGE UNIT>: a header and its data.
type unit struct {
	words  []string // mnemonics in upper case; with '*' for a common command
	rooted bool     // began with ':'
	query  bool
	data   []element
}

func (u unit) common() bool { return u.words[0][0] == '*' }

// scanner reads a <PROGRAM MESSAGE> (IEEE 488.2, 7.3).
type scanner struct {
	in []byte
	at int
}

// Longest program mnemonic, character data and suffix (IEEE 488.2, 7.6.1.4.1,
// 7.7.1.4 and 7.7.3.4).
const longest = 12

// Limits of a decimal number (IEEE 488.2, 7.7.2.4.1).
const (
	mostDigits   = 255
	mostExponent = 32000
)

func (s *scanner) end() bool { return s.at >= len(s.in) }

// peek returns the next byte, or NL at the end: NL is never inside a message.
func (s *scanner) peek() byte {
	if s.end() {
		return '\n'
	}
	return s.in[s.at]
}

// take steps over the next byte if it is c.
func (s *scanner) take(c byte) bool {
	if s.peek() != c {
		return false
	}
	s.at++
	return true
}

// run steps over bytes that are in class and returns them.
func (s *scanner) run(class func(byte) bool) string {
	from := s.at
	for !s.end() && class(s.in[s.at]) {
		s.at++
	}
	return string(s.in[from:s.at])
}

// white is <white space>: 0 to 9 and 11 to 32 (IEEE 488.2, 7.4.1.2).
func white(c byte) bool { return c <= ' ' && c != '\n' }

func letter(c byte) bool { return 'A' <= c && c <= 'Z' || 'a' <= c && c <= 'z' }
func digit(c byte) bool  { return '0' <= c && c <= '9' }
func wordly(c byte) bool { return letter(c) || digit(c) || c == '_' }

// blank steps over white space and tells whether nothing else is left.
func (s *scanner) blank() bool {
	s.run(white)
	return s.end()
}

// unit reads the next program message unit up to its separator.
func (s *scanner) unit() (unit, *event) {
	s.run(white)
	u, e := s.header()
	if e != nil {
		return u, e
	}
	switch c := s.peek(); {
	case s.end() || c == ';':
		return u, nil
	case !white(c) && strings.IndexByte(`"'#(),+-.`, c) >= 0:
		return u, fail(-111)
	case !white(c):
		return u, fail(-101)
	}
	if s.blank() || s.peek() == ';' {
		return u, nil
	}
	u.data, e = s.data()
	return u, e
}

// header reads a command or query program header (IEEE 488.2, 7.6).
func (s *scanner) header() (unit, *event) {
	var u unit
	star := ""
	if s.take('*') {
		star = "*"
	} else {
		u.rooted = s.take(':')
	}
	for {
		w, e := s.mnemonic()
		if e != nil {
			return u, e
		}
		u.words = append(u.words, star+w)
		if star != "" || !s.take(':') {
			break
		}
	}
	u.query = s.take('?')
	return u, nil
}

func (s *scanner) mnemonic() (string, *event) {
	c := s.peek()
	if !letter(c) {
		if s.end() || white(c) || strings.IndexByte(";:,*?", c) >= 0 {
			return "", fail(-102)
		}
		return "", fail(-101)
	}
	w := s.run(wordly)
	if len(w) > longest {
		return "", fail(-112)
	}
	return strings.ToUpper(w), nil
}

// data reads data elements joined by commas (IEEE 488.2, 7.4.2 and 7.7).
func (s *scanner) data() ([]element, *event) {
	var all []element
	for {
		s.run(white)
		d, e := s.element()
		if e != nil {
			return nil, e
		}
		all = append(all, d)
		if s.blank() || s.peek() == ';' {
			return all, nil
		}
		if !s.take(',') {
			return nil, fail(-103)
		}
	}
}

func (s *scanner) element() (element, *event) {
	switch c := s.peek(); {
	case digit(c) || c == '+' || c == '-' || c == '.':
		return s.decimal()
	case letter(c):
		w := s.run(wordly)
		if len(w) > longest {
			return element{}, fail(-144)
		}
		return element{kind: word, text: strings.ToUpper(w)}, nil
	case c == '"' || c == '\'':
		return s.quoted(c)
	case c == '#':
		return s.hash()
	case c == '(':
		return s.parenthesis()
	case c < ' ' && !s.end() || c > '~':
		return element{}, fail(-101)
	}
	return element{}, fail(-102)
}

// decimal reads NRf with an optional suffix (IEEE 488.2, 7.7.2 and 7.7.3).
func (s *scanner) decimal() (element, *event) {
	from := s.at
	if !s.take('+') {
		s.take('-')
	}
	digits := s.run(digit)
	if s.take('.') {
		digits += s.run(digit)
	}
	if digits == "" {
		return element{}, fail(-121)
	}
	if len(strings.TrimLeft(digits, "0")) > mostDigits {
		return element{}, fail(-124)
	}
	mantissa := string(s.in[from:s.at])
	exponent, e := s.exponent()
	if e != nil {
		return element{}, e
	}
	// A value beyond the range of a double is infinite here and out of every
	// setting's range later; the error says just that.
	v, _ := strconv.ParseFloat(mantissa+"e"+strconv.Itoa(exponent), 64)
	suffix, e := s.suffix()
	return element{kind: number, value: v, suffix: suffix}, e
}

// exponent reads E, a sign and digits if they are there; white space may stand
// before the E and after it.
func (s *scanner) exponent() (int, *event) {
	from := s.at
	s.run(white)
	if !s.take('E') && !s.take('e') {
		s.at = from
		return 0, nil
	}
	s.run(white)
	sign := 1
	if s.take('-') {
		sign = -1
	} else {
		s.take('+')
	}
	digits := s.run(digit)
	if digits == "" { // a suffix that begins with E
		s.at = from
		return 0, nil
	}
	n, err := strconv.Atoi(digits)
	if err != nil || n > mostExponent {
		return 0, fail(-123)
	}
	return sign * n, nil
}

// suffix reads the unit after a number, with white space before it allowed.
func (s *scanner) suffix() (string, *event) {
	from := s.at
	s.run(white)
	if c := s.peek(); !letter(c) && c != '/' {
		s.at = from
		return "", nil
	}
	w := s.run(func(c byte) bool { return letter(c) || digit(c) || c == '/' || c == '.' || c == '-' })
	if len(w) > longest {
		return "", fail(-134)
	}
	return strings.ToUpper(w), nil
}

// quoted reads a string of 7-bit characters; a quote inside is doubled
// (IEEE 488.2, 7.7.5).
func (s *scanner) quoted(quote byte) (element, *event) {
	var b strings.Builder
	s.at++
	for !s.end() {
		c := s.in[s.at]
		s.at++
		if c == quote && !s.take(quote) {
			return element{kind: text, text: b.String()}, nil
		}
		if c > 0x7f {
			break
		}
		b.WriteByte(c)
	}
	return element{}, fail(-151)
}

// hash reads a non-decimal number, #H, #Q or #B (IEEE 488.2, 7.7.4), or a
// block, #digit… (7.7.6).
func (s *scanner) hash() (element, *event) {
	s.at++
	c := s.peek()
	if digit(c) {
		return s.block()
	}
	base, ok := map[byte]int{'H': 16, 'Q': 8, 'B': 2}[c&^0x20]
	if !ok {
		return element{}, fail(-102)
	}
	s.at++
	n, err := strconv.ParseUint(s.run(wordly), base, 64)
	if err != nil {
		return element{}, fail(-121)
	}
	return element{kind: number, value: float64(n)}, nil
}

// block steps over a block: its content is nobody's here, and a message with
// one is refused later. A block of indefinite length, #0…, ends the message.
func (s *scanner) block() (element, *event) {
	width := int(s.peek() - '0')
	s.at++
	if width == 0 {
		s.at = len(s.in)
		return element{kind: block}, nil
	}
	from := s.at
	digits := s.run(digit)
	if len(digits) < width {
		return element{}, fail(-161)
	}
	n, err := strconv.Atoi(digits[:width])
	if err != nil || n > len(s.in)-from-width {
		return element{}, fail(-161)
	}
	s.at = from + width + n
	return element{kind: block}, nil
}

// parenthesis steps over an expression (IEEE 488.2, 7.7.7).
func (s *scanner) parenthesis() (element, *event) {
	n := bytes.IndexByte(s.in[s.at:], ')')
	if n < 0 {
		return element{}, fail(-171)
	}
	s.at += n + 1
	return element{kind: expression}, nil
}

// prefixes multiply a unit (IEEE 488.2, 7.7.3, table 7-2, from memory). M is
// milli, MA is mega.
var prefixes = map[string]float64{
	"EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1,
	"M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}

// in returns the number in the unit whose symbol is given.
func (d element) in(unit string) (float64, *event) {
	if d.suffix == "" {
		return d.value, nil
	}
	if unit == "" {
		return 0, fail(-138)
	}
	prefix, ok := strings.CutSuffix(d.suffix, unit)
	factor, known := prefixes[prefix]
	if !ok || !known {
		return 0, fail(-131)
	}
	return d.value * factor, nil
}

// refused is the error for an element of a type that its place does not take.
func (d element) refused() *event {
	return fail([...]int{number: -128, word: -148, text: -158, block: -168, expression: -178}[d.kind])
}

// boolean reads <Boolean> (SCPI-1999, volume 1, 7.3): ON, OFF, or a number
// that is rounded, and then anything but 0 is on.
func (d element) boolean() (bool, *event) {
	switch d.kind {
	case number:
		v, e := d.in("")
		return math.Round(v) != 0, e
	case word:
		if d.text == "ON" || d.text == "OFF" {
			return d.text == "ON", nil
		}
		return false, fail(-141)
	}
	return false, d.refused()
}
