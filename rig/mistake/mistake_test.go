package mistake

import (
	"errors"
	"io/fs"
	"testing"
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
	if d := distance("kitten", "sitting", 9); d != 3 { // the textbook's example, from memory
		t.Errorf("distance is %d, want 3", d)
	}
}
