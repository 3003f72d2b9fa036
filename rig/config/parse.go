package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"drench/rig/mistake"
)

// maxSize is more than any rig needs and less than can hurt.
const maxSize = 1 << 20

// tree is a file's YAML and what was found wrong with it so far.
type tree struct {
	file string
	root *yaml.Node // nil if the file holds nothing
	errs Errors
	bad  map[*yaml.Node]bool // has an error already: say nothing more about it

	// meant has the key that stands for a misspelt one, as far as can be
	// guessed, so that it is not called missing as well.
	meant map[*yaml.Node]string

	unreadable bool // not worth saying more about
}

// parse reads text and refuses all of YAML that a rig file has no use for.
func parse(file string, text []byte) *tree {
	t := &tree{file: file, bad: map[*yaml.Node]bool{}, meant: map[*yaml.Node]string{}}
	if t.unreadable = !t.readable(text); t.unreadable {
		return t
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	docs, err := documents(bytes.NewReader(text))
	if err != nil {
		t.unreadable = true
		line, col := locate(text)
		t.errs = append(t.errs, Error{File: file, Line: line, Col: col, What: "not readable as YAML: " + plain(err), Want: spaces(text, line)})
		return t
	}
	if len(docs) > 1 {
		t.unreadable = true
		t.add(docs[1], "a second document begins", "one document in the file")
		return t
	}
	if len(docs) > 0 && len(docs[0].Content) > 0 && docs[0].Content[0].Tag != "!!null" {
		t.root = docs[0].Content[0]
		t.lint(t.root)
	}
	return t
}

// err returns what was found wrong, as Errors, or nil.
func (t *tree) err() error {
	return t.errs.Err()
}

// add notes an error at n and silences later ones about it.
func (t *tree) add(n *yaml.Node, what, want string) {
	t.bad[n] = true
	t.errs = append(t.errs, Error{File: t.file, Line: max(n.Line, 1), Col: max(n.Column, 1), What: what, Want: want})
}

// oddBreaks are characters that YAML takes for the end of a line and editors
// do not, so that line numbers would differ.
var oddBreaks = regexp.MustCompile("\r(?:[^\n]|$)|\u0085|\u2028|\u2029")

// readable checks what must hold before YAML can be thought of.
func (t *tree) readable(text []byte) bool {
	at := func(offset int, what, want string) bool {
		line, col := position(text[:offset])
		t.errs = append(t.errs, Error{File: t.file, Line: line, Col: col, What: what, Want: want})
		return false
	}
	if len(text) > maxSize {
		return at(0, fmt.Sprintf("the file has %d bytes", len(text)), fmt.Sprintf("at most %d", maxSize))
	}
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRune(text[i:])
		if r == utf8.RuneError && n == 1 {
			return at(i, fmt.Sprintf("byte 0x%02x is not UTF-8", text[i]), "text in UTF-8")
		}
		i += n
	}
	if m := oddBreaks.FindIndex(text); m != nil {
		return at(m[0], "an unusual line break", "lines that end in LF or CR LF")
	}
	return true
}

// position tells where the text after before begins.
func position(before []byte) (line, col int) {
	before = bytes.TrimPrefix(before, []byte("\ufeff"))
	last := bytes.LastIndexByte(before, '\n')
	return bytes.Count(before, []byte("\n")) + 1, utf8.RuneCount(before[last+1:]) + 1
}

// documents parses what r gives.
func documents(r io.Reader) (docs []*yaml.Node, err error) {
	dec := yaml.NewDecoder(r)
	for {
		var doc yaml.Node
		err := dec.Decode(&doc)
		if errors.Is(err, io.EOF) {
			return docs, nil
		}
		if err != nil {
			return nil, err
		}
		docs = append(docs, &doc)
	}
}

// drip hands out a byte at a time, so that n tells how far the parser had to
// read before it gave up.
type drip struct {
	text []byte
	n    int
}

func (d *drip) Read(p []byte) (int, error) {
	if d.n == len(d.text) {
		return 0, io.EOF
	}
	d.n++
	return copy(p[:1], d.text[d.n-1:]), nil
}

