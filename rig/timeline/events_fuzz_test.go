package timeline

import (
	"reflect"
	"slices"
	"testing"
)

// FuzzEvents reads events out of a chunk that is sealed as it should be, so
// that what is tried gets past the checksum.
func FuzzEvents(f *testing.F) {
	f.Add([]byte{0x21, 0x0a, 0x02, 0x04, 0x08, 0x01, 'x'}, uint64(2))
	f.Fuzz(func(t *testing.T, payload []byte, count uint64) {
		header, err := encodeHeader(Header{Tool: "t"})
		if err != nil {
			t.Fatal(err)
		}
		_, evs, err := read(slices.Concat(header, seal(eventChunk, 1, count, payload)))
		if err != nil {
			return
		}
		if uint64(len(evs)) != count {
			t.Fatalf("%d events of %d", len(evs), count)
		}
		_, again, err := read(write(t, Header{}, evs, Pace{Events: 3, Span: 1 << 62}))
		if err != nil || len(evs) > 0 && !reflect.DeepEqual(evs, again) {
			t.Fatalf("read %v, rewrote as %v (%v)", evs, again, err)
		}
	})
}
