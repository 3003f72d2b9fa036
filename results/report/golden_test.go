package report

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// formats is every format by the golden file of the small run.
var formats = map[string]func(io.Writer, Input) error{
	"small.html": HTML, "small.xml": JUnit, "small.csv": CSV, "small.vcd": VCD, "small.json": JSON,
}

func render(t testing.TB, write func(io.Writer, Input) error, in Input) string {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b, in); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestGolden(t *testing.T) {
	for name, write := range formats {
		got := render(t, write, small(t))
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s differs at %s", name, firstDifference(got, string(want)))
		}
	}
}

func firstDifference(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			return fmt.Sprintf("line %d:\n got %q\nwant %q", i+1, x[i], y[i])
		}
	}
	return fmt.Sprintf("its end: got %d lines, want %d", len(x), len(y))
}

// TestSameInputSameBytes renders twice, from inputs made twice.
func TestSameInputSameBytes(t *testing.T) {
	for name, write := range formats {
		if a, b := render(t, write, large(t)), render(t, write, large(t)); a != b {
			t.Errorf("%s differs from itself at %s", name, firstDifference(a, b))
		}
	}
}

var errFull = errors.New("no space left")

// shortWriter fails after so many bytes.
type shortWriter struct{ left int }

func (s *shortWriter) Write(p []byte) (int, error) {
	if len(p) > s.left {
		n := s.left
		s.left = 0
		return n, errFull
	}
	s.left -= len(p)
	return len(p), nil
}

func TestWriteErrorsComeBack(t *testing.T) {
	for name, write := range formats {
		size := len(render(t, write, small(t)))
		for _, left := range []int{0, size / 2, size - 1} {
			if err := write(&shortWriter{left}, small(t)); !errors.Is(err, errFull) {
				t.Errorf("%s after %d of %d bytes: %v", name, left, size, err)
			}
		}
	}
}

func TestWriteAll(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "out")
	if err := WriteAll(dir, small(t)); err != nil {
		t.Fatal(err)
	}
	for name, golden := range map[string]string{"report.html": "small.html", "junit.xml": "small.xml", "trials.csv": "small.csv", "timeline.vcd": "small.vcd"} {
		got, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		want, err := os.ReadFile(filepath.Join("testdata", golden))
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s isn't %s (%v)", name, golden, err)
		}
	}
	wantNames(t, dir, "junit.xml", "report.html", "timeline.vcd", "trials.csv")
}

func wantNames(t *testing.T, dir string, want ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	if strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("%s holds %q, want %q", dir, got, want)
	}
}

// TestFailedFileLeavesTheOldOne keeps a file that could not be replaced, and
// no temporary beside it.
func TestFailedFileLeavesTheOldOne(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "trials.csv")
	if err := os.WriteFile(name, []byte("old"), 0o644); err != nil {
		t.Fatal(err)
	}
	err := writeFile(dir, "trials.csv", func(w io.Writer) error {
		fmt.Fprint(w, "half")
		return errFull
	})
	if !errors.Is(err, errFull) {
		t.Errorf("error %v", err)
	}
	if b, err := os.ReadFile(name); err != nil || string(b) != "old" {
		t.Errorf("the file became %q, %v", b, err)
	}
	wantNames(t, dir, "trials.csv")
}

func TestWriteAllNamesFileAndMend(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := WriteAll(filepath.Join(file, "out"), small(t)); err == nil || !strings.Contains(err.Error(), file) || !strings.Contains(err.Error(), "--out") {
		t.Errorf("folder under a file: %v", err)
	}
	in := small(t)
	in.Open = nil
	if err := WriteAll(t.TempDir(), in); !errors.Is(err, errNoTimeline) || !strings.Contains(err.Error(), "timeline.vcd") {
		t.Errorf("no timeline: %v", err)
	}
}
