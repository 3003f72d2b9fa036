package portable_test

import (
	"bufio"
	"bytes"
	"cmp"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

const (
	virtualRoot     = "drench/drivers/virtual"
	virtualPackages = virtualRoot + "/..."
)

// fused matches the arm64 instructions that multiply and add with one rounding.
var fused = regexp.MustCompile(`\tF(N?)M(ADD|SUB)[SD]\t`)

// called finds the target of a call in the compiler's assembly listing.
var called = regexp.MustCompile(`\tCALL\t([^\s(]+(?:\(\*\w+\))?[^\s(]*)\(SB\)`)

// exactMath lists the functions of package math that give the same bits on
// every machine because their results are exact or correctly rounded. Whatever
// is missing here has a twin in this package, or needs one.
var exactMath = map[string]bool{
	"Abs": true, "Ceil": true, "Copysign": true, "FMA": true, "Floor": true, "Frexp": true,
	"Inf": true, "IsInf": true, "IsNaN": true, "Ldexp": true, "Max": true, "Min": true,
	"Mod": true, "Modf": true, "NaN": true, "Nextafter": true, "Remainder": true,
	"Round": true, "RoundToEven": true, "Signbit": true, "Sqrt": true, "Trunc": true,
}

// A finding is a line of the listing that may give other bits elsewhere.
type finding struct{ function, line string }

// unportable reads a compiler listing (-S, arm64) and returns what in it may
// compute other bits on another machine, and how many functions it read.
func unportable(listing []byte) (found []finding, functions int) {
	var function string
	lines := bufio.NewScanner(bytes.NewReader(listing))
	lines.Buffer(nil, 1<<24)
	for lines.Scan() {
		line := lines.Text()
		if name, _, ok := strings.Cut(line, " STEXT "); ok {
			function = name
			functions++
			continue
		}
		if fused.MatchString(line) || callsUnportable(line) {
			found = append(found, finding{function, strings.TrimSpace(line)})
		}
	}
	return found, functions
}

func callsUnportable(line string) bool {
	m := called.FindStringSubmatch(line)
	if m == nil {
		return false
	}
	target := m[1]
	if name, ok := strings.CutPrefix(target, "math."); ok {
		name = strings.TrimPrefix(name, "arch")
		return !exactMath[strings.ToUpper(name[:1])+name[1:]]
	}
	return strings.HasPrefix(target, "math/cmplx.") ||
		strings.HasPrefix(target, "gonum.org/") ||
		strings.HasPrefix(target, "math/rand.") ||
		strings.HasSuffix(target, "NormFloat64") || strings.HasSuffix(target, "ExpFloat64")
}

// TestNoFusedArithmetic compiles every package below drivers/virtual for arm64,
// where the compiler fuses what it may, and reads the instructions.
func TestNoFusedArithmetic(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another processor")
	}
	// The build cache keeps a compiler's output and replays it, so the listing
	// comes whether or not anything had to be compiled.
	cmd := exec.Command("go", "build", "-gcflags="+virtualPackages+"=-S", virtualPackages)
	cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
	listing, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("compile %s for arm64: %v\n%s", virtualPackages, err, tail(listing, 2000))
	}
	for _, pkg := range packages(t) {
		if !bytes.Contains(listing, []byte("# "+pkg+"\n")) {
			t.Errorf("no listing of package %s", pkg)
		}
	}
	found, functions := unportable(listing)
	if functions == 0 {
		t.Errorf("no function in the listing of %s: has the form of the compiler's output changed?", virtualPackages)
	}
	for _, f := range found {
		t.Errorf("%s may give other bits on another machine: %s", f.function, f.line)
	}
	t.Logf("%d functions", functions)
}

// packages returns the import paths of the packages below drivers/virtual that
// have code to compile. Walking the folders also makes their content an input
// of the test, so that go test does not answer from its cache after a change.
func packages(t *testing.T) []string {
	const root = ".."
	seen := map[string]bool{}
	var paths []string
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() && d.Name() == "testdata" {
			return cmp.Or(err, fs.SkipDir)
		}
		if d.IsDir() || !strings.HasSuffix(file, ".go") || strings.HasSuffix(file, "_test.go") {
			return nil
		}
		dir, err := filepath.Rel(root, filepath.Dir(file))
		if pkg := path.Join(virtualRoot, filepath.ToSlash(dir)); !seen[pkg] {
			seen[pkg] = true
			paths = append(paths, pkg)
		}
		return err
	})
	if err != nil {
		t.Fatalf("list the packages below drivers/virtual: %v", err)
	}
	return paths
}

func tail(b []byte, n int) []byte { return b[max(0, len(b)-n):] }

// TestUnportableIsFound plants what the check is there to find and lets the
// same compiler list it.
func TestUnportableIsFound(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another processor")
	}
	tests := []struct {
		name, body string
		want       int
	}{
		{"fused sum", "return x*y + z", 1},
		{"fused difference", "return z - x*y", 1},
		{"fused across statements", "p := x * y; return p - z", 1},
		{"rounded product", "return float64(x*y) + z", 0},
		{"rounded product in a variable", "p := float64(x * y); return p - z", 0},
		{"exponential", "return math.Exp(x)", 1},
		{"power", "return math.Pow(x, y)", 1},
		{"logarithm", "return math.Log(x)", 1},
		{"decimal logarithm", "return math.Log10(x)", 1},
		{"sine", "return math.Sin(x)", 1},
		{"normal of math/rand", "return rand.New(rand.NewPCG(1, 2)).NormFloat64()", 1},
		{"exact functions", "return math.Sqrt(math.Floor(x)) + math.Mod(y, z)", 0},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			source := "package planted\nimport (\n\"math\"\n\"math/rand/v2\"\n)\n" +
				"var _ = math.Pi\nvar _ rand.Source\n" +
				"func F(x, y, z float64) float64 { " + test.body + " }\n"
			dir := t.TempDir()
			file := dir + "/planted.go"
			if err := os.WriteFile(file, []byte(source), 0o600); err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command("go", "build", "-gcflags=-S", file)
			cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
			listing, err := cmd.CombinedOutput()
			if err != nil {
				t.Fatalf("compile: %v\n%s", err, listing)
			}
			found, _ := unportable(listing)
			if got := min(len(found), 1); got != test.want {
				t.Errorf("found %v, want %d finding", found, test.want)
			}
		})
	}
}
