package lot

import (
	"fmt"
	"slices"

	"drench/results/sampling"
)

// Series is a product's lots, as its ledger tells them.
type Series struct {
	Product string
	State   sampling.State // how the next lot is inspected, and why
	Lots    []*Lot         // in their order; the last one may be open
	Entries int
	Head    string // SHA-256 of the last line

	runs    map[int64]int       // entry by run, of results that aren't voided
	sums    map[string]int      // entry by timeline, likewise
	serials map[string][]string // names of the lots that a device stands in, by its serial number
}

func newSeries() *Series {
	return &Series{Head: noLine, runs: map[int64]int{}, sums: map[string]int{}, serials: map[string][]string{}}
}

// Current is the open lot; nil if there is none.
func (s *Series) Current() *Lot {
	if n := len(s.Lots); n > 0 && s.Lots[n-1].Decision == Open {
		return s.Lots[n-1]
	}
	return nil
}

// Lot returns the lot of a name; nil if there is none. A name may have been
// withdrawn before: the last one counts.
func (s *Series) Lot(name string) *Lot {
	for _, l := range slices.Backward(s.Lots) {
		if l.Lot == name {
			return l
		}
	}
	return nil
}

// add takes a line as the next entry, or says why it can't be; then nothing
// has changed.
func (s *Series) add(line []byte) error {
	e, err := parseEntry(line)
	if err != nil {
		return err
	}
	if e.N != s.Entries+1 {
		return fmt.Errorf("its number is %d; expected %d: an entry is missing, or stands twice or elsewhere", e.N, s.Entries+1)
	}
	if e.Prev != s.Head {
		return fmt.Errorf("it follows an entry with the hash %.12s…; the one before has %.12s…: that one or this was changed", e.Prev, s.Head)
	}
	take, ok := takers[e.Kind]
	switch {
	case !ok:
		return fmt.Errorf("its kind is %q; expected one of begin, open, draw, assign, result, void, retest, stop, decide, withdraw, resume", e.Kind)
	case (e.Kind == Begun) != (s.Entries == 0):
		return fmt.Errorf("its kind is %q; a ledger has begin first, and only there", e.Kind)
	}
	if err := take(s, e); err != nil {
		return err
	}
	s.Entries, s.Head = e.N, hashOf(line)
	if n := len(s.Lots); n > 0 && slices.Contains(ofLot, e.Kind) {
		s.Lots[n-1].Last, s.Lots[n-1].Head = s.Entries, s.Head
	}
	return nil
}

// ofLot are the kinds of entry that belong to a lot.
var ofLot = []Kind{Opened, Drawn, Assigned, Tested, Voided, Retested, Stopped, Decided, Withdrew}

// takers check an entry's body against what is known, and take it in.
var takers = map[Kind]func(*Series, Entry) error{
	Begun:    taking((*Series).begin),
	Opened:   taking((*Series).open),
	Drawn:    taking((*Series).draw),
	Assigned: taking((*Series).assign),
	Tested:   taking((*Series).result),
	Voided:   taking((*Series).void),
	Retested: taking((*Series).retest),
	Stopped:  taking((*Series).stop),
	Decided:  taking((*Series).decide),
	Withdrew: taking((*Series).withdraw),
	Resumed:  taking((*Series).resume),
}

// taking reads the body before it is taken.
func taking[B any](take func(*Series, Entry, B) error) func(*Series, Entry) error {
	return func(s *Series, e Entry) error {
		var b B
		if err := strictly(e.Body, &b); err != nil {
			return fmt.Errorf("its body can't be read: %w", err)
		}
		return take(s, e, b)
	}
}

func (s *Series) begin(_ Entry, b beginBody) error {
	if b.Format != 1 {
		return fmt.Errorf("its format is %d; expected 1: a newer drench wrote it", b.Format)
	}
	if err := oneLine("product", b.Product); err != nil {
		return err
	}
	state, err := sampling.Start(b.Rules)
	if err != nil {
		return err
	}
	s.Product, s.State = b.Product, state
	return nil
}

// current is the open lot that an entry names.
func (s *Series) current(name string) (*Lot, error) {
	l := s.Current()
	switch {
	case l == nil:
		return nil, fmt.Errorf("no lot is open; open one first")
	case l.Lot != name:
		return nil, fmt.Errorf("it is of lot %q; the open one is %q", name, l.Lot)
	}
	return l, nil
}

// sampled is a unit of the open lot's sample, still to be inspected.
func (s *Series) sampled(name string, sample int) (*Lot, *Unit, error) {
	l, err := s.current(name)
	switch {
	case err != nil:
		return nil, nil, err
	case l.Draw == nil:
		return nil, nil, fmt.Errorf("the sample of lot %q is still sealed; show the draw first", name)
	case l.Stopped != "":
		return nil, nil, fmt.Errorf("inspection of lot %q has ended: %s; decide it", name, l.Stopped)
	case sample < 1 || sample > len(l.Units):
		return nil, nil, fmt.Errorf("sample %d; expected 1 to %d", sample, len(l.Units))
	}
	return l, &l.Units[sample-1], nil
}

func (s *Series) resume(e Entry, _ nothing) error {
	next, err := s.State.Resume()
	if err != nil {
		return err
	}
	s.State = next
	return nil
}
