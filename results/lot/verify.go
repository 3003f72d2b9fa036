package lot

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"iter"
	"slices"
	"sync"
)

// BadEntry is the first entry of a ledger that does not follow from those
// before.
type BadEntry struct {
	N   int // its place, from 1
	Err error
}

func (e *BadEntry) Error() string { return fmt.Sprintf("entry %d: %v", e.N, e.Err) }

func (e *BadEntry) Unwrap() error { return e.Err }

// Verify reads a ledger and recomputes all of it from the entries alone: the
// chain, each plan and its severity, each sample from its seed, each decision.
// The first bad entry is a *BadEntry; the series holds what was before. head
// is the hash that the last entry must have, from a certificate or from
// whoever was given it; "" looks at none, and then a ledger that was cut
// short, or that has another last entry, can't be told from a good one.
func Verify(lines iter.Seq2[[]byte, error], head string) (*Series, error) {
	s := newSeries()
	for line, err := range lines {
		if err != nil {
			return s, fmt.Errorf("read the ledger after entry %d: %w", s.Entries, err)
		}
		if err := s.add(line); err != nil {
			return s, &BadEntry{s.Entries + 1, err}
		}
	}
	switch {
	case s.Entries == 0:
		return s, ErrNoLedger
	case head != "" && head != s.Head:
		return s, &BadEntry{s.Entries, fmt.Errorf("the last entry has the hash %s; expected %s: it was changed, or entries before or after it are others", s.Head, head)}
	}
	return s, nil
}

// Lines reads a ledger from a file, a line an entry.
func Lines(r io.Reader) iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		in := bufio.NewScanner(r)
		in.Buffer(nil, longestLine)
		for in.Scan() {
			if !yield(slices.Clone(in.Bytes()), nil) {
				return
			}
		}
		if err := in.Err(); err != nil {
			yield(nil, err)
		}
	}
}

// longestLine holds the draw of the largest sample.
const longestLine = 16 << 20

// Export writes a product's ledger, a line an entry, as Lines reads it.
func Export(ctx context.Context, w io.Writer, st Storage, product string) error {
	for line, err := range st.Read(ctx, product) {
		if err == nil {
			_, err = w.Write(append(slices.Clone(line), '\n'))
		}
		if err != nil {
			return fmt.Errorf("write the ledger of %s: %w", product, err)
		}
	}
	return nil
}

// Memory is a Storage that forgets with the process.
type Memory struct {
	mu    sync.Mutex
	lines map[string][][]byte
}

// Append implements Storage.
func (m *Memory) Append(_ context.Context, product string, n int, line []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if n != len(m.lines[product])+1 {
		return fmt.Errorf("entry %d is not the next of %d; another process has added to the ledger: load it again", n, len(m.lines[product]))
	}
	if m.lines == nil {
		m.lines = map[string][][]byte{}
	}
	m.lines[product] = append(m.lines[product], slices.Clone(line))
	return nil
}

// Read implements Storage.
func (m *Memory) Read(_ context.Context, product string) iter.Seq2[[]byte, error] {
	m.mu.Lock()
	defer m.mu.Unlock()
	lines := m.lines[product]
	return func(yield func([]byte, error) bool) {
		for _, line := range lines {
			if !yield(line, nil) {
				return
			}
		}
	}
}
