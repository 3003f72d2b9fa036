package timeline

import (
	"bytes"
	"errors"
	"io"
	"reflect"
	"strings"
	"testing"

	"drench/rig"

	"pgregory.net/rapid"
)

func write(t interface{ Fatal(...any) }, h Header, evs []rig.Event, pace Pace) []byte {
	var m Memory
	w, err := NewWriter(&m, h, pace)
	if err != nil {
		t.Fatal(err)
	}
	for _, ev := range evs {
		if err := w.Append(ev); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return m.Bytes()
}

func read(b []byte) (Header, []rig.Event, error) {
	return ReadAll(bytes.NewReader(b))
}

func genEvent(t *rapid.T) rig.Event {
	ev := rig.Event{
		At:      rig.Instant(rapid.Int64().Draw(t, "at")),
		Kind:    rig.Kind(rapid.IntRange(1, 12).Draw(t, "kind")),
		Channel: rig.ID(rapid.Uint16().Draw(t, "channel")),
	}
	if ev.Kind != rig.Line {
		ev.Value = rapid.Int64().Draw(t, "value")
	}
	if hasText[ev.Kind] {
		ev.Text = rapid.String().Draw(t, "text")
	}
	return ev
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		evs := rapid.SliceOfN(rapid.Custom(genEvent), 0, 60).Draw(t, "events")
		h := Header{Tool: "test", Scenario: rapid.String().Draw(t, "scenario"), Seed: rapid.Uint64().Draw(t, "seed")}
		pace := Pace{Events: rapid.IntRange(1, 20).Draw(t, "pace"), Span: 1 << 40}
		gotH, got, err := read(write(t, h, evs, pace))
		if err != nil {
			t.Fatal(err)
		}
		if gotH.Seed != h.Seed || gotH.Scenario != strings.ToValidUTF8(h.Scenario, "\ufffd") {
			t.Fatalf("header %+v came back as %+v", h, gotH)
		}
		if len(got) != len(evs) || len(evs) > 0 && !reflect.DeepEqual(got, evs) {
			t.Fatalf("wrote %v\nread  %v", evs, got)
		}
	})
}

// TestCutTail cuts a timeline at every byte: the damage is noticed unless the
// cut falls between chunks, and what comes back is the beginning of what went
// in, in whole chunks.
func TestCutTail(t *testing.T) {
	var evs []rig.Event
	for i := range 23 {
		evs = append(evs, rig.Event{At: rig.Instant(i) * 1e9, Kind: rig.Edge, Channel: 3, Value: int64(i % 2)})
	}
	whole := write(t, Header{Tool: "t"}, evs, Pace{Events: 5, Span: 1 << 60})
	seen := map[int]bool{}
	for cut := range len(whole) {
		_, got, err := read(whole[:cut])
		if len(got)%5 != 0 || len(got) > 0 && !reflect.DeepEqual(got, evs[:len(got)]) {
			t.Fatalf("cut at %d: read %d events that are no whole beginning", cut, len(got))
		}
		var tail *TailError
		switch {
		case err == nil:
			seen[len(got)] = true
		case len(got) > 0 && !errors.As(err, &tail):
			t.Fatalf("cut at %d: error %v is no TailError", cut, err)
		}
	}
	if len(seen) != 5 { // 0, 5, 10, 15, 20 events: the clean cuts
		t.Errorf("clean cuts after %v events", seen)
	}
}

// TestFlippedBit: a flipped bit anywhere is noticed, and events before its
// chunk are kept.
func TestFlippedBit(t *testing.T) {
	var evs []rig.Event
	for i := range 12 {
		evs = append(evs, rig.Event{At: rig.Instant(i) * 1e6, Kind: rig.Line, Channel: 1, Text: "a line of text"})
	}
	whole := write(t, Header{Tool: "t"}, evs, Pace{Events: 4, Span: 1 << 60})
	for i := range whole {
		for bit := range 8 {
			b := bytes.Clone(whole)
			b[i] ^= 1 << bit
			_, got, err := read(b)
			if err == nil {
				t.Fatalf("bit %d of byte %d flipped unnoticed", bit, i)
			}
			if len(got) > 0 && !reflect.DeepEqual(got, evs[:len(got)]) {
				t.Fatalf("bit %d of byte %d: events before the damage changed", bit, i)
			}
		}
	}
}

func TestNewerFormat(t *testing.T) {
	b := write(t, Header{}, nil, LivePace)
	b[len(magic)] = version + 1
	_, _, err := read(b)
	var v *VersionError
	if !errors.As(err, &v) || v.Found != version+1 {
		t.Fatalf("got %v, want a VersionError", err)
	}
}

type fullDisk struct{ left int }

func (f *fullDisk) WriteChunk(b []byte) error {
	if f.left -= len(b); f.left < 0 {
		return errors.New("no space left on device")
	}
	return nil
}

// TestSinkFailure: after the sink has failed once the writer takes nothing
// more, so that no chunk can follow a hole.
func TestSinkFailure(t *testing.T) {
	w, err := NewWriter(&fullDisk{left: 500}, Header{}, Pace{Events: 1, Span: 1})
	for err == nil {
		err = w.Append(rig.Event{Kind: rig.Note, Text: strings.Repeat("x", 50)})
	}
	if !strings.Contains(err.Error(), "no space left") || !strings.Contains(err.Error(), "chunk") {
		t.Errorf("error %q does not say what happened", err)
	}
	if again := w.Append(rig.Event{Kind: rig.Note}); again == nil {
		t.Error("writer went on after a failure")
	}
	if w.Close() == nil {
		t.Error("Close hides the failure")
	}
}

func FuzzReader(f *testing.F) {
	f.Add(write(f, Header{Tool: "t"}, []rig.Event{{At: 5, Kind: rig.Edge, Channel: 2, Value: 1}, {At: 9, Kind: rig.Line, Text: "x"}}, LivePace))
	f.Add([]byte("drn\x01h\x00\x00\xff\xff\xff\xff\x0f"))
	f.Fuzz(func(t *testing.T, b []byte) {
		_, evs, err := read(b)
		if err != nil {
			return
		}
		// What reads without error must survive being written again.
		_, again, err := read(write(t, Header{}, evs, Pace{Events: 3, Span: 1 << 62}))
		if err != nil || len(again) != len(evs) || len(evs) > 0 && !reflect.DeepEqual(evs, again) {
			t.Fatalf("read %v, rewrote as %v (%v)", evs, again, err)
		}
	})
}

// BenchmarkBytesPerEdge reports what an edge takes, heartbeat and detect lines
// as a night has them, against the bytes of a plain row (8 time, 2 channel, 1
// level) in the same run.
func BenchmarkBytesPerEdge(b *testing.B) {
	w, err := NewWriter(Discard{}, Header{}, VirtualPace)
	if err != nil {
		b.Fatal(err)
	}
	start := w.Bytes()
	for i := range b.N {
		if err := w.Append(rig.Event{At: rig.Instant(i)*1_000_017_345 + rig.Instant(i*i%977_001), Kind: rig.Edge, Channel: rig.ID(i % 3), Value: int64(i / 3 % 2)}); err != nil {
			b.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	per := float64(w.Bytes()-start) / float64(b.N)
	b.ReportMetric(per, "B/edge")
	b.ReportMetric(11/per, "row/edge")
}

var _ io.Reader = (*summed)(nil)
