package timeline

import "bytes"

// Memory is a Sink that keeps a timeline in memory: for a rehearsal that is
// looked at and forgotten, and for tests.
type Memory struct{ bytes.Buffer }

// WriteChunk implements Sink.
func (m *Memory) WriteChunk(b []byte) error {
	_, err := m.Write(b)
	return err
}

// Reader reads the timeline from its beginning, as often as wanted.
func (m *Memory) Reader() (*Reader, error) { return NewReader(bytes.NewReader(m.Bytes())) }

// Discard is a Sink that keeps nothing.
type Discard struct{}

// WriteChunk implements Sink.
func (Discard) WriteChunk([]byte) error { return nil }
