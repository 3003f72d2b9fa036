package timeline

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"drench/rig"
)

// A chunk is
//
//	magic "drn" version(1) kind(1) number(uvarint) count(uvarint) length(uvarint)
//	payload(length bytes) crc32c(4, little-endian, of all before it)
//
// The first chunk holds the header as JSON, the others events. An event is
//
//	head(uvarint: kind + 16*channel) dt(zigzag varint, ns since the event before)
//	value(zigzag varint, less the channel's last value of that kind; not for Line)
//	text(uvarint length, bytes; only for kinds with text)
//
// Differences start anew in each chunk, so that a chunk can be read alone.
const (
	magic       = "drn"
	version     = 1
	headerChunk = 'h'
	eventChunk  = 'e'

	// maxPayload bounds what a damaged length can make a reader allocate.
	maxPayload = 16 << 20
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// hasText tells which kinds carry text; it is part of the format.
var hasText = [...]bool{rig.Line: true, rig.TrialBegin: true, rig.Trip: true, rig.Note: true, rig.Mark: true, rig.End: true, rig.Failed: true}

type valueKey struct {
	kind    rig.Kind
	channel rig.ID
}

// delta holds what an event is coded against.
type delta struct {
	at     rig.Instant
	values map[valueKey]int64
}

func newDelta() *delta { return &delta{values: make(map[valueKey]int64)} }

func (d *delta) reset() {
	d.at = 0
	clear(d.values)
}

// append codes one event.
func (d *delta) append(b []byte, ev rig.Event) []byte {
	b = binary.AppendUvarint(b, uint64(ev.Kind)+16*uint64(ev.Channel))
	b = binary.AppendVarint(b, int64(ev.At)-int64(d.at))
	d.at = ev.At
	if ev.Kind != rig.Line {
		k := valueKey{ev.Kind, ev.Channel}
		b = binary.AppendVarint(b, ev.Value-d.values[k])
		d.values[k] = ev.Value
	}
	if hasText[ev.Kind] {
		b = binary.AppendUvarint(b, uint64(len(ev.Text)))
		b = append(b, ev.Text...)
	}
	return b
}

var errShort = errors.New("event runs past the end of its chunk")

// next decodes one event and returns the rest of b.
func (d *delta) next(b []byte) (rig.Event, []byte, error) {
	var ev rig.Event
	head, b, err := uvarint(b)
	if err != nil {
		return ev, nil, err
	}
	ev.Kind, ev.Channel = rig.Kind(head%16), rig.ID(head/16)
	if !ev.Kind.Known() || head/16 > 0xffff {
		return ev, nil, fmt.Errorf("unknown event kind %d on channel %d", head%16, head/16)
	}
	dt, b, err := varint(b)
	if err != nil {
		return ev, nil, err
	}
	ev.At = d.at + rig.Instant(dt)
	d.at = ev.At
	if ev.Kind != rig.Line {
		var dv int64
		if dv, b, err = varint(b); err != nil {
			return ev, nil, err
		}
		k := valueKey{ev.Kind, ev.Channel}
		ev.Value = d.values[k] + dv
		d.values[k] = ev.Value
	}
	if hasText[ev.Kind] {
		var n uint64
		if n, b, err = uvarint(b); err != nil || n > uint64(len(b)) {
			return ev, nil, errShort
		}
		ev.Text, b = string(b[:n]), b[n:]
	}
	return ev, b, nil
}

func uvarint(b []byte) (uint64, []byte, error) {
	v, n := binary.Uvarint(b)
	if n <= 0 {
		return 0, nil, errShort
	}
	return v, b[n:], nil
}

func varint(b []byte) (int64, []byte, error) {
	v, n := binary.Varint(b)
	if n <= 0 {
		return 0, nil, errShort
	}
	return v, b[n:], nil
}

// seal puts a payload into a chunk.
func seal(kind byte, number, count uint64, payload []byte) []byte {
	b := make([]byte, 0, len(payload)+32)
	b = append(b, magic...)
	b = append(b, version, kind)
	b = binary.AppendUvarint(b, number)
	b = binary.AppendUvarint(b, count)
	b = binary.AppendUvarint(b, uint64(len(payload)))
	b = append(b, payload...)
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

// byteReader is what a chunk is read from.
type byteReader interface {
	io.Reader
	io.ByteReader
}

type chunk struct {
	kind          byte
	number, count uint64
	payload       []byte
}

// unseal reads one chunk and checks it. It returns io.EOF at a clean end.
func unseal(r byteReader) (chunk, error) {
	var c chunk
	sum := &summed{r: r, crc: crc32.New(castagnoli)}
	var lead [len(magic) + 2]byte
	if n, err := io.ReadFull(sum, lead[:]); err != nil {
		if n == 0 && errors.Is(err, io.EOF) {
			return c, io.EOF
		}
		return c, fmt.Errorf("chunk lead: %w", err)
	}
	if string(lead[:len(magic)]) != magic {
		return c, errors.New("no chunk begins here")
	}
	if lead[len(magic)] != version {
		return c, &VersionError{Found: int(lead[len(magic)])}
	}
	c.kind = lead[len(magic)+1]
	var length uint64
	for _, p := range []*uint64{&c.number, &c.count, &length} {
		v, err := binary.ReadUvarint(sum)
		if err != nil {
			return c, fmt.Errorf("chunk lead: %w", err)
		}
		*p = v
	}
	if length > maxPayload || c.count > length {
		return c, fmt.Errorf("chunk claims %d events in %d bytes", c.count, length)
	}
	c.payload = make([]byte, length)
	if _, err := io.ReadFull(sum, c.payload); err != nil {
		return c, fmt.Errorf("chunk body: %w", err)
	}
	want := sum.crc.Sum32()
	var tail [4]byte
	if _, err := io.ReadFull(r, tail[:]); err != nil {
		return c, fmt.Errorf("chunk checksum: %w", err)
	}
	if got := binary.LittleEndian.Uint32(tail[:]); got != want {
		return c, fmt.Errorf("chunk checksum is %08x, computed %08x", got, want)
	}
	return c, nil
}

// VersionError says that a timeline was written by a newer drench.
type VersionError struct{ Found int }

func (e *VersionError) Error() string {
	return fmt.Sprintf("timeline format %d; this drench reads format %d: upgrade it", e.Found, version)
}

func encodeHeader(h Header) ([]byte, error) {
	p, err := json.Marshal(h)
	if err != nil {
		return nil, fmt.Errorf("encode timeline header: %w", err)
	}
	return seal(headerChunk, 0, 0, p), nil
}
