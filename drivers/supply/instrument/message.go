package instrument

import (
	"context"
	"strings"
)

// message is a program message while it is executed.
type message struct {
	in      *Instrument
	ctx     context.Context
	data    []element // of the unit at hand
	path    []string  // header path: the last header less its leaf
	answers []string  // response message units
	// indefinite says that the last answer was one that only the end of the
	// message ends, so that no other may follow.
	indefinite bool
	err        error // the context's, while waiting
}

// execute executes a program message and returns the response message. Its
// error is the context's: errors of the message go into the error queue.
func (in *Instrument) execute(ctx context.Context, text []byte) (string, error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.observe()
	m := message{in: in, ctx: ctx}
	s := scanner{in: text}
	if s.blank() { // a terminator alone is a message too
		return "", nil
	}
	for {
		u, e := s.unit()
		if e == nil {
			e = m.unit(u)
		}
		if m.err != nil {
			return "", m.err
		}
		if e != nil {
			in.report(e)
		}
		// After a command error it is unsure where the next unit begins and on
		// which path it is: the rest is let go (from memory: IEEE 488.2 leaves
		// this to the designer).
		if e != nil && e.syntactic() || !s.take(';') {
			return strings.Join(m.answers, ";"), nil
		}
	}
}

// unit executes one program message unit.
func (m *message) unit(u unit) *event {
	words := u.words
	if !u.common() {
		if !u.rooted {
			words = append(m.path[:len(m.path):len(m.path)], words...)
		}
		m.path = words[:len(words)-1]
	}
	run, least, most, e := m.in.find(words, u.query)
	switch {
	case e != nil:
		return e
	case u.query && m.indefinite:
		return fail(-440)
	case len(u.data) < least:
		return fail(-109)
	case len(u.data) > most:
		return fail(-108)
	}
	m.data = u.data
	e = run(m)
	m.in.observe()
	return e
}

func (m *message) answer(s string) { m.answers = append(m.answers, s) }

// wait waits for pending operations; it returns false if the wait was given up.
func (m *message) wait() bool {
	m.err = m.in.await(m.ctx)
	return m.err == nil
}

// command is what the instrument does for a header.
type command struct {
	pattern []node
	set     func(*message) *event // nil: there is no command form
	data    int                   // elements that set takes
	query   func(*message) *event // nil: there is no query form
	hint    int                   // elements that query may take
}

// node is a keyword of a header.
type node struct {
	short, long string // upper case
	optional    bool
}

// parse reads a header as the standard prints it: capitals are the short form,
// brackets hold what may be left out: "[SOURce:]VOLTage[:LEVel]".
func parse(header string) []node {
	var p []node
	flat := strings.NewReplacer("[:", ":[", ":]", "]:").Replace(header)
	for _, part := range strings.Split(flat, ":") {
		name := strings.Trim(part, "[]")
		short := strings.TrimRightFunc(name, func(r rune) bool { return 'a' <= r && r <= 'z' })
		p = append(p, node{short, strings.ToUpper(name), name != part})
	}
	return p
}

// find returns what the header stands for, and how many data elements it takes.
func (in *Instrument) find(words []string, query bool) (run func(*message) *event, least, most int, e *event) {
	names, suffixed := cut(words)
	for _, c := range in.commands {
		if !match(c.pattern, names) {
			continue
		}
		run, least, most = c.set, c.data, c.data
		if query {
			run, least, most = c.query, 0, c.hint
		}
		if run == nil {
			break
		}
		if suffixed {
			return nil, 0, 0, fail(-114)
		}
		return run, least, most, nil
	}
	return nil, 0, 0, &event{-113, clip(strings.Join(words, ":"))}
}

// clip shortens what goes into an error: description and detail are at most
// 255 characters together (SCPI-1999, volume 2, 21.8, from memory).
func clip(s string) string { return s[:min(len(s), 200)] }

// cut takes numeric suffixes off mnemonics. A suffix of 1 is what no suffix
// means (SCPI-1999, volume 1, 6.2.5.2); others this instrument does not have.
func cut(words []string) (names []string, other bool) {
	for _, w := range words {
		name := strings.TrimRight(w, "0123456789")
		if suffix := w[len(name):]; suffix != "" && suffix != "1" {
			other = true
		}
		names = append(names, name)
	}
	return names, other
}

// match tells whether the words spell the pattern.
func match(pattern []node, words []string) bool {
	if len(pattern) == 0 {
		return len(words) == 0
	}
	n := pattern[0]
	if len(words) > 0 && (words[0] == n.short || words[0] == n.long) && match(pattern[1:], words[1:]) {
		return true
	}
	return n.optional && match(pattern[1:], words)
}
