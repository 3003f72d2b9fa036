package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"drench/results/verdict"
	"drench/rig"
	"drench/rig/timeline"
)

func open(t *testing.T, path string) *Store {
	t.Helper()
	s, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func fresh(t *testing.T) *Store {
	return open(t, filepath.Join(t.TempDir(), "new", "folder", "runs.db"))
}

var morning = time.Date(2026, 1, 2, 3, 4, 5, 678_000, time.UTC)

func exampleRun() Run {
	return Run{
		Started: morning, Scenario: "drip", DUT: "unit 17", Bench: "virtual", Tool: "0.1", Seed: math.MaxUint64,
		LimitsName: "shop.limits", LimitsText: "latency max <= 3 s\n",
		Sources: map[string]Source{
			"script":      {"drip.star", "trial(wet)\n"},
			"rig":         {"bench.yaml", "channels:\n"},
			"calibration": {"", "channels:\n"}, // the same text under two roles
		},
		Tags: []string{"night 3", "baseline"},
	}
}

// record keeps a run of n heartbeats, ten to a chunk.
func record(t *testing.T, s *Store, r Run, n int) (id int64, sum string) {
	t.Helper()
	rec, err := s.Begin(t.Context(), r)
	if err != nil {
		t.Fatal(err)
	}
	w := beats(t, rec, n)
	if err := rec.Finish(t.Context(), verdict.Fail, "too slow", w.Sum(), json.RawMessage(`{"verdict":"fail"}`)); err != nil {
		t.Fatal(err)
	}
	return rec.ID(), w.Sum()
}

func beats(t *testing.T, sink timeline.Sink, n int) *timeline.Writer {
	t.Helper()
	w, err := timeline.NewWriter(sink, timeline.Header{Scenario: "drip"}, timeline.Pace{Events: 10, Span: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	for i := range n {
		if err := w.Append(beat(i)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return w
}

func beat(i int) rig.Event {
	return rig.Event{At: rig.Instant(i) * 1e9, Kind: rig.Edge, Value: int64(i % 2)}
}

// countBeats reads a run's timeline and returns its events, all of which must
// be beats in order.
func countBeats(t *testing.T, s *Store, id int64) int {
	t.Helper()
	src := s.Timeline(t.Context(), id)
	defer src.Close()
	r, err := timeline.NewReader(src)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for ev, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		if ev != beat(n) {
			t.Fatalf("event %d is %+v", n, ev)
		}
		n++
	}
	return n
}

func TestRoundTrip(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a folder 100% new?", "runs.db")
	s := open(t, path)
	before := time.Now()
	id, sum := record(t, s, exampleRun(), 95)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	s = open(t, path)
	got, err := s.Get(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	if took := got.Ended.Sub(morning); took < 0 || took > time.Since(before)+time.Microsecond {
		t.Errorf("ended %v after it began", took)
	}
	want := exampleRun()
	want.ID, want.State, want.Ended, want.Sum = id, Done, got.Ended, sum
	want.Verdict, want.Reason, want.Tags = verdict.Fail, "too slow", []string{"baseline", "night 3"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if n := countBeats(t, s, id); n != 95 {
		t.Errorf("read %d events", n)
	}
}

func TestTextsAreKeptOnce(t *testing.T) {
	s := fresh(t)
	record(t, s, exampleRun(), 1)
	record(t, s, exampleRun(), 1)
	var n int
	if err := s.db.QueryRow(`SELECT count(*) FROM texts`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	if n != 3 { // limits, script, and one for rig and calibration
		t.Errorf("%d texts", n)
	}
}

func TestFilter(t *testing.T) {
	s := fresh(t)
	runs := []Run{
		{Started: morning, Scenario: "drip", DUT: "a"},
		{Started: morning.Add(time.Hour), Scenario: "dip", DUT: "a", Tags: []string{"night"}},
		{Started: morning.Add(2 * time.Hour), Scenario: "drip", DUT: "b", Tags: []string{"night", "x"}},
	}
	for _, r := range runs {
		record(t, s, r, 1)
	}
	live, err := s.Begin(t.Context(), Run{Started: morning.Add(3 * time.Hour), Scenario: "drip", DUT: "c"})
	if err != nil {
		t.Fatal(err)
	}
	defer live.release()
	for _, c := range []struct {
		f    Filter
		want []int64
	}{
		{Filter{}, []int64{4, 3, 2, 1}},
		{Filter{Limit: 2}, []int64{4, 3}},
		{Filter{Before: 3, Limit: 1}, []int64{2}},
		{Filter{Scenario: "drip"}, []int64{4, 3, 1}},
		{Filter{DUT: "a"}, []int64{2, 1}},
		{Filter{Tag: "night"}, []int64{3, 2}},
		{Filter{Tag: "night", DUT: "b"}, []int64{3}},
		{Filter{State: Running}, []int64{4}},
		{Filter{State: Done}, []int64{3, 2, 1}},
		{Filter{Since: morning.Add(time.Hour)}, []int64{4, 3, 2}},
		{Filter{DUT: "' OR 1 --"}, nil},
		{Filter{Until: morning.Add(time.Hour)}, []int64{1}},
		{Filter{Tags: []string{"night", "x"}}, []int64{3}},
		{Filter{Tag: "x", Tags: []string{"night"}}, []int64{3}},
		{Filter{Tags: []string{"night", "never"}}, nil},
		{Filter{Verdicts: []verdict.Verdict{verdict.Fail}}, []int64{3, 2, 1}},
		{Filter{Verdicts: []verdict.Verdict{verdict.Pass, verdict.Fail}, Scenario: "dip"}, []int64{2}},
		{Filter{Verdicts: []verdict.Verdict{verdict.None, verdict.Error}}, nil},
		{Filter{Text: "RIP"}, []int64{4, 3, 1}},
		{Filter{Text: "too slow"}, []int64{3, 2, 1}},
		{Filter{Text: "igh"}, []int64{3, 2}},
		{Filter{Text: "%"}, nil},
	} {
		list, err := s.Runs(t.Context(), c.f)
		if err != nil {
			t.Fatal(err)
		}
		var got []int64
		for _, r := range list {
			got = append(got, r.ID)
		}
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%+v: got %v, want %v", c.f, got, c.want)
		}
	}
}

func TestTags(t *testing.T) {
	s := fresh(t)
	id, _ := record(t, s, Run{Started: morning}, 1)
	if err := errors.Join(s.Tag(t.Context(), id, "b", "a", "b"), s.Untag(t.Context(), id, "b"), s.Untag(t.Context(), id, "never"),
		s.Tag(t.Context(), id, "c")); err != nil {
		t.Fatal(err)
	}
	r, err := s.Get(t.Context(), id)
	if err != nil || !reflect.DeepEqual(r.Tags, []string{"a", "c"}) {
		t.Errorf("tags %q, %v", r.Tags, err)
	}
	record(t, s, Run{Started: morning, Tags: []string{"c"}}, 1)
	list, err := s.Tags(t.Context())
	if want := []TagCount{{"a", 1}, {"c", 2}}; err != nil || !reflect.DeepEqual(list, want) {
		t.Errorf("all tags: %v, %v", list, err)
	}
	for _, bad := range []string{"", "two\nlines"} {
		if err := s.Tag(t.Context(), id, bad); err == nil || !strings.Contains(err.Error(), "one line") {
			t.Errorf("tag %q: %v", bad, err)
		}
	}
}

func TestJudgementsAreAdded(t *testing.T) {
	s := fresh(t)
	id, _ := record(t, s, exampleRun(), 1)
	again := Judgement{Run: id, At: morning, LimitsName: "loose.limits", LimitsText: "latency max <= 9 s\n",
		Verdict: verdict.Pass, Reason: "all within", Body: json.RawMessage(`{"verdict":"pass"}`)}
	if _, err := s.AddJudgement(t.Context(), again); err != nil {
		t.Fatal(err)
	}
	list, err := s.Judgements(t.Context(), id)
	if err != nil || len(list) != 2 {
		t.Fatalf("%d judgements, %v", len(list), err)
	}
	first := list[0]
	if first.Verdict != verdict.Fail || first.LimitsText != exampleRun().LimitsText || string(first.Body) != `{"verdict":"fail"}` {
		t.Errorf("the first judgement is %+v", first)
	}
	again.ID, again.LimitsHash = list[1].ID, list[1].LimitsHash
	if !reflect.DeepEqual(list[1], again) || len(again.LimitsHash) != 64 || again.LimitsHash == first.LimitsHash {
		t.Errorf("the second judgement is %+v", list[1])
	}
	if r, err := s.Get(t.Context(), id); err != nil || r.Verdict != verdict.Fail || r.LimitsName != "shop.limits" {
		t.Errorf("the run became %+v, %v", r, err)
	}
}

func TestUnknownRun(t *testing.T) {
	s := fresh(t)
	_, getErr := s.Get(t.Context(), 7)
	_, readErr := io.ReadAll(s.Timeline(t.Context(), 7))
	_, judgeErr := s.AddJudgement(t.Context(), Judgement{Run: 7})
	for _, err := range []error{getErr, readErr, judgeErr, s.Tag(t.Context(), 7, "x")} {
		if !errors.Is(err, ErrNotFound) || !strings.Contains(err.Error(), "drench runs") || !strings.Contains(err.Error(), s.path) {
			t.Errorf("unknown run: %v", err)
		}
	}
}

func TestFinishedRunTakesNoMore(t *testing.T) {
	s := fresh(t)
	rec, err := s.Begin(t.Context(), exampleRun())
	if err != nil {
		t.Fatal(err)
	}
	w := beats(t, rec, 5)
	if err := rec.Finish(t.Context(), verdict.Pass, "", strings.Repeat("0", 64), nil); err == nil {
		t.Error("finished with a sum that isn't that of the chunks")
	}
	if err := rec.Finish(t.Context(), verdict.Pass, "", w.Sum(), nil); err != nil {
		t.Fatal(err)
	}
	if err := rec.WriteChunk([]byte("x")); !errors.Is(err, errFinished) {
		t.Errorf("chunk after the end: %v", err)
	}
	if err := rec.Finish(t.Context(), verdict.Pass, "", "", nil); !errors.Is(err, errFinished) {
		t.Errorf("second end: %v", err)
	}
}

// TestTimelineBytes has any sequence of chunks come back as it went in.
func TestTimelineBytes(t *testing.T) {
	s := fresh(t)
	rapid.Check(t, func(rt *rapid.T) {
		chunks := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 0, 300), 0, 8).Draw(rt, "chunks")
		rec, err := s.Begin(t.Context(), Run{Started: morning})
		if err != nil {
			rt.Fatal(err)
		}
		defer rec.release()
		var want []byte
		for _, c := range chunks {
			if err := rec.WriteChunk(c); err != nil {
				rt.Fatal(err)
			}
			want = append(want, c...)
		}
		got, err := io.ReadAll(s.Timeline(t.Context(), rec.ID()))
		if err != nil || string(got) != string(want) {
			rt.Fatalf("got %q, %v; want %q", got, err, want)
		}
		if err := rec.Finish(t.Context(), verdict.None, "", "", nil); err != nil {
			rt.Fatal(err)
		}
	})
}

// TestFollow: whoever asks again and again gets each chunk once, in order.
func TestFollow(t *testing.T) {
	s := fresh(t)
	rec, err := s.Begin(t.Context(), exampleRun())
	if err != nil {
		t.Fatal(err)
	}
	defer rec.release()
	follower := open(t, s.path)
	var got []byte
	n, asked := 0, 0
	follow := func() {
		t.Helper()
		for {
			asked++
			some, err := follower.ChunksSince(t.Context(), rec.ID(), n)
			if err != nil {
				t.Fatal(err)
			}
			if len(some) == 0 {
				return
			}
			n += len(some)
			got = append(got, bytes.Join(some, nil)...)
		}
	}
	follow()
	var want []byte
	for i := range 3*mostChunks + 1 {
		b := []byte{byte(i), byte(i >> 8)}
		if err := rec.WriteChunk(b); err != nil {
			t.Fatal(err)
		}
		want = append(want, b...)
		if i%100 == 99 {
			follow()
		}
	}
	follow()
	if !bytes.Equal(got, want) || asked > 12 {
		t.Errorf("got %d bytes of %d, asked %d times", len(got), len(want), asked)
	}
	if _, err := s.ChunksSince(t.Context(), 99, 0); !errors.Is(err, ErrNotFound) {
		t.Errorf("no such run: %v", err)
	}
}

func TestConcurrentReaders(t *testing.T) {
	s := fresh(t)
	id, _ := record(t, s, exampleRun(), 500)
	other := open(t, s.path)
	rec, err := s.Begin(t.Context(), exampleRun())
	if err != nil {
		t.Fatal(err)
	}
	defer rec.release()
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			from := []*Store{s, other}[i%2]
			if n := countBeats(t, from, id); n != 500 {
				t.Errorf("read %d events", n)
			}
			if list, err := from.Runs(t.Context(), Filter{}); err != nil || len(list) != 2 || list[0].State != Running {
				t.Errorf("listed %+v, %v", list, err)
			}
		})
	}
	beats(t, rec, 500)
	wg.Wait()
}

func TestConcurrentFirstOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "runs.db")
	var wg sync.WaitGroup
	for range 6 {
		wg.Go(func() {
			s, err := Open(t.Context(), path)
			if err != nil {
				t.Error(err)
				return
			}
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
}

func ExampleError() {
	err := &Error{Path: "/var/lib/drench/runs.db", Doing: "keep chunk 12 of run 3", Err: errors.New("database or disk is full"),
		Mend: "free some space on its disk, or move the store to a larger one"}
	fmt.Fprintln(os.Stdout, err)
	// Output: store /var/lib/drench/runs.db: keep chunk 12 of run 3: database or disk is full; free some space on its disk, or move the store to a larger one
}
