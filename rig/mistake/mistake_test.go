package mistake

import (
	"errors"
	"io/fs"
	"testing"

	"pgregory.net/rapid"
)

func TestErrors(t *testing.T) {
	l := Errors{
		{File: "a.yaml", Line: 3, Col: 1, What: "later"},
		{File: "a.yaml", Line: 1, Col: 7, What: "what", Want: "another", Cause: fs.ErrNotExist},
		{File: "a.yaml", Line: 3, Col: 1, What: "later"},
	}
	const want = "a.yaml:1:7: what; expected another\na.yaml:3:1: later"
	err := l.Err()
	if err.Error() != want || !errors.Is(err, fs.ErrNotExist) || !Found(err) || !Found(l[0]) {
		t.Errorf("got %q", err)
	}
	if (Errors)(nil).Err() != nil || Found(fs.ErrNotExist) {
		t.Error("nothing wrong is an error")
	}
}

func TestNearest(t *testing.T) {
	known := []string{"drip", "dip", "wait", "latency", "film"}
	for word, want := range map[string]string{
		"whait": "wait", "drop": "drip", "dipp": "dip", "latencies": "", "x": "", "": "", "flim": "film", "drip": "drip",
	} {
		if got := Nearest(word, known, 2); got != want {
			t.Errorf("Nearest(%q) = %q, want %q", word, got, want)
		}
	}
	if d := Distance("kitten", "sitting"); d != 3 { // the textbook's example, from memory
		t.Errorf("distance is %d, want 3", d)
	}
}

// TestDistance: the laws of a distance hold.
func TestDistance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := rapid.StringN(0, 8, 8).Draw(t, "a"), rapid.StringN(0, 8, 8).Draw(t, "b"), rapid.StringN(0, 8, 8).Draw(t, "c")
		if Distance(a, a) != 0 || Distance(a, b) != Distance(b, a) || Distance(a, c) > Distance(a, b)+Distance(b, c) || (Distance(a, b) == 0) != (a == b) {
			t.Fatalf("%q %q %q: %d %d %d", a, b, c, Distance(a, b), Distance(b, c), Distance(a, c))
		}
	})
}
