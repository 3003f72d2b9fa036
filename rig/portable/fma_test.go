package portable_test

import (
	"bufio"
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// reproducible lists the packages whose arithmetic ends in a timeline: the same
// seed must give the same bytes on any machine.
var reproducible = []string{
	"drench/drivers/virtual", "drench/rig", "drench/rig/engine", "drench/rig/interlock",
	"drench/results/adaptive", "drench/rig/physics", "drench/rig/portable", "drench/scenarios",
}

// fused matches the arm64 instructions that multiply and add with one rounding.
var fused = regexp.MustCompile(`\tF(N?)M(ADD|SUB)[SD]\t`)

// header matches the line that opens a symbol, function or data, in the
// compiler's listing.
var header = regexp.MustCompile(`^(\S.*?) S[A-Z]+ `)

// refers matches the line that tells what a symbol calls or takes the address
// of, a function kept in a variable or a table included.
var refers = regexp.MustCompile(`^\s+rel \S+ t=R_(?:CALL|ADDR|ARM64)\w* (\S+?)(?:·f)?\+\d+$`)

// complaint matches what the compiler says when it fails.
var complaint = regexp.MustCompile(`(?m)^\S+\.go:\d+.*$|^(?:package|go:) .*$`)

// exactMath lists the functions of package math that give the same bits on
// every machine because their results are exact or correctly rounded. Whatever
// is missing here has a twin in this package, or needs one.
var exactMath = map[string]bool{
	"Abs": true, "Ceil": true, "Copysign": true, "Floor": true, "Frexp": true,
	"Inf": true, "IsInf": true, "IsNaN": true, "Ldexp": true, "Max": true, "Min": true,
	"Mod": true, "Modf": true, "NaN": true, "Nextafter": true, "Remainder": true,
	"Round": true, "RoundToEven": true, "Signbit": true, "Sqrt": true, "Trunc": true,
}

// A finding is a line of the listing that may give other bits elsewhere.
type finding struct{ symbol, line string }

// unportable reads a compiler listing (-S, arm64) and returns what in it may
// compute other bits on another machine.
func unportable(listing []byte) []finding {
	var found []finding
	var symbol string
	lines := bufio.NewScanner(bytes.NewReader(listing))
	lines.Buffer(nil, 1<<24)
	for lines.Scan() {
		line := lines.Text()
		if m := header.FindStringSubmatch(line); m != nil {
			symbol = m[1]
			continue
		}
		if fused.MatchString(line) || refersToUnportable(line) {
			found = append(found, finding{symbol, strings.TrimSpace(line)})
		}
	}
	return found
}

func refersToUnportable(line string) bool {
	m := refers.FindStringSubmatch(line)
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

// TestNoFusedArithmetic compiles the reproducible packages for arm64, where the
// compiler fuses what it may, and reads the instructions.
func TestNoFusedArithmetic(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another processor")
	}
	for _, pkg := range reproducible {
		readSources(t, pkg)
		// The build cache keeps a compiler's output and replays it, so the listing
		// comes whether or not anything had to be compiled.
		listing, err := listArm64(pkg+"=-S", pkg)
		if err != nil {
			t.Fatalf("compile %s for arm64: %v\n%s", pkg, err, bytes.Join(complaint.FindAll(listing, -1), []byte("\n")))
		}
		if !bytes.Contains(listing, []byte("# "+pkg+"\n")) {
			t.Errorf("no listing of package %s", pkg)
		}
		for _, f := range unportable(listing) {
			t.Errorf("%s may give other bits on another machine: %s", f.symbol, f.line)
		}
	}
}

// listArm64 compiles a package or file for arm64 and returns what the compiler
// prints.
func listArm64(flags, target string) ([]byte, error) {
	cmd := exec.Command("go", "build", "-gcflags="+flags, target)
	cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
	return cmd.CombinedOutput()
}

// readSources makes a package's files an input of the test, so that go test
// does not answer from its cache after a change.
func readSources(t *testing.T, pkg string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("../..", strings.TrimPrefix(pkg, "drench/"), "*.go"))
	if err != nil || len(files) == 0 {
		t.Fatalf("find the files of %s: %v", pkg, err)
	}
	for _, f := range files {
		if _, err := os.ReadFile(f); err != nil {
			t.Fatal(err)
		}
	}
}

// TestUnportableIsFound plants what the check is there to find and lets the
// same compiler list it.
func TestUnportableIsFound(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another processor")
	}
	tests := []struct {
		name, body string
		want       bool
	}{
		{"fused sum", "return x*y + z", true},
		{"fused difference", "return z - x*y", true},
		{"fused across statements", "p := x * y; return p - z", true},
		{"rounded product", "return float64(x*y) + z", false},
		{"rounded product in a variable", "p := float64(x * y); return p - z", false},
		{"exponential", "return math.Exp(x)", true},
		{"power", "return math.Pow(x, y)", true},
		{"logarithm", "return math.Log(x)", true},
		{"decimal logarithm", "return math.Log10(x)", true},
		{"sine", "return math.Sin(x)", true},
		{"function in a variable", "f := math.Cos; for range 3 { x = f(x); f = math.Floor }; return x", true},
		{"function in a table", "table := [...]func(float64) float64{math.Floor, math.Tan}; return table[int(y)](x)", true},
		{"normal of math/rand", "return rand.New(rand.NewPCG(1, 2)).NormFloat64()", true},
		{"exact functions", "return math.Sqrt(math.Floor(x)) + math.Mod(y, z)", false},
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
			listing, err := listArm64("-S", file)
			if err != nil {
				t.Fatalf("compile: %v\n%s", err, listing)
			}
			found := unportable(listing)
			if got := len(found) > 0; got != test.want {
				t.Errorf("found %v, want a finding: %v", found, test.want)
			}
		})
	}
}