// locate finds where unreadable text goes wrong. The parser's own line is that
// of the construct it was in, or one less, and it gives no column. The mistake
// is taken to be at the first character after the longest piece, from the
// start to some point before the parser gave up, that can be read: first by
// lines, then by characters within the line. If that takes too long it is
// where the parser gave up.
func locate(text []byte) (line, col int) {
	src := &drip{text: text}
	documents(src) // which fails
	seen := bytes.TrimRight(text[:src.n], " \t\r\n")
	start, ok := longest(seen, func(b []byte) int {
		return bytes.LastIndexByte(bytes.TrimSuffix(b, []byte("\n")), '\n') + 1
	})
	if !ok {
		return position(seen)
	}
	stop := len(seen)
	if i := bytes.IndexByte(text[start:stop], '\n'); i >= 0 {
		stop = start + i
	}
	at, ok := longest(text[:stop], func(b []byte) int {
		_, n := utf8.DecodeLastRune(b)
		return len(b) - n
	})
	if !ok {
		at = start
	}
	for at < stop && (text[at] == ' ' || text[at] == '\t') {
		at++
	}
	return position(text[:at])
}

// longest shortens text to the length that shorter returns, again and again,
// until it can be read, and returns the length that is left; or ok = false
// after more work than a file of the usual size needs.
func longest(text []byte, shorter func([]byte) int) (n int, ok bool) {
	const tries, work = 200, 2 << 20
	rest := text
	for range min(tries, work/max(len(text), 1)) {
		rest = rest[:shorter(rest)]
		if _, err := documents(bytes.NewReader(rest)); err == nil {
			return len(rest), true
		}
	}
	return 0, false
}

// spaces is what to expect of a line that begins with a tab.
func spaces(text []byte, line int) string {
	l := bytes.Split(text, []byte("\n"))[line-1]
	margin := l[:len(l)-len(bytes.TrimLeft(l, " \t"))]
	if bytes.IndexByte(margin, '\t') >= 0 {
		return "spaces, no tab, at the start of the line"
	}
	return ""
}

var yamlPrefix = regexp.MustCompile(`^yaml: (?:line \d+: )?`)

// plain takes the parser's name and line from its error.
func plain(err error) string {
	return strings.ReplaceAll(yamlPrefix.ReplaceAllString(err.Error(), ""), "\n", " ")
}

var keyShape = regexp.MustCompile(`^[a-z][a-z0-9_-]*$`)

// lint refuses anchors, aliases, tags, and keys that are not plain small
// letters or stand twice, everywhere below n.
func (t *tree) lint(n *yaml.Node) {
	switch {
	case n.Kind == yaml.AliasNode:
		t.add(n, "an alias *"+n.Value, "the value written out")
	case n.Anchor != "":
		t.add(n, "an anchor &"+n.Anchor, "the value without it")
	case n.Style&yaml.TaggedStyle != 0:
		t.add(n, "a tag "+n.Tag, "the value without it")
	}
	if n.Kind == yaml.MappingNode {
		t.lintKeys(n)
	}
	for i, c := range n.Content {
		if n.Kind == yaml.MappingNode && t.bad[n.Content[i&^1]] {
			t.bad[c] = true
			continue
		}
		t.lint(c)
	}
}

func (t *tree) lintKeys(n *yaml.Node) {
	first := map[string]*yaml.Node{}
	for i := 0; i < len(n.Content); i += 2 {
		k := n.Content[i]
		folded := strings.ToLower(k.Value)
		earlier, twice := first[folded]
		switch {
		case k.Kind != yaml.ScalarNode:
			t.add(k, "a key that is not a word", "a name such as pump_on")
			continue
		case k.Value == "<<":
			t.add(k, "a merge key <<", "the values written out")
		case twice:
			t.add(k, fmt.Sprintf("%s is given twice, first in line %d", name(k), earlier.Line), "each key once")
		case !keyShape.MatchString(k.Value) && keyShape.MatchString(folded):
			t.add(k, "key "+mistake.Quote(k.Value)+" is not in small letters", folded)
			t.meant[k] = folded
		case !keyShape.MatchString(k.Value):
			t.add(k, "key "+mistake.Quote(k.Value)+" is no name", "small letters, digits, _ and -, beginning with a letter")
		}
		first[folded] = k
	}
}

// name is a key as messages show it.
func name(k *yaml.Node) string {
	if keyShape.MatchString(k.Value) && len(k.Value) <= 40 {
		return k.Value
	}
	return mistake.Quote(k.Value)
}
